"""Voxels counted by grey, and the gradient of grey summed by it: integers that tiles add up.

Histograms are folded tile by tile in any order, and everything that follows from them is the same
for every tiling.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.errors import DataError, UsageError

Histogram = npt.NDArray[np.int64]

_LEVELS = 65536
# Four histograms in turn: a counter that is raised twice in a row would wait for its own store.
_WAYS = 4
# Voxels counted before the 32-bit counters of the ways are added up.
_FOLD = 1 << 30


def fold_histogram(grey: npt.NDArray[np.uint16], mask: npt.NDArray[Any] | None = None) -> Histogram:
    """Count the voxels of every grey level.

    Parameters
    ----------
    grey : numpy.ndarray
        uint16 of any shape.
    mask : numpy.ndarray, optional
        uint8 or bool of the same shape; only voxels that are not 0 are counted.

    Returns
    -------
    numpy.ndarray
        int64 of length 65536.

    Examples
    --------
    >>> counts = fold_histogram(np.array([3, 3, 5], np.uint16), np.array([1, 1, 0], np.uint8))
    >>> int(counts[3]), int(counts.sum())
    (2, 2)
    """
    flat = flat_voxels(grey, np.uint16)
    inside = None if mask is None else flat_mask(mask, grey.shape)
    counts = np.zeros(_LEVELS, np.int64)
    for start in range(0, flat.size, _FOLD):
        part = flat[start : start + _FOLD]
        if inside is None:
            _count(part, counts)
        else:
            _count_inside(part, inside[start : start + _FOLD], counts)
    return counts


def fold_float_histogram(volume: npt.NDArray[np.float32]) -> tuple[Histogram, int]:
    """Count float voxels by the upper half of their bits, in ascending order of value.

    Parameters
    ----------
    volume : numpy.ndarray
        float32 of any shape.

    Returns
    -------
    counts : numpy.ndarray
        int64 of length 65536: bin edges are the floats of 8 significant bits.
    n_nonfinite : int
        Voxels that are NaN or infinite; they are in no bin.
    """
    counts = np.zeros(_LEVELS, np.int64)
    n_nonfinite = _count_floats(flat_voxels(volume, np.float32).view(np.uint32), counts)
    return counts, int(n_nonfinite)


def fold_gradients(
    grey: npt.NDArray[np.uint16], inside: npt.NDArray[np.uint8]
) -> tuple[Histogram, Histogram]:
    """Sum the slope of grey by grey level.

    Parameters
    ----------
    grey : numpy.ndarray
        uint16 (z, y, x) with one voxel of halo on every side.
    inside : numpy.ndarray
        uint8 of the same shape; 0 outside the specimen and beyond the volume.

    Returns
    -------
    sums : numpy.ndarray
        int64 of length 65536: lengths of twice the gradient, in whole grey levels, of the voxels
        that lie inside with their six neighbours.
    counts : numpy.ndarray
        int64 of length 65536: how many those are.

    Examples
    --------
    >>> ramp = np.broadcast_to(np.arange(0, 50, 10, dtype=np.uint16), (3, 3, 5))
    >>> sums, counts = fold_gradients(ramp, np.ones((3, 3, 5), np.uint8))
    >>> sums[[10, 20, 30]].tolist(), int(counts.sum())
    ([20, 20, 20], 3)
    """
    if grey.dtype != np.uint16 or inside.dtype != np.uint8 or grey.shape != inside.shape:
        raise UsageError(
            f"gradients want uint16 grey and a uint8 mask of one shape, got {grey.dtype} "
            f"{grey.shape} and {inside.dtype} {inside.shape}."
        )
    sums, counts = np.zeros(_LEVELS, np.int64), np.zeros(_LEVELS, np.int64)
    _fold_gradients(np.ascontiguousarray(grey), np.ascontiguousarray(inside), sums, counts)
    return sums, counts


def float_grey_scale(counts: Histogram, tail: float = 1e-5) -> tuple[float, float]:
    """Return the affine scale that spreads float voxels over 65536 grey levels.

    Parameters
    ----------
    counts : numpy.ndarray
        int64 of length 65536, from `fold_float_histogram`.
    tail : float
        Share of the voxels at either end that may be clipped.

    Returns
    -------
    gain : float
        Of ``grey = (value - offset) / gain``: the range from the quantile `tail` to ``1 - tail``,
        5 % wider on each side.
    offset : float
        Of the same.

    Raises
    ------
    DataError
        If no voxel was counted.
    """
    n = int(counts.sum())
    if n == 0:
        raise DataError(
            "no voxel holds a finite value.", "Check the reconstruction and the data set named."
        )
    rank = int(n * tail)
    ascending = np.cumsum(counts)
    first = int(np.searchsorted(ascending, rank, side="right"))
    last = int(np.searchsorted(ascending, n - rank, side="left"))
    low, high = _float_edge(first), _float_edge(last + 1)
    span = high - low
    # Only a volume of zeros is narrower; any scale serves it.
    if span < np.finfo(np.float32).tiny:
        return 1.0, low
    return 1.1 * span / (_LEVELS - 1), low - 0.05 * span


def float_median(counts: Histogram) -> float:
    """Return the median of float voxels, as a value of its bin.

    Parameters
    ----------
    counts : numpy.ndarray
        int64 of length 65536, from `fold_float_histogram`; not empty.

    Returns
    -------
    float
        The bin's lower edge: low by less than one part in 128.

    Examples
    --------
    >>> float_median(fold_float_histogram(np.array([[[1.0, 2.5, 7.0]]], np.float32))[0])
    2.5
    """
    ascending = np.cumsum(counts)
    return _float_edge(int(np.searchsorted(ascending, ascending[-1] // 2, side="right")))


def grey_bins(histogram: Histogram, most: int = 256) -> tuple[npt.NDArray[np.int64], Histogram]:
    """Return the first grey level of every bin and the voxels in it.

    Parameters
    ----------
    histogram : numpy.ndarray
        int64 of length 65536.
    most : int, optional
        Bins at most.

    Returns
    -------
    edges : numpy.ndarray
        int64, ascending.
    counts : numpy.ndarray
        int64 of the same length.

    Raises
    ------
    DataError
        If the histogram is empty.
    """
    occupied = np.flatnonzero(histogram)
    if occupied.size == 0:
        raise DataError("the histogram is empty: no voxel lies inside the specimen.")
    low, n_levels = int(occupied[0]), int(occupied[-1] - occupied[0]) + 1
    n_bins = min(most, n_levels)
    edges = low + -(-np.arange(n_bins, dtype=np.int64) * n_levels // n_bins)
    return edges, np.add.reduceat(histogram[: low + n_levels], edges)


def _float_edge(key: int) -> float:
    """Return the lowest float of a bin; the bin after the last finite one starts at infinity."""
    bits = (key << 16) & 0xFFFFFFFF
    bits = bits & 0x7FFFFFFF if bits & 0x80000000 else ~bits & 0xFFFFFFFF
    value = float(np.array([bits], np.uint32).view(np.float32)[0])
    limit = float(np.finfo(np.float32).max)
    return min(max(value, -limit), limit)


def flat_voxels(values: npt.NDArray[Any], dtype: type[np.generic]) -> npt.NDArray[Any]:
    """Return voxels as one row; refuse another type."""
    if values.dtype != dtype:
        raise UsageError(f"voxels of {np.dtype(dtype).name} are wanted, got {values.dtype}.")
    return np.ascontiguousarray(values).reshape(-1)


def flat_mask(mask: npt.NDArray[Any], shape: tuple[int, ...]) -> npt.NDArray[np.uint8]:
    """Return a mask as one row of bytes; refuse another type or shape."""
    if mask.shape != shape or mask.dtype not in (np.dtype(np.bool_), np.dtype(np.uint8)):
        raise UsageError(
            f"the mask is uint8 or bool of shape {shape}, got {mask.dtype} of shape {mask.shape}."
        )
    return np.ascontiguousarray(mask).reshape(-1).view(np.uint8)


@njit(nogil=True, cache=True)
def _count(grey: npt.NDArray[np.uint16], counts: Histogram) -> None:
    ways = np.zeros((_WAYS, _LEVELS), np.uint32)
    a, b, c, d = ways[0], ways[1], ways[2], ways[3]
    whole = grey.size // _WAYS * _WAYS
    for i in range(0, whole, _WAYS):
        a[grey[i]] += np.uint32(1)
        b[grey[i + 1]] += np.uint32(1)
        c[grey[i + 2]] += np.uint32(1)
        d[grey[i + 3]] += np.uint32(1)
    for i in range(whole, grey.size):
        a[grey[i]] += np.uint32(1)
    for level in range(_LEVELS):
        for way in range(_WAYS):
            counts[level] += np.int64(ways[way, level])


@njit(nogil=True, cache=True)
def _count_inside(
    grey: npt.NDArray[np.uint16], mask: npt.NDArray[np.uint8], counts: Histogram
) -> None:
    ways = np.zeros((_WAYS, _LEVELS), np.uint32)
    a, b, c, d = ways[0], ways[1], ways[2], ways[3]
    whole = grey.size // _WAYS * _WAYS
    for i in range(0, whole, _WAYS):
        a[grey[i]] += np.uint32(mask[i] != 0)
        b[grey[i + 1]] += np.uint32(mask[i + 1] != 0)
        c[grey[i + 2]] += np.uint32(mask[i + 2] != 0)
        d[grey[i + 3]] += np.uint32(mask[i + 3] != 0)
    for i in range(whole, grey.size):
        a[grey[i]] += np.uint32(mask[i] != 0)
    for level in range(_LEVELS):
        for way in range(_WAYS):
            counts[level] += np.int64(ways[way, level])


@njit(nogil=True, cache=True)
def _count_floats(bits: npt.NDArray[np.uint32], counts: Histogram) -> int:
    n_nonfinite = 0
    ways = np.zeros((2, _LEVELS), np.int64)
    for i in range(bits.size):
        word = np.uint32(bits[i])
        if (word & np.uint32(0x7F800000)) == np.uint32(0x7F800000):
            n_nonfinite += 1
            continue
        # Negative floats descend as integers ascend: all bits flip; of the others only the sign.
        flip = np.uint32(0xFFFFFFFF) if word >> np.uint32(31) else np.uint32(0x80000000)
        ways[i & 1, (word ^ flip) >> np.uint32(16)] += 1
    for level in range(_LEVELS):
        counts[level] += ways[0, level] + ways[1, level]
    return n_nonfinite


@njit(nogil=True, cache=True)
def _fold_gradients(
    grey: npt.NDArray[np.uint16],
    inside: npt.NDArray[np.uint8],
    sums: Histogram,
    counts: Histogram,
) -> None:
    nz, ny, nx = grey.shape
    for z in range(1, nz - 1):
        for y in range(1, ny - 1):
            for x in range(1, nx - 1):
                if not (
                    inside[z, y, x]
                    and inside[z - 1, y, x]
                    and inside[z + 1, y, x]
                    and inside[z, y - 1, x]
                    and inside[z, y + 1, x]
                    and inside[z, y, x - 1]
                    and inside[z, y, x + 1]
                ):
                    continue
                dz = np.int64(grey[z + 1, y, x]) - np.int64(grey[z - 1, y, x])
                dy = np.int64(grey[z, y + 1, x]) - np.int64(grey[z, y - 1, x])
                dx = np.int64(grey[z, y, x + 1]) - np.int64(grey[z, y, x - 1])
                # The square root is rounded correctly everywhere, so its floor is the same too.
                sums[grey[z, y, x]] += np.int64(math.sqrt(np.float64(dz * dz + dy * dy + dx * dx)))
                counts[grey[z, y, x]] += 1
