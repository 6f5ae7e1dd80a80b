"""Sums over the blocks of a scan: boxes of them that are full, and fields met after shifts."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numba import njit
from numpy.typing import NDArray

Counts = NDArray[np.int64]
Field = TypeVar("Field", NDArray[np.int64], NDArray[np.float64])


def count_full_boxes(sums: Counts, height: int, width: int) -> Counts:
    """Return in how many places boxes of blocks hold full blocks only, for every length along x.

    Parameters
    ----------
    sums : ndarray of int64, shape (z + 1, y + 1, x + 1)
        Full blocks before each corner of the lattice of blocks: cumulative sums along all axes.
    height, width : int
        Blocks of the boxes along z and y.

    Returns
    -------
    ndarray of int64, shape (x + 1,)
        Places of the box of that many blocks along x.

    Examples
    --------
    >>> full = np.pad(np.ones((3, 3, 3), np.int64), [(1, 0)] * 3)
    >>> count_full_boxes(full.cumsum(0).cumsum(1).cumsum(2), 2, 3).tolist()
    [8, 6, 4, 2]
    """
    runs = np.zeros(sums.shape[2] + 1, np.int64)
    _count_runs(sums, height, width, runs)
    # A run of n blocks holds n - k + 1 boxes of k blocks.
    longer = np.cumsum(runs[::-1])[::-1]
    return np.asarray(np.cumsum(longer[::-1])[::-1][:-1], np.int64)


@njit(nogil=True, cache=True)
def _count_runs(sums: Counts, height: int, width: int, runs: Counts) -> None:
    """Count runs along x of places where a column of blocks is full, by their length."""
    whole = height * width
    for z in range(sums.shape[0] - height):
        for y in range(sums.shape[1] - width):
            a, b = sums[z, y], sums[z, y + width]
            c, d = sums[z + height, y], sums[z + height, y + width]
            n, before = 0, np.int64(0)
            for x in range(1, sums.shape[2]):
                until = d[x] - c[x] - b[x] + a[x]
                if until - before == whole:
                    n += 1
                else:
                    runs[n] += 1
                    n = 0
                before = until
            runs[n] += 1


def sum_shifted(field: Field, place: Counts, weight: Counts, shifts: Counts) -> Field:
    """Return what a field sums to over blocks, after each of several shifts on a torus.

    Parameters
    ----------
    field : ndarray of int64 or float64, shape (z, y, x)
        Value of every block.
    place : ndarray of int64, shape (n, 3)
        Blocks that are shifted.
    weight : ndarray of int64, shape (n,)
        Weight of each of them.
    shifts : ndarray of int64, shape (m, 3)
        Shifts, at least 0.

    Returns
    -------
    ndarray of the field's type, shape (m,)
        Weighted sums, added in the order of `place`.

    Examples
    --------
    >>> field = np.arange(4).reshape(1, 1, 4)
    >>> place = np.array([[0, 0, 0], [0, 0, 1]])
    >>> sum_shifted(field, place, np.array([1, 10]), np.array([[0, 0, 0], [0, 0, 3]])).tolist()
    [10, 3]
    """
    sums = np.zeros(len(shifts), field.dtype)
    _sum_shifted(np.ascontiguousarray(field), np.ascontiguousarray(place), weight, shifts, sums)
    return sums


@njit(nogil=True, cache=True)
def _sum_shifted(field: Any, place: Counts, weight: Counts, shifts: Counts, sums: Any) -> None:
    nz, ny, nx = field.shape
    for k in range(len(shifts)):
        dz, dy, dx = shifts[k]
        total = sums[k]
        for i in range(len(place)):
            z, y, x = place[i, 0] + dz, place[i, 1] + dy, place[i, 2] + dx
            # A shift is at most once round: a subtraction is far cheaper than a remainder.
            z = z - nz if z >= nz else z
            y = y - ny if y >= ny else y
            x = x - nx if x >= nx else x
            total += weight[i] * field[z, y, x]
        sums[k] = total
