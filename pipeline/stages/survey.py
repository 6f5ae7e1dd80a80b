"""Survey: mask and noise of a float volume, whose grey scale is known only after ingest."""

from __future__ import annotations

import numpy as np

from pipeline.kernels.histograms import fold_histogram
from pipeline.model.plan import Plan
from pipeline.stages.grey import fold_mask, fold_mask_side, pack_histogram, read_scale
from pipeline.stages.image import RawImage
from pipeline.stages.noise import fold_noise_side, fold_scan_noise, widen_for_noise
from pipeline.stores.job import JobFolder, write_arrays


class SurveyStage:
    """The image as it came to the specimen mask."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan
        self.raw = RawImage(folder, plan)
        self.scale = read_scale(folder)

    def prepare(self) -> None:
        """Need the image as ingest read it."""
        self.raw.check()

    def process(self, number: int) -> int:
        """Fold one tile into the coarse level."""
        core = self.plan.grid.tile(number).core
        grey = self.scale.apply(self.raw.read(widen_for_noise(core, self.plan)))
        own = np.ascontiguousarray(grey[:, :, : core.shape[2]])
        side = fold_mask_side(own, core.start, self.plan.header.shape)
        side |= fold_noise_side(grey, core, self.plan)
        if self.plan.recipe.condition.artefacts:
            side |= pack_histogram(fold_histogram(own))
        write_arrays(self.folder.side("survey", number), side)
        return core.n_voxels

    def fold(self) -> None:
        """Estimate the mask and the noise."""
        self.raw.check()
        fold_mask(self.folder, self.plan, "survey")
        fold_scan_noise(self.folder, self.plan, "survey")
