"""Condition: grey on one 16-bit scale, denoised; the histogram of the specimen's voxels."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import zarr
from numpy.typing import NDArray

from pipeline.kernels.histograms import fold_gradients, fold_histogram
from pipeline.model.grid import Box
from pipeline.model.plan import Plan, slope_margin
from pipeline.stages.filters import open_filter
from pipeline.stages.flatten import Flattener
from pipeline.stages.grey import (
    pack_histogram,
    pack_slopes,
    pad_edges,
    read_mask,
    read_scale,
    specimen_voxels,
)
from pipeline.stages.image import RawImage
from pipeline.stages.noise import read_noise
from pipeline.stores.job import JobFolder, write_arrays
from pipeline.stores.volume import create_volume, open_volume, write_tile


class ConditionStage:
    """The image as it came to ``conditioned.zarr``."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan
        self.raw = RawImage(folder, plan)
        self.halo = plan.stage("condition").halo_vx
        self.margin = slope_margin(plan.recipe)
        self.scale = read_scale(folder)
        self.mask = read_mask(folder, plan)
        self.flattener = Flattener.open(folder, plan)
        self.filter = open_filter(plan.recipe.condition.denoise, read_noise(folder))

    @cached_property
    def conditioned(self) -> zarr.Array[Any]:
        """The volume that is segmented."""
        return open_volume(self.folder.conditioned)

    def prepare(self) -> None:
        """Create the conditioned volume."""
        plan = self.plan
        self.raw.check()
        create_volume(self.folder.conditioned, plan.header.shape, "uint16", plan.tile_shape)

    def process(self, number: int) -> int:
        """Condition one tile with its halo."""
        core = self.plan.grid.tile(number).core
        wide = self._denoise(core)
        grey = wide[(slice(1, -1),) * 3] if self.margin else wide
        inside = specimen_voxels(self.mask, self.scale, grey, core)
        write_tile(self.conditioned, core, grey)
        side = pack_histogram(fold_histogram(grey, inside))
        if self.margin:
            side |= self._fold_slopes(wide, core)
        write_arrays(self.folder.side("condition", number), side)
        return core.n_voxels

    def _fold_slopes(self, wide: NDArray[np.uint16], core: Box) -> dict[str, NDArray[Any]]:
        """Return gradients by grey; beyond the volume there is no specimen."""
        grown = core.grow((1, 1, 1))
        box = grown.clip(self.plan.header.shape)
        inside = np.zeros(grown.shape, np.uint8)
        there = specimen_voxels(self.mask, self.scale, wide[box.within(grown)], box)
        inside[box.within(grown)] = 1 if there is None else there
        return pack_slopes(*fold_gradients(wide, inside))

    def _denoise(self, core: Box) -> NDArray[np.uint16]:
        shape, halo = self.plan.header.shape, (self.halo,) * 3
        wanted = core.grow(halo)
        box = wanted.clip(shape)
        grey = self.scale.apply(self.raw.read(box))
        if self.flattener is not None:
            grey = self.flattener.apply(grey, box)
        padded = pad_edges(grey, wanted, box)
        spare = self.halo - self.margin
        if not self.scale.n_nonfinite:
            return self.filter.apply(padded, spare)
        # A voxel without a value gets none from its neighbours, and gives them that of the matrix.
        empty = padded == 0
        filtered = self.filter.apply(np.where(empty, self.filling, padded), spare)
        own = empty[(slice(spare, -spare or None),) * 3]
        return np.where(own, np.uint16(0), np.maximum(filtered, 1))

    @cached_property
    def filling(self) -> np.uint16:
        """What a voxel without a value counts as in its neighbours' windows: one for the scan."""
        seen = None if self.mask is None else self.mask.specimen
        return np.uint16(self.scale.middle if seen is None else seen)

    def fold(self) -> None:
        """Leave the histograms to the segment stage."""
        self.raw.check()
