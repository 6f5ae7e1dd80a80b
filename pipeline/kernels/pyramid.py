"""Coarser levels of a tile, for viewers: half the voxels on each axis, one tile at a time."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray


def halve_mean(volume: NDArray[Any]) -> NDArray[Any]:
    """Return the mean of each 2x2x2 block, rounded to nearest for integers.

    Parameters
    ----------
    volume : ndarray, shape (z, y, x)
        Grey voxels; blocks cut by an odd edge hold fewer of them.

    Returns
    -------
    ndarray
        Half the shape, rounded up; same dtype.
    """
    out = np.empty([-(-n // 2) for n in volume.shape], volume.dtype)
    if volume.dtype.kind == "f":
        _halve_floats(volume, out)
    else:
        _halve_integers(volume, out)
    return out


def halve_labels(volume: NDArray[Any]) -> NDArray[Any]:
    """Return the first voxel of each 2x2x2 block: labels have no mean."""
    return np.ascontiguousarray(volume[::2, ::2, ::2])


@njit(nogil=True, cache=True)
def _halve_integers(volume: NDArray[Any], out: NDArray[Any]) -> None:
    nz, ny, nx = volume.shape
    for z in range(out.shape[0]):
        for y in range(out.shape[1]):
            for x in range(out.shape[2]):
                total = np.int64(0)
                n = np.int64(0)
                for i in range(2 * z, min(2 * z + 2, nz)):
                    for j in range(2 * y, min(2 * y + 2, ny)):
                        for k in range(2 * x, min(2 * x + 2, nx)):
                            total += np.int64(volume[i, j, k])
                            n += 1
                out[z, y, x] = (total + n // 2) // n


@njit(nogil=True, cache=True)
def _halve_floats(volume: NDArray[Any], out: NDArray[Any]) -> None:
    nz, ny, nx = volume.shape
    for z in range(out.shape[0]):
        for y in range(out.shape[1]):
            for x in range(out.shape[2]):
                total = 0.0
                n = 0
                for i in range(2 * z, min(2 * z + 2, nz)):
                    for j in range(2 * y, min(2 * y + 2, ny)):
                        for k in range(2 * x, min(2 * x + 2, nx)):
                            total += volume[i, j, k]
                            n += 1
                out[z, y, x] = total / n
