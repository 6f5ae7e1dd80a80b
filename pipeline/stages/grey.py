"""The conditioned grey scale and the specimen mask: products that several stages share."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.denoise import quantise_grey
from pipeline.kernels.mask import CoarseMask, coarse_block_vx, estimate_mask, fold_blocks, mask_box
from pipeline.model.grid import Box, TileGrid, Triple
from pipeline.model.plan import GREY_LEVELS, Plan
from pipeline.stores.job import JobFolder, read_arrays, write_arrays, write_whole

INTEGER_OFFSETS = {"uint8": 0.0, "uint16": 0.0, "int16": -32768.0}


@dataclass(frozen=True, slots=True)
class GreyScale:
    """Source grey = gain * conditioned grey + offset.

    Parameters
    ----------
    gain, offset : float
        The affine scale; integers of the source stay exact with a gain of 1.
    n_nonfinite : int
        Voxels that were not finite: conditioned grey 0 is theirs alone where the source is float.
    middle : int
        Median grey of a float source on the conditioned scale.
    """

    gain: float
    offset: float
    n_nonfinite: int = 0
    middle: int = 0

    def apply(self, voxels: NDArray[Any]) -> NDArray[np.uint16]:
        """Return voxels on the conditioned scale."""
        if voxels.dtype == np.uint16:
            return voxels
        grey = quantise_grey(voxels, self.gain, self.offset)
        if voxels.dtype.kind == "f":
            finite = np.isfinite(voxels)
            np.maximum(grey, 1, out=grey, where=finite)
            np.copyto(grey, 0, where=~finite)
        return grey


def write_scale(folder: JobFolder, scale: GreyScale) -> None:
    """Leave the grey scale for later stages."""
    write_whole(folder.product("grey.json"), json.dumps(asdict(scale)).encode())


def read_scale(folder: JobFolder) -> GreyScale:
    """Return the grey scale."""
    return GreyScale(**json.loads(folder.product("grey.json").read_bytes()))


def fold_mask_side(grey: NDArray[np.uint16], origin: Triple, shape: Triple) -> dict[str, Any]:
    """Return a tile's contribution to the coarse level on which the mask is estimated."""
    first, sums = fold_blocks(grey, origin, coarse_block_vx(shape))
    return {"block_first": np.array(first, np.int64), "block_sums": sums}


def fold_mask(folder: JobFolder, plan: Plan, stage: str) -> None:
    """Add up the coarse level from what the tiles of a stage left and estimate the mask on it."""
    shape = plan.header.shape
    block = coarse_block_vx(shape)
    sums = np.zeros([-(-n // block) for n in shape], np.int64)
    for number in range(len(plan.grid)):
        side = read_arrays(folder.side(stage, number))
        part, first = side["block_sums"], side["block_first"]
        sums[tuple(slice(a, a + n) for a, n in zip(first, part.shape, strict=True))] += part
    mask = estimate_mask(sums, shape, block, plan.recipe.condition.open_pores_vx)
    write_arrays(
        folder.product("mask.npz"),
        {
            "inside": mask.inside,
            "mean": mask.mean,
            "numbers": np.array([mask.block, mask.level, mask.present, mask.dismissed], np.int64),
        },
    )


def read_mask(folder: JobFolder, plan: Plan) -> CoarseMask | None:
    """Return the specimen mask; None where everything is specimen."""
    if plan.recipe.condition.mask == "none":
        return None
    stored = read_arrays(folder.product("mask.npz"))
    block, level, present, dismissed = (int(v) for v in stored["numbers"])
    return CoarseMask(
        block=block,
        shape=plan.header.shape,
        inside=stored["inside"],
        mean=stored["mean"],
        level=level,
        present=bool(present),
        dismissed=dismissed,
    )


def specimen_voxels(
    mask: CoarseMask | None, scale: GreyScale, grey: NDArray[np.uint16], box: Box
) -> NDArray[np.uint8] | None:
    """Return which voxels of a box belong to the specimen; None where all do.

    `grey` is conditioned: where the source held no finite value it is 0.
    """
    inside = None if mask is None else mask_box(mask, box)
    if scale.n_nonfinite:
        finite = (grey > 0).astype(np.uint8)
        inside = finite if inside is None else inside & finite
    return inside


def pad_edges(voxels: NDArray[Any], wanted: Box, box: Box) -> NDArray[Any]:
    """Repeat the volume's outermost voxels where a halo leaves the volume.

    Parameters
    ----------
    voxels : ndarray of shape ``box.shape``
        What there is.
    wanted, box : Box
        Voxels wanted, and the part of them inside the volume.

    Returns
    -------
    ndarray of shape ``wanted.shape``
        The same array where nothing is missing.
    """
    widths = [
        (a - w, v - b)
        for w, a, b, v in zip(wanted.start, box.start, box.stop, wanted.stop, strict=True)
    ]
    return np.pad(voxels, widths, mode="edge") if any(map(any, widths)) else voxels


def pack_histogram(counts: NDArray[np.int64]) -> dict[str, NDArray[Any]]:
    """Return a histogram as a side file keeps it: the levels that occur, and their counts."""
    levels = np.flatnonzero(counts)
    return {"levels": levels.astype(np.uint16), "counts": counts[levels]}


def sum_histograms(folder: JobFolder, stage: str, grid: TileGrid) -> NDArray[np.int64]:
    """Return the sum over all tiles of the histograms that a stage left."""
    total = np.zeros(GREY_LEVELS, np.int64)
    for number in range(len(grid)):
        side = read_arrays(folder.side(stage, number), ("levels", "counts"))
        total[side["levels"]] += side["counts"]
    return total


def pack_slopes(sums: NDArray[np.int64], counts: NDArray[np.int64]) -> dict[str, NDArray[Any]]:
    """Return gradients by grey as a side file keeps them: the levels that occur."""
    levels = np.flatnonzero(counts)
    return {
        "slope_levels": levels.astype(np.uint16),
        "slope_sums": sums[levels],
        "slope_counts": counts[levels],
    }


def sum_slopes(
    folder: JobFolder, stage: str, grid: TileGrid
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the sums over all tiles of gradients by grey, and of the voxels that have one."""
    sums, counts = np.zeros(GREY_LEVELS, np.int64), np.zeros(GREY_LEVELS, np.int64)
    names = ("slope_levels", "slope_sums", "slope_counts")
    for number in range(len(grid)):
        side = read_arrays(folder.side(stage, number), names)
        sums[side["slope_levels"]] += side["slope_sums"]
        counts[side["slope_levels"]] += side["slope_counts"]
    return sums, counts


def sum_sides(folder: JobFolder, stage: str, grid: TileGrid, name: str) -> NDArray[np.int64]:
    """Return the sum over all tiles of one array of their side files."""
    total = read_arrays(folder.side(stage, 0), (name,))[name].copy()
    for number in range(1, len(grid)):
        total += read_arrays(folder.side(stage, number), (name,))[name]
    return total
