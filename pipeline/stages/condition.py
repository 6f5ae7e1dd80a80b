"""Condition: grey on one 16-bit scale, denoised; the histogram of the specimen's voxels."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import zarr
from numpy.typing import NDArray

from pipeline.kernels.threshold import fold_histogram
from pipeline.model.grid import Box
from pipeline.model.plan import Plan
from pipeline.stages.filters import open_filter
from pipeline.stages.flatten import Flattener
from pipeline.stages.grey import pack_histogram, pad_edges, read_mask, read_scale, specimen_voxels
from pipeline.stages.noise import read_noise
from pipeline.stores.job import JobFolder, write_arrays
from pipeline.stores.volume import create_volume, open_volume, read_box, write_tile


class ConditionStage:
    """``scan.zarr`` to ``conditioned.zarr``."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan
        self.halo = plan.stage("condition").halo_vx
        self.scale = read_scale(folder)
        self.mask = read_mask(folder, plan)
        self.flattener = Flattener.open(folder, plan)
        self.filter = open_filter(plan.recipe.condition.denoise, read_noise(folder))

    @cached_property
    def raw(self) -> zarr.Array[Any]:
        """The image as it came."""
        return open_volume(self.folder.scan_store / "0")

    @cached_property
    def conditioned(self) -> zarr.Array[Any]:
        """The volume that is segmented."""
        return open_volume(self.folder.conditioned)

    def prepare(self) -> None:
        """Create the conditioned volume."""
        plan = self.plan
        create_volume(self.folder.conditioned, plan.header.shape, "uint16", plan.tile_shape)

    def process(self, number: int) -> int:
        """Condition one tile with its halo."""
        core = self.plan.grid.tile(number).core
        grey = self._denoise(core)
        inside = specimen_voxels(self.mask, self.scale, grey, core)
        write_tile(self.conditioned, core, grey)
        write_arrays(
            self.folder.side("condition", number), pack_histogram(fold_histogram(grey, inside))
        )
        return core.n_voxels

    def _denoise(self, core: Box) -> NDArray[np.uint16]:
        shape, halo = self.plan.header.shape, (self.halo,) * 3
        wanted = core.grow(halo)
        box = wanted.clip(shape)
        grey = self.scale.apply(read_box(self.raw, box))
        if self.flattener is not None:
            grey = self.flattener.apply(grey, box)
        filtered = self.filter.apply(pad_edges(grey, wanted, box), self.halo)
        if self.scale.n_nonfinite:
            # A voxel without a value gets none from its neighbours either.
            filtered = np.where(grey[core.within(box)] == 0, np.uint16(0), np.maximum(filtered, 1))
        return filtered

    def fold(self) -> None:
        """Leave the histograms to the segment stage."""
