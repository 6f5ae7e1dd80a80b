"""The quality of a scan: tallied beside the bodies of each tile, folded with the particles.

The noise that moves thresholds is that of the conditioned volume, the spread of the matrix mode.
The phase rule, edges included, is asked again for the moved thresholds, exactly; clean-up, which
comes after it, is not.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.kernels.descriptors import RESOLVED_VX
from pipeline.kernels.doubt import fold_doubt, mode_level, mode_spread
from pipeline.kernels.phases import refine_edges
from pipeline.kernels.sharpness import BEFORE_VX, edge_width, fold_edges
from pipeline.kernels.threshold import classify_phases, count_phases
from pipeline.model.grid import Box
from pipeline.model.plan import EDGE_REACH_VX, Plan
from pipeline.model.recipe import OUTSIDE, Recipe
from pipeline.stages.edges import open_edges
from pipeline.stages.grey import GreyScale, sum_sides
from pipeline.stages.segment import Thresholds, read_thresholds
from pipeline.stores.job import JobFolder, read_arrays, write_whole

KEPT_SHARE = 0.8
"""Share of its voxels that a particle keeps by moved thresholds, or it is flagged (no source)."""

PLATELET_SPHERICITY = 0.5
"""A disc as thick as a tenth of its diameter has 0.47; below this a body counts as a platelet where
the scan's resolution is judged (no source)."""

FEWEST_PLATELETS = 10


@dataclass(frozen=True, slots=True)
class Levels:
    """Pure levels and noise on the conditioned scale, as far as they are known.

    Parameters
    ----------
    matrix : int or None
        Position of the phase that the others are seen against: the background with most voxels.
    pure : tuple of float or None
        Pure level of every phase.
    noise_sd : float or None
        Standard deviation of grey in the matrix, or where there is none in the largest phase; None
        where too few voxels tell.
    """

    matrix: int | None
    pure: tuple[float | None, ...]
    noise_sd: float | None

    @property
    def shift(self) -> int | None:
        """By how much thresholds are moved: one noise sd, in whole steps of the scale."""
        return None if self.noise_sd is None else int(self.noise_sd + 0.5)

    @property
    def others(self) -> tuple[int, ...]:
        """Positions of the phases whose edges against the matrix can be measured."""
        if self.matrix is None or self.pure[self.matrix] is None:
            return ()
        known = [i for i, level in enumerate(self.pure) if level is not None]
        return tuple(i for i in known if self.pure[i] != self.pure[self.matrix])


