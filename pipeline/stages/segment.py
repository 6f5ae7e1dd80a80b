"""Segment: thresholds between phases, from the histogram of the specimen's voxels."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import DataError
from pipeline.kernels.classes import threshold_edge, threshold_multi_otsu, threshold_two
from pipeline.kernels.naming import Guide
from pipeline.kernels.peaks import PhaseThresholds, threshold_peaks
from pipeline.model.plan import GREY_LEVELS, Plan
from pipeline.model.recipe import Recipe
from pipeline.stages.grey import GreyScale, read_mask, read_scale, sum_histograms, sum_slopes
from pipeline.stores.job import JobFolder, write_arrays, write_whole


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Where phases part.

    Parameters
    ----------
    levels : tuple of int
        A voxel of conditioned grey >= ``levels[i]`` belongs to phase i + 1 or a brighter one.
    source : tuple of float
        The same as levels of the source: a voxel above ``source[i]`` belongs to phase i + 1.
    notes : tuple of str
        What the choice met.
    n_voxels : int
        Voxels of the specimen.
    pure : tuple of float or None
        Pure conditioned level of every phase, None where it was not found; empty for thresholds
        given by hand.
    noise_sd : float
        Standard deviation of conditioned grey in the matrix; 0 for thresholds given by hand.
    expected : tuple of float
        Conditioned grey that attenuation lets expect of every phase; empty where nothing does.
    """

    levels: tuple[int, ...]
    source: tuple[float, ...]
    notes: tuple[str, ...]
    n_voxels: int
    pure: tuple[float | None, ...] = ()
    noise_sd: float = 0.0
    expected: tuple[float, ...] = ()


def read_thresholds(folder: JobFolder) -> Thresholds:
    """Return the thresholds of a job."""
    values = json.loads(folder.product("segment.json").read_bytes())
    return Thresholds(
        levels=tuple(values["levels"]),
        source=tuple(values["source"]),
        notes=tuple(values["notes"]),
        n_voxels=values["n_voxels"],
        pure=tuple(values["pure"]),
        noise_sd=values["noise_sd"],
        expected=tuple(values["expected"]),
    )


def levels_above(source: Sequence[float], scale: GreyScale) -> tuple[int, ...]:
    """Return the first conditioned level above each grey of the source.

    Greys beyond the scale part nothing, and several within one step share a level: the phase
    between them is empty.

    Examples
    --------
    >>> levels_above([68.0, 68.5], GreyScale(1.0, 0.0))
    (69, 69)
    >>> levels_above([-5.0, 1e300], GreyScale(1.0, 0.0))
    (0, 65536)
    """
    levels = [math.floor((t - scale.offset) / scale.gain) + 1 for t in source]
    return tuple(min(max(level, 0), GREY_LEVELS) for level in levels)


def find_sure_greys(thresholds: Thresholds, recipe: Recipe) -> tuple[int | None, ...]:
    """Return the conditioned grey that a body of each phase must reach to be sure.

    Parameters
    ----------
    thresholds : Thresholds
        What the segment stage chose.
    recipe : Recipe
        Its `segment.sure` is the share of the way from a phase's threshold towards the matrix to
        its pure level.

    Returns
    -------
    tuple of int or None
        For phases brighter than the background the least maximum, for darker ones the greatest
        minimum; None where every body is sure.  A phase that was not found has the level that
        attenuation lets expect, or none.

    Examples
    --------
    >>> from pipeline.model.recipe import read_recipe
    >>> recipe = read_recipe("{segment: {sure: 0.5}, phases: [{name: pore, kind: particles},"
    ...     " {name: matrix, kind: background}, {name: grain, kind: particles}]}", "example")
    >>> find_sure_greys(Thresholds((100, 300), (), (), 9, (40.0, 200.0, 400.0)), recipe)
    (69, None, 350)
    """
    share, matrix = recipe.segment.sure, recipe.background
    sure: list[int | None] = [None] * len(recipe.phases)
    if share is None:
        return tuple(sure)
    for p in recipe.particle_phases:
        pure = thresholds.pure[p]
        if pure is None and thresholds.expected:
            pure = thresholds.expected[p]
        if pure is None:
            continue
        # The last grey of the phase towards the matrix.
        first = thresholds.levels[p - 1] if p > matrix else thresholds.levels[p] - 1
        at = first + share * (pure - first)
        if (p > matrix and pure > first) or (p < matrix and pure < first):
            sure[p] = math.ceil(at) if p > matrix else math.floor(at)
    return tuple(sure)


def describe_absent(names: Sequence[str], found: PhaseThresholds) -> tuple[str, ...]:
    """Return a remark that names the phases of which no level was found; none where all were.

    Parameters
    ----------
    names : sequence of str
        Phases, dark to bright.
    found : PhaseThresholds
        What a method chose; only method peaks leaves phases out.

    Returns
    -------
    tuple of str
        At most one remark.

    Examples
    --------
    >>> found = PhaseThresholds((9, 30), (None, 20.0, None), (None, 2.0, None), "peaks", ())
    >>> describe_absent(["pore", "matrix", "iron-rich"], found)[0][:44]
    'pore and iron-rich: no level of their own in'
    """
    if found.method != "peaks":
        return ()
    absent = [name for name, level in zip(names, found.levels, strict=True) if level is None]
    if not absent:
        return ()
    own = "its own" if len(absent) == 1 else "their own"
    return (
        f"{' and '.join(absent)}: no level of {own} in the histogram; voxels that the threshold "
        "leaves there are strays of noise and edges",
    )


