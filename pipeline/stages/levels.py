"""Write a tile on every level of a pyramid: its own shard on each, so no two tiles meet."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import zarr
from numpy.typing import NDArray

from pipeline.model.grid import Box
from pipeline.stores.places import Place
from pipeline.stores.volume import open_volume, write_tile


def open_levels(path: Place) -> list[zarr.Array[Any]]:
    """Open the levels of an image or label group, finest first."""
    numbers = sorted(int(p.name) for p in path.iterdir() if p.name.isdigit())
    return [open_volume(path / str(i)) for i in numbers]


def write_levels(
    levels: list[zarr.Array[Any]],
    core: Box,
    voxels: NDArray[Any],
    halve: Callable[[NDArray[Any]], NDArray[Any]],
    first: int = 0,
) -> None:
    """Write the voxels of a tile on every level.

    Parameters
    ----------
    levels : list of zarr.Array
        See `open_levels`.
    core : Box
        The tile's core on level 0.
    voxels : ndarray
        Its voxels.
    halve : callable
        Makes the next coarser level of a tile.
    first : int
        Which level the first of `levels` is.
    """
    start = core.start
    for i in range(first + len(levels)):
        if i:
            voxels = halve(voxels)
            start = (start[0] // 2, start[1] // 2, start[2] // 2)
        if i < first:
            continue
        shape = voxels.shape
        stop = (start[0] + shape[0], start[1] + shape[1], start[2] + shape[2])
        write_tile(levels[i - first], Box(start, stop), voxels)
