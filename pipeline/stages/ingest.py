"""Ingest: the source, read once, becomes a checksummed OME-Zarr image with its pyramid.

Of a source that is used in place only the coarser levels are written.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import zarr
from numpy.typing import NDArray

from pipeline.errors import DataError
from pipeline.kernels.histograms import (
    float_grey_scale,
    float_median,
    fold_float_histogram,
    fold_histogram,
)
from pipeline.kernels.pyramid import halve_mean
from pipeline.model.grid import Box
from pipeline.model.plan import GREY_LEVELS, Plan
from pipeline.stages.grey import (
    INTEGER_OFFSETS,
    GreyScale,
    fold_mask,
    fold_mask_side,
    pack_histogram,
    sum_histograms,
    sum_sides,
    write_scale,
)
from pipeline.stages.image import check_source, open_planned, record_source
from pipeline.stages.levels import open_levels, write_levels
from pipeline.stages.noise import fold_noise_side, fold_scan_noise, widen_for_noise
from pipeline.stores.job import JobFolder, write_arrays, write_whole
from pipeline.stores.ome import create_pyramid


class IngestStage:
    """Source to ``scan.zarr``; folds the grey histogram and, for integers, the specimen mask."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan
        self.is_float = plan.header.dtype == "float32"
        self.first = int(plan.in_place)

    @cached_property
    def source(self) -> Any:
        """The source, opened again in this process and still what the plan was made for."""
        return open_planned(self.plan)

    @cached_property
    def levels(self) -> list[zarr.Array[Any]]:
        """Levels of the image."""
        return open_levels(self.folder.scan_store)

    def prepare(self) -> None:
        """Create the image."""
        plan = self.plan
        create_pyramid(
            self.folder.scan_store,
            plan.scan_id,
            plan.header.shape,
            plan.header.dtype,
            plan.tile_shape,
            plan.voxel_um,
            first=self.first,
        )
        record_source(self.folder, plan)

    def process(self, number: int) -> int:
        """Copy one tile, or its coarser levels alone, and fold its grey values."""
        core = self.plan.grid.tile(number).core
        voxels = self.source.read(core)
        write_levels(self.levels, core, voxels, halve_mean, self.first)
        write_arrays(self.folder.side("ingest", number), self._fold_tile(voxels, core))
        return core.n_voxels

    def _fold_tile(self, voxels: NDArray[Any], core: Box) -> dict[str, NDArray[Any]]:
        if self.is_float:
            counts, n_nonfinite = fold_float_histogram(voxels)
            return {**pack_histogram(counts), "n_nonfinite": np.array([n_nonfinite], np.int64)}
        grey = GreyScale(1.0, INTEGER_OFFSETS[self.plan.header.dtype]).apply(voxels)
        side = pack_histogram(fold_histogram(grey))
        side |= fold_noise_side(self._with_more_columns(grey, core), core, self.plan)
        if self.plan.recipe.condition.mask != "none":
            side |= fold_mask_side(grey, core.start, self.plan.header.shape)
        return side

    def _with_more_columns(self, grey: NDArray[np.uint16], core: Box) -> NDArray[np.uint16]:
        """Return a tile with the few columns beyond it that its noise is told from, if any."""
        wide = widen_for_noise(core, self.plan)
        if wide == core:
            return grey
        start = (core.start[0], core.start[1], core.stop[2])
        scale = GreyScale(1.0, INTEGER_OFFSETS[self.plan.header.dtype])
        return np.concatenate([grey, scale.apply(self.source.read(Box(start, wide.stop)))], axis=2)

    def fold(self) -> None:
        """Fix the grey scale; refuse volumes that hold nothing to segment."""
        plan, folder = self.plan, self.folder
        histogram = sum_histograms(folder, "ingest", plan.grid)
        if self.is_float:
            scale = self._float_scale(histogram)
        else:
            scale = GreyScale(1.0, INTEGER_OFFSETS[plan.header.dtype])
        if np.count_nonzero(histogram) < 2:
            raise DataError(
                f"{plan.header.location} is constant: every voxel has the same grey.",
                "Check the reconstruction and the data set that was named.",
            )
        write_scale(folder, scale)
        if not self.is_float and plan.recipe.condition.mask != "none":
            fold_mask(folder, plan, "ingest")
        if not self.is_float:
            fold_scan_noise(folder, plan, "ingest")
        # Before and after: the checksum must be that of the voxels that were folded.
        check_source(folder, plan)
        checksum = self.source.checksum()
        check_source(folder, plan)
        write_whole(folder.product("checksum.txt"), checksum.encode())

    def _float_scale(self, histogram: NDArray[np.int64]) -> GreyScale:
        plan = self.plan
        n_nonfinite = int(sum_sides(self.folder, "ingest", plan.grid, "n_nonfinite")[0])
        if n_nonfinite and plan.recipe.condition.nonfinite == "refuse":
            raise DataError(
                f"{plan.header.location} holds {n_nonfinite} voxels that are NaN or infinite, of "
                f"{plan.header.n_voxels}.",
                "Reconstruct it again, or take them as outside the specimen with "
                "--set condition.nonfinite=outside.",
            )
        gain, offset = float_grey_scale(histogram)
        middle = min(max(round((float_median(histogram) - offset) / gain), 1), GREY_LEVELS - 1)
        return GreyScale(gain, offset, n_nonfinite, middle)