def _noise_sd(found: PhaseThresholds, recipe: Recipe) -> float:
    """Return the spread of grey in the background, or in the most even phase without one."""
    known = [sd for sd in found.sd if sd is not None]
    background = [
        sd
        for sd, phase in zip(found.sd, recipe.phases, strict=True)
        if sd is not None and phase.kind == "background"
    ]
    return float(max(background)) if background else float(min(known, default=0.0))


class SegmentStage:
    """Folded histograms to thresholds; no voxel is read."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan

    def prepare(self) -> None:
        """Need nothing."""

    def process(self, number: int) -> int:
        """Have no tiles."""
        raise RuntimeError(f"the segment stage has no tile {number}")

    def fold(self) -> None:
        """Choose the thresholds."""
        recipe, scale = self.plan.recipe, read_scale(self.folder)
        histogram = sum_histograms(self.folder, "condition", self.plan.grid)
        n_voxels = int(histogram.sum())
        if n_voxels == 0:
            raise DataError(
                f"no voxel of {self.plan.header.location} lies inside the specimen.",
                "Take the whole volume with --set condition.mask=none.",
            )
        told = self.plan.expectation
        notes = (*self._describe_mask(), *(told.warnings if told else ()))
        expected: tuple[float, ...] = ()
        pure: tuple[float | None, ...] = ()
        noise_sd = 0.0
        if recipe.segment.thresholds is not None:
            source = recipe.segment.thresholds
            levels = levels_above(source, scale)
        else:
            found = self._part(histogram)
            levels = tuple(int(t) for t in found.thresholds)
            notes = (*notes, *self._describe_guide(found), *found.notes)
            notes = (*notes, *describe_absent([phase.name for phase in recipe.phases], found))
            expected = found.expected or ()
            source = tuple((t - 1) * scale.gain + scale.offset for t in levels)
            pure, noise_sd = found.levels, _noise_sd(found, recipe)
        write_arrays(self.folder.product("histogram.npz"), {"histogram": histogram})
        values = {
            "levels": levels,
            "source": source,
            "notes": notes,
            "n_voxels": n_voxels,
            "pure": pure,
            "noise_sd": noise_sd,
            "expected": expected,
        }
        write_whole(self.folder.product("segment.json"), json.dumps(values).encode())

    def _describe_mask(self) -> tuple[str, ...]:
        """Say that a bright body was not taken for the specimen."""
        mask = read_mask(self.folder, self.plan)
        if mask is None or not mask.dismissed:
            return ()
        share = 100 * mask.dismissed / mask.inside.size
        return (
            f"a bright body of {share:.2g} % of the volume was taken for a particle, and all about "
            "it for matrix: if it is the specimen, crop the scan to it",
        )

    def _part(self, histogram: NDArray[np.int64]) -> PhaseThresholds:
        """Return thresholds by the recipe's method."""
        recipe = self.plan.recipe
        method, n_phases = recipe.segment.method, len(recipe.phases)
        if method == "peaks":
            kinds = [phase.kind for phase in recipe.phases]
            return threshold_peaks(histogram, kinds, self._guide(), self._air())
        if method == "edge":
            sums, counts = sum_slopes(self.folder, "condition", self.plan.grid)
            return threshold_edge(histogram, sums, counts, n_phases)
        if method == "multi-otsu":
            return threshold_multi_otsu(histogram, n_phases)
        return threshold_two(histogram, method)

    def _guide(self) -> Guide | None:
        """Return what attenuation tells of the phases; None where it tells nothing."""
        told = self.plan.expectation
        if told is None or not told.attenuations_cm:
            return None
        mask = read_mask(self.folder, self.plan)
        return Guide(told.attenuations_cm, None if mask is None else mask.air)

    def _air(self) -> float | None:
        """Return the grey of air if it fills the darkest phase; None where none is seen."""
        recipe = self.plan.recipe
        if recipe.pore != 0 or recipe.phases[0].material not in (None, "air"):
            return None
        mask = read_mask(self.folder, self.plan)
        return None if mask is None else mask.air

    def _describe_guide(self, found: PhaseThresholds) -> tuple[str, ...]:
        """Say how the levels found stand to those that attenuation lets expect."""
        told, recipe = self.plan.expectation, self.plan.recipe
        if told is None or not told.attenuations_cm or found.method != "peaks":
            return ()
        if found.expected is None:
            return (
                f"attenuation at {told.beam} did not guide: neither air nor pores fix its scale",
            )
        matrix = found.expected[recipe.background]
        said = []
        for phase, level, wanted in zip(recipe.phases, found.levels, found.expected, strict=True):
            if phase.kind == "background":
                continue
            if level is None:
                said.append(f"{phase.name} absent")
            elif wanted != matrix:
                said.append(f"{phase.name} at {(level - matrix) / (wanted - matrix):.2f}")
        return (f"contrasts over those expected at {told.beam}: {', '.join(said)}",)