def read_levels(folder: JobFolder, recipe: Recipe) -> Levels:
    """Return pure levels and noise of a job: those of its thresholds, else from the histogram."""
    thresholds = read_thresholds(folder)
    histogram = read_arrays(folder.product("histogram.npz"))["histogram"]
    bounds = [0, *thresholds.levels, histogram.size]
    parts = [histogram[a:b] for a, b in itertools.pairwise(bounds)]
    n_voxels = [int(part.sum()) for part in parts]
    backgrounds = [i for i, phase in enumerate(recipe.phases) if phase.kind == "background"]
    matrix = max(backgrounds, key=lambda i: n_voxels[i]) if backgrounds else None
    largest = max(range(len(parts)), key=lambda i: n_voxels[i])
    reference = largest if matrix is None or n_voxels[matrix] == 0 else matrix
    if recipe.segment.method == "peaks":
        return Levels(matrix, thresholds.pure, thresholds.noise_sd)
    sd = mode_spread(parts[reference])
    pure = [mode_level(part, sd) if sd is not None else None for part in parts]
    starts = bounds[:-1]
    levels = tuple(None if p is None else a + p for a, p in zip(starts, pure, strict=True))
    return Levels(matrix, levels, sd)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Grey and phases of a box, and what lies up to `EDGE_REACH_VX` voxels around it.

    Parameters
    ----------
    box : Box
        The box, without what is around it.
    grey : ndarray of uint16
        Conditioned grey, repeated beyond the volume.
    plain : ndarray of uint8
        Phases by thresholds alone, as grey.
    phases : ndarray of uint8
        Phases of the box by the phase rule, before clean-up.
    """

    box: Box
    grey: NDArray[np.uint16]
    plain: NDArray[np.uint8]
    phases: NDArray[np.uint8]

    def inner(self, part: Box) -> NDArray[np.uint16]:
        """Return the grey of a part of the box."""
        wide = self.box.grow((EDGE_REACH_VX,) * 3)
        return np.ascontiguousarray(self.grey[part.within(wide)])

    def decided(self, part: Box) -> NDArray[np.uint8]:
        """Return the phases of a part of the box."""
        return np.ascontiguousarray(self.phases[part.within(self.box)])

    def about(
        self, core: Box, reach: int = EDGE_REACH_VX, above: int = 0
    ) -> tuple[NDArray[np.uint16], NDArray[np.uint8]]:
        """Return both of a core with `reach` voxels around it, and `above` more if the box has."""
        more = [min(above, b - a) for a, b in zip(core.stop, self.box.stop, strict=True)]
        part = core.grow((reach,) * 3, (reach + more[0], reach + more[1], reach + more[2])).within(
            self.box.grow((EDGE_REACH_VX,) * 3)
        )
        return np.ascontiguousarray(self.grey[part]), np.ascontiguousarray(self.plain[part])


class QualityTally:
    """What each tile tells of the quality of a scan.

    Parameters
    ----------
    folder : JobFolder
        The job.
    plan : Plan
        Its plan.
    thresholds : Thresholds
        Its thresholds.
    """

    def __init__(self, folder: JobFolder, plan: Plan, thresholds: Thresholds) -> None:
        self.plan, self.thresholds = plan, thresholds
        self.levels = read_levels(folder, plan.recipe)
        shift = self.levels.shift if plan.recipe.edge_aware else None
        self.moved = {
            by: open_edges(folder, plan, thresholds, by) for by in (-(shift or 0), shift or 0) if by
        }

    def fold(
        self,
        near: Surroundings,
        core: Box,
        labels: NDArray[np.uint32],
        n_bodies: int,
    ) -> dict[str, NDArray[Any]]:
        """Return the counts of a tile as its side file keeps them.

        Parameters
        ----------
        near : Surroundings
            Of a box that holds the core.
        core : Box
            The tile's core.
        labels : ndarray of uint32
            Local ids of the core.
        n_bodies : int
            Largest of them.

        Returns
        -------
        dict of str to ndarray
            Edge profiles; voxels in doubt, by body too; voxels of each phase by moved thresholds.
        """
        levels = self.levels
        pure = [level for i in levels.others if (level := levels.pure[i]) is not None]
        matrix = levels.pure[levels.matrix] if levels.matrix is not None else None
        grey, plain = near.about(core, BEFORE_VX, above=1)
        side: dict[str, NDArray[Any]] = {
            "edges": fold_edges(grey, plain, core, self.plan.header.shape, matrix or 0.0, pure)
        }
        shift = levels.shift
        if shift is None:
            return side
        lowered = raised = phases = near.decided(core)
        if shift:
            own = near.about(core)
            lowered, raised = (self._decide(*own, by) for by in (-shift, shift))
        n, side["lost"] = fold_doubt(phases, lowered, raised, labels, n_bodies)
        side["in_doubt"] = np.array([n], np.int64)
        side["phase_lowered"], side["phase_raised"] = count_phases(lowered), count_phases(raised)
        return side

    def _decide(
        self, grey: NDArray[np.uint16], plain: NDArray[np.uint8], by: int
    ) -> NDArray[np.uint8]:
        """Return phases by the phase rule with moved thresholds, without the halo."""
        cuts = tuple(level + by for level in self.thresholds.levels)
        moved = classify_phases(grey, plain != OUTSIDE, cuts)
        if not self.plan.recipe.edge_aware:
            inner = (slice(EDGE_REACH_VX, -EDGE_REACH_VX),) * 3
            return np.ascontiguousarray(moved[inner])
        return refine_edges(grey, moved, self.moved[by])


@dataclass(frozen=True, slots=True)
class Quality:
    """The quality of a scan, in grey levels of the source and in um.

    Parameters
    ----------
    scan : dict
        Columns of the table of scans.
    phases : tuple of dict
        Columns of the table of phases, for each of them.
    """

    scan: dict[str, Any]
    phases: tuple[dict[str, Any], ...]


def merge_lost(
    folder: JobFolder, row_of: NDArray[np.int64], offsets: NDArray[np.int64], n: int
) -> NDArray[np.int64] | None:
    """Return the voxels that particles lose by lower and by higher thresholds.

    Parameters
    ----------
    folder : JobFolder
        A job whose label stage is done.
    row_of : ndarray of int64
        Row of each local id of all tiles; -1 for none.
    offsets : ndarray of int64
        Index in `row_of` of each tile's first local id, and the one beyond the last.
    n : int
        Particles.

    Returns
    -------
    ndarray of int64, shape (n, 2), or None
        None where the noise is unknown.
    """
    lost = np.zeros((n, 2), np.int64)
    for number, (start, stop) in enumerate(itertools.pairwise(offsets)):
        side = read_arrays(folder.side("label", number))
        if "lost" not in side:
            return None
        rows = row_of[start:stop]
        np.add.at(lost, rows[rows >= 0], side["lost"][1:][rows >= 0])
    return lost


def describe_sensitivity(
    n_voxels: NDArray[np.int64], lost: NDArray[np.int64] | None
) -> dict[str, pa.Array]:
    """Return the columns of particles that tell how far their voxels hang on the thresholds.

    Parameters
    ----------
    n_voxels : ndarray of int64, shape (n,)
        Voxels of the particles.
    lost : ndarray of int64, shape (n, 2), or None
        From `merge_lost`.

    Returns
    -------
    dict of str to pyarrow.Array
        ``n_voxels_kept_lowered``, ``n_voxels_kept_raised``, ``threshold_sensitive``.
    """
    n = len(n_voxels)
    if lost is None:
        counts, flags = pa.nulls(n, pa.int64()), pa.nulls(n, pa.bool_())
        lowered = raised = counts
    else:
        kept = n_voxels[:, None] - lost
        lowered, raised = pa.array(kept[:, 0]), pa.array(kept[:, 1])
        flags = pa.array(kept.min(axis=1, initial=np.iinfo(np.int64).max) < KEPT_SHARE * n_voxels)
    return {
        "n_voxels_kept_lowered": lowered,
        "n_voxels_kept_raised": raised,
        "threshold_sensitive": flags,
    }


def measure_quality(
    folder: JobFolder,
    plan: Plan,
    scale: GreyScale,
    columns: Mapping[str, Any],
    phase: NDArray[np.uint8],
) -> Quality:
    """Fold what the tiles left.

    Parameters
    ----------
    folder : JobFolder
        A job whose label stage is done.
    plan : Plan
        Its plan.
    scale : GreyScale
        Its grey scale.
    columns : mapping of str to array
        Columns of its particles.
    phase : ndarray of uint8
        Phase of each particle.

    Returns
    -------
    Quality
        Noise, contrast, sharpness, doubt, and how thin platelets are.
    """
    levels = read_levels(folder, plan.recipe)
    thresholds = read_thresholds(folder)
    searched = thresholds.n_voxels
    edges = sum_sides(folder, "label", plan.grid, "edges")
    scan, widths = _sharpness(edges, levels, plan)
    known = levels.shift is not None
    counts = {
        name: sum_sides(folder, "label", plan.grid, name) if known else None
        for name in ("in_doubt", "phase_lowered", "phase_raised")
    }
    in_doubt = counts["in_doubt"]
    scan |= {
        "noise_conditioned_sd": None if levels.noise_sd is None else levels.noise_sd * scale.gain,
        "threshold_shift": None if levels.shift is None else levels.shift * scale.gain,
        "doubt_fraction": _share(in_doubt, 0, searched),
        **_platelets(columns, phase, levels, plan),
    }
    sensitive = columns["threshold_sensitive"]
    rows = []
    told = plan.expectation.told_apart if plan.expectation else ()
    for i, width in enumerate(widths):
        wanted = thresholds.expected[i] if thresholds.expected else None
        pure = levels.pure[i] if i < len(levels.pure) else None
        rows.append(
            {
                "pure_grey": None if pure is None else pure * scale.gain + scale.offset,
                "expected_grey": None if wanted is None else wanted * scale.gain + scale.offset,
                "told_apart": told[i] if told else None,
                "cnr_matrix": _contrast_to_noise(levels, i),
                "volume_fraction_lowered": _share(counts["phase_lowered"], i, searched),
                "volume_fraction_raised": _share(counts["phase_raised"], i, searched),
                "n_threshold_sensitive": (
                    int(np.asarray(sensitive)[phase == i].sum()) if known else None
                ),
                **width,
            }
        )
    return Quality(scan, tuple(rows))


def _share(counts: NDArray[np.int64] | None, i: int, of: int) -> float | None:
    return None if counts is None or of == 0 else float(counts[i] / of)


def _contrast_to_noise(levels: Levels, i: int) -> float | None:
    """Return how far a pure level lies from the matrix, in noise sd; None for what is unknown."""
    if i not in levels.others or levels.matrix is None or not levels.noise_sd:
        return None
    pure, matrix = levels.pure[i], levels.pure[levels.matrix]
    return None if pure is None or matrix is None else abs(pure - matrix) / levels.noise_sd


def _sharpness(
    edges: NDArray[np.int64], levels: Levels, plan: Plan
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Return widths for the scan, from the phase with most edges, and for each phase."""
    names = [phase.name for phase in plan.recipe.phases]
    per_phase: list[dict[str, Any]] = [{"edge_width_um": None, "n_edges": 0} for _ in names]
    for row, i in zip(edges, levels.others, strict=True):
        per_phase[i] = {
            "edge_width_um": _mean_width(row, plan.voxel_um)[1],
            "n_edges": int(row[:, :, 0].sum()),
        }
    best = max(range(len(names)), key=lambda i: per_phase[i]["n_edges"])
    scan: dict[str, Any] = {"edge_width_vx": None, "edge_width_um": None, "edge_phase": None}
    scan |= {f"edge_width_{axis}_um": None for axis in "zyx"}
    if per_phase[best]["edge_width_um"] is not None:
        row = edges[levels.others.index(best)]
        scan["edge_width_vx"], scan["edge_width_um"] = _mean_width(row, plan.voxel_um)
        scan["edge_phase"] = names[best]
        for axis, sums, voxel in zip("zyx", row, plan.voxel_um, strict=True):
            width = edge_width(sums)
            scan[f"edge_width_{axis}_um"] = None if width is None else width * voxel
    return scan, per_phase


