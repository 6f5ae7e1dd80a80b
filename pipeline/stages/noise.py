"""The noise of a scan, folded while its voxels are read for the first time, and what it decides."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.noise import (
    GREY_BINS,
    STEP_BINS,
    Noise,
    estimate_noise,
    fold_noise,
    needs_more_columns,
)
from pipeline.model.grid import Box
from pipeline.model.plan import Plan
from pipeline.stages.grey import read_mask
from pipeline.stores.job import JobFolder, read_arrays, write_whole


def widen_for_noise(core: Box, plan: Plan) -> Box:
    """Return a tile with the columns beyond it that its last pair of voxels reaches into."""
    return core.grow((0, 0, 0), (0, 0, needs_more_columns(core.stop[2], plan.header.shape[2])))


def fold_noise_side(grey: NDArray[np.uint16], core: Box, plan: Plan) -> dict[str, NDArray[Any]]:
    """Return a tile's pairs of voxels as a side file keeps them: bins that occur, and counts."""
    counts = fold_noise(grey, core.start, _top(plan)).reshape(-1)
    bins = np.flatnonzero(counts)
    return {"noise_bins": bins.astype(np.uint32), "noise_counts": counts[bins].astype(np.uint32)}


def fold_scan_noise(folder: JobFolder, plan: Plan, stage: str) -> None:
    """Add up what the tiles of a stage left and estimate the noise; the mask must be known."""
    total = np.zeros(GREY_BINS * STEP_BINS, np.int64)
    for number in range(len(plan.grid)):
        side = read_arrays(folder.side(stage, number), ("noise_bins", "noise_counts"))
        total[side["noise_bins"]] += side["noise_counts"]
    mask = read_mask(folder, plan)
    least = mask.level if mask is not None and mask.present else 0
    noise = estimate_noise(total.reshape(GREY_BINS, STEP_BINS), _top(plan), least)
    write_whole(folder.product("noise.json"), json.dumps(asdict(noise)).encode())


def read_noise(folder: JobFolder) -> Noise:
    """Return the noise of a job's scan."""
    return Noise(**json.loads(folder.product("noise.json").read_bytes()))


def _top(plan: Plan) -> int:
    return 255 if plan.header.dtype == "uint8" else 65535
