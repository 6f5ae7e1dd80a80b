"""Flatten: cupping, drift and rings of the matrix's grey, found before voxels are conditioned.

The volume is read once more for it, and not changed: the condition stage applies what was found.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.evenness import Evenness, Unevenness, find_correction
from pipeline.kernels.flatten import Correction, Geometry, find_geometry, flatten_grey
from pipeline.kernels.mask import CoarseMask
from pipeline.kernels.matrix import (
    N_BINS,
    N_SECTORS,
    N_ZONES,
    Window,
    find_window,
    fold_evenness,
    inner_blocks,
)
from pipeline.model.grid import Box
from pipeline.model.plan import GREY_LEVELS, Plan
from pipeline.stages.grey import read_mask, read_scale, sum_histograms
from pipeline.stages.image import RawImage
from pipeline.stores.job import JobFolder, read_arrays, write_arrays, write_whole

_TABLES = [f.name for f in fields(Correction) if f.name not in ("geometry", "air")]


class FlattenStage:
    """``scan.zarr`` to the correction of its grey."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan
        self.scale = read_scale(folder)
        self.mask = read_mask(folder, plan)
        self.raw = RawImage(folder, plan)
        self.geometry = find_geometry(
            self.mask, plan.header.shape, plan.recipe.condition.rotation_axis_vx
        )

    @cached_property
    def window(self) -> Window | None:
        """Grey bins about the matrix; None where no voxel lies inside the specimen."""
        bins = json.loads(self.folder.product("window.json").read_bytes())
        return Window(*bins) if bins else None

    @cached_property
    def blocks(self) -> tuple[NDArray[np.uint8], int]:
        """Blocks well inside the specimen."""
        return inner_blocks(self.mask, self.plan.header.shape)

    def prepare(self) -> None:
        """Choose the grey bins from the histogram that an earlier stage left."""
        is_float = self.plan.header.dtype == "float32"
        stage = "survey" if is_float else "ingest"
        histogram = sum_histograms(self.folder, stage, self.plan.grid)
        if is_float:
            histogram[0] = 0  # voxels without a value
        window = find_window(histogram, _air_below(self.mask))
        bins = [window.low, window.width] if window else []
        write_whole(self.folder.product("window.json"), json.dumps(bins).encode())

    def process(self, number: int) -> int:
        """Count the matrix of one tile."""
        core = self.plan.grid.tile(number).core
        side: dict[str, NDArray[Any]] = {}
        if self.window is not None:
            grey = self.scale.apply(self.raw.read(core))
            planes, rings = fold_evenness(grey, core, *self.blocks, self.geometry, self.window)
            planes = planes.reshape(core.shape[0], -1, N_BINS)
            cells = np.flatnonzero(planes.any(axis=(0, 2)))
            radii = np.flatnonzero(rings.any(axis=(0, 2)))
            side = {
                "cells": cells,
                "planes": planes[:, cells],
                "radii": radii,
                "rings": rings[:, radii],
            }
        write_arrays(self.folder.side("flatten", number), side)
        return core.n_voxels

    def fold(self) -> None:
        """Add up and estimate."""
        condition = self.plan.recipe.condition
        window = self.window
        if window is None:
            found = Evenness((), None, None, 0.0, None)
        else:
            found = find_correction(
                *self._sums(),
                window,
                self.geometry,
                _air_level(self.mask),
                condition.artefacts,
                sure_only=condition.flatten == "auto",
            )
        _write_evenness(self.folder, found)

    def _sums(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        grid = self.plan.grid
        planes = np.zeros((grid.shape[0], N_SECTORS * N_ZONES, N_BINS), np.int64)
        rings = np.zeros((N_SECTORS, self.geometry.n_rings, N_BINS), np.int64)
        for tile in grid:
            side = read_arrays(self.folder.side("flatten", tile.number))
            planes[tile.core.slices[0], side["cells"]] += side["planes"]
            rings[:, side["radii"]] += side["rings"]
        return planes.reshape(-1, N_SECTORS, N_ZONES, N_BINS), rings


def _air_below(mask: CoarseMask | None) -> int:
    return mask.level if mask is not None and mask.present else 0


def _air_level(mask: CoarseMask | None) -> int | None:
    """Return the grey of air, which the mask keeps away from the specimen's border."""
    return int(mask.mean.min()) if mask is not None and mask.present else None


def _write_evenness(folder: JobFolder, found: Evenness) -> None:
    values: dict[str, Any] = {
        "found": [asdict(artefact) for artefact in found.found],
        "matrix": found.matrix,
        "air": found.air,
        "noise_sd": found.noise_sd,
        "geometry": None,
    }
    if found.correction is not None:
        c = found.correction
        values["geometry"] = asdict(c.geometry) | {"air": c.air}
        write_arrays(folder.product("flatten.npz"), {n: getattr(c, n) for n in _TABLES})
    write_whole(folder.product("flatten.json"), json.dumps(values).encode())


def read_evenness(folder: JobFolder) -> Evenness:
    """Return what the flatten stage of a job found."""
    values = json.loads(folder.product("flatten.json").read_bytes())
    correction = None
    if values["geometry"] is not None:
        place = values["geometry"]
        air = place.pop("air")
        geometry = Geometry(
            tuple(place["axis"]), place["radius_vx"], tuple(place["rotation"]), place["n_rings"]
        )
        correction = Correction(geometry, air, **read_arrays(folder.product("flatten.npz")))
    found = tuple(Unevenness(**artefact) for artefact in values["found"])
    return Evenness(found, values["matrix"], values["air"], values["noise_sd"], correction)


@dataclass(frozen=True, slots=True)
class Flattener:
    """The correction of a job's grey, ready to apply to any box.

    Parameters
    ----------
    correction : Correction
        What the flatten stage found.
    least, top : int
        Range of the conditioned scale.
    """

    correction: Correction
    least: int
    top: int

    @classmethod
    def open(cls, folder: JobFolder, plan: Plan) -> Flattener | None:
        """Return the correction of a job, None where its grey stays as it is."""
        if not plan.recipe.condition.artefacts:
            return None
        correction = read_evenness(folder).correction
        if correction is None:
            return None
        dtype = plan.header.dtype
        return cls(
            correction,
            int(dtype == "float32"),  # 0 is for voxels without a value
            255 if dtype == "uint8" else GREY_LEVELS - 1,
        )

    def apply(self, grey: NDArray[np.uint16], box: Box) -> NDArray[np.uint16]:
        """Return the corrected grey of a box."""
        return flatten_grey(grey, box, self.correction, self.least, self.top)


def describe_flatten(folder: JobFolder, plan: Plan, gain: float) -> dict[str, object]:
    """Return what was taken off, as the catalogue's columns want it."""
    if not plan.recipe.condition.artefacts:
        return {}
    evenness = read_evenness(folder)
    row: dict[str, object] = {}
    notes = []
    for artefact in evenness.found:
        name, grey = artefact.name, artefact.peak_to_valley * gain
        percent = None
        if evenness.matrix is not None and evenness.air is not None:
            percent = 100 * artefact.peak_to_valley / (evenness.matrix - evenness.air)
        if artefact.corrected:
            row[f"flatten_{name}_grey"] = grey
            row[f"flatten_{name}_percent"] = percent
        size = f"{grey:.4g} grey levels" + ("" if percent is None else f", {percent:.1f} %")
        done = "taken off" if artefact.corrected else "left: not clear, or far below the noise"
        notes.append(f"{name}: {size}, {artefact.ratio:.1f} times its error (variance), {done}")
    if not notes:
        notes = ["too few voxels of matrix to tell"]
    return {**row, "flatten_notes": notes}