def _mean_width(
    row: NDArray[np.int64], voxel_um: tuple[float, float, float]
) -> tuple[float | None, float | None]:
    """Return the width of a phase's edges in voxels and um, all axes together.

    Voxels of one edge length share one profile; else each axis has its own, weighted by its edges.
    """
    if len(set(voxel_um)) == 1:
        width = edge_width(row.sum(axis=0))
        return width, None if width is None else width * voxel_um[0]
    found = [
        (width, voxel, int(sums[:, 0].sum()))
        for sums, voxel in zip(row, voxel_um, strict=True)
        if (width := edge_width(sums)) is not None
    ]
    n = sum(edges for _, _, edges in found)
    if n == 0:
        return None, None
    in_vx = sum(width * edges for width, _, edges in found) / n
    return in_vx, sum(width * voxel * edges for width, voxel, edges in found) / n


def _platelets(
    columns: Mapping[str, Any], phase: NDArray[np.uint8], levels: Levels, plan: Plan
) -> dict[str, Any]:
    """Return how thin the platelets of a scan are: 2 V / S in voxel edges along their normal."""
    bright = phase > (len(plan.recipe.phases) if levels.matrix is None else levels.matrix)
    flat = bright & (columns["sphericity"] < PLATELET_SPHERICITY) & ~columns["touches_border"]
    n = int(flat.sum())
    edge = np.sqrt(
        sum(
            (columns[f"minor_{a}"][flat] * v) ** 2
            for a, v in zip("zyx", plan.voxel_um, strict=True)
        )
    )
    thickness = 2.0 * columns["volume_um3"][flat] / columns["surface_um2"][flat] / edge
    median = float(np.median(thickness)) if n >= FEWEST_PLATELETS else None
    return {
        "n_platelets": n,
        "platelet_thickness_vx": median,
        "thin_platelets": None if median is None else median < RESOLVED_VX,
    }


def write_quality(folder: JobFolder, quality: Quality) -> None:
    """Leave the quality for the catalogue stage."""
    write_whole(folder.product("quality.json"), json.dumps(asdict(quality)).encode())


def read_quality(folder: JobFolder) -> Quality:
    """Return the quality of a job's scan."""
    values = json.loads(folder.product("quality.json").read_bytes())
    return Quality(values["scan"], tuple(values["phases"]))
