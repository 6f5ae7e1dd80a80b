"""Kernels of the median over a cube, exact and in vector instructions.

The plain forms of both are a page of numpy; what is bought with the networks and the fixed scratch
rows is two orders of magnitude over a general rank filter.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

Grey = npt.NDArray[np.uint16]
Values = tuple[np.uint16, ...]

# A row is filtered in blocks of this many voxels, whose 18 scratch rows (20 KB) stay in the first
# level cache.  Offsets into the scratch rows are then constants, without which the compiler would
# not turn the loops over x into vector instructions.
_BLOCK = 512
_STRIDE = _BLOCK + 32


# A conditional expression on uint16 becomes one instruction for 16 or 32 voxels; `min` would not.
@njit(nogil=True, cache=True)
def _low(a: np.uint16, b: np.uint16) -> np.uint16:
    return a if a < b else b


@njit(nogil=True, cache=True)
def _high(a: np.uint16, b: np.uint16) -> np.uint16:
    return b if a < b else a


@njit(nogil=True, cache=True)
def _sort3(a: np.uint16, b: np.uint16, c: np.uint16) -> tuple[np.uint16, np.uint16, np.uint16]:
    low, high = _low(a, b), _high(a, b)
    middle, top = _low(high, c), _high(high, c)
    return _low(low, middle), _high(low, middle), top


@njit(nogil=True, cache=True)
def _sort_along_z(above: Grey, here: Grey, below: Grey, triples: Grey, slot: int, n: int) -> None:
    """Sort three rows against each other into the three rows of a ring slot."""
    at = slot * 3 * _STRIDE
    low = triples[at : at + n]
    middle = triples[at + _STRIDE : at + _STRIDE + n]
    top = triples[at + 2 * _STRIDE : at + 2 * _STRIDE + n]
    for x in range(n):
        low[x], middle[x], top[x] = _sort3(above[x], here[x], below[x])


@njit(nogil=True, cache=True)
def _sort_along_y(triples: Grey, columns: Grey, n: int) -> None:
    """Sort rows of equal rank in z: row ``3 i + j`` has rank i in z and j in y."""
    for rank in range(3):
        at = rank * _STRIDE
        to = 3 * rank * _STRIDE
        a = triples[at : at + n]
        b = triples[at + 3 * _STRIDE : at + 3 * _STRIDE + n]
        c = triples[at + 6 * _STRIDE : at + 6 * _STRIDE + n]
        low = columns[to : to + n]
        middle = columns[to + _STRIDE : to + _STRIDE + n]
        top = columns[to + 2 * _STRIDE : to + 2 * _STRIDE + n]
        for x in range(n):
            low[x], middle[x], top[x] = _sort3(a[x], b[x], c[x])


@njit(nogil=True, cache=True)
def _median_of_sorted_cube(low: Values, middle: Values, top: Values) -> np.uint16:
    """Select the 10th of the 19 values of a threefold sorted cube that can be the median.

    Found by a beam search over comparisons; proved on the 980 cubes of zeros and ones that are
    sorted along all three axes, which is enough for any values (zero-one principle).
    """
    s002, s011, s012, s020, s021, s022 = low
    s101, s102, s110, s111, s112, s120, s121 = middle
    s200, s201, s202, s210, s211, s220 = top
    t0 = _high(s002, s200)
    t1 = _high(s020, t0)
    t2 = _low(s022, s220)
    t3 = _low(s202, t2)
    t4 = _high(s110, t1)
    t5 = _low(s211, t3)
    t6 = _high(s101, t4)
    t7 = _low(s121, t5)
    t8 = _high(s011, t6)
    t9 = _low(s112, t7)
    t10 = _low(s012, s201)
    t11 = _high(s012, s201)
    t12 = _low(s021, s210)
    t13 = _high(s021, s210)
    t14 = _low(s102, t12)
    t15 = _high(s102, t12)
    t16 = _high(t10, t14)
    t17 = _low(s120, t16)
    t18 = _high(s120, t16)
    t19 = _high(t8, t17)
    t20 = _low(t15, t18)
    t21 = _high(t15, t18)
    t22 = _low(t11, t21)
    t23 = _low(s111, t20)
    t24 = _high(s111, t20)
    t25 = _low(t9, t19)
    t26 = _high(t9, t19)
    t27 = _low(t24, t26)
    t28 = _low(t13, t22)
    t29 = _high(t13, t22)
    t30 = _low(t27, t28)
    t31 = _high(t27, t28)
    t32 = _high(t25, t30)
    t33 = _high(t23, t32)
    t34 = _low(t31, t33)
    return _low(t29, t34)


@njit(nogil=True, cache=True)
def _median_along_x(columns: Grey, row: Grey, n: int) -> None:
    """Take the median of three neighbouring columns of nine sorted voxels.

    The value ``s``ijk has rank i in z, j in y and k in x; ``_`` has left the race: at least 14 of
    the 27 values are known to lie on one side of it.
    """
    c00 = columns[0 * _STRIDE : 0 * _STRIDE + n + 2]
    c01 = columns[1 * _STRIDE : 1 * _STRIDE + n + 2]
    c02 = columns[2 * _STRIDE : 2 * _STRIDE + n + 2]
    c10 = columns[3 * _STRIDE : 3 * _STRIDE + n + 2]
    c11 = columns[4 * _STRIDE : 4 * _STRIDE + n + 2]
    c12 = columns[5 * _STRIDE : 5 * _STRIDE + n + 2]
    c20 = columns[6 * _STRIDE : 6 * _STRIDE + n + 2]
    c21 = columns[7 * _STRIDE : 7 * _STRIDE + n + 2]
    c22 = columns[8 * _STRIDE : 8 * _STRIDE + n + 2]
    for x in range(n):
        s002 = _high(_high(c00[x], c00[x + 1]), c00[x + 2])
        s220 = _low(_low(c22[x], c22[x + 1]), c22[x + 2])
        _, s011, s012 = _sort3(c01[x], c01[x + 1], c01[x + 2])
        _, s101, s102 = _sort3(c10[x], c10[x + 1], c10[x + 2])
        s120, s121, _ = _sort3(c12[x], c12[x + 1], c12[x + 2])
        s210, s211, _ = _sort3(c21[x], c21[x + 1], c21[x + 2])
        s020, s021, s022 = _sort3(c02[x], c02[x + 1], c02[x + 2])
        s110, s111, s112 = _sort3(c11[x], c11[x + 1], c11[x + 2])
        s200, s201, s202 = _sort3(c20[x], c20[x + 1], c20[x + 2])
        row[x] = _median_of_sorted_cube(
            (s002, s011, s012, s020, s021, s022),
            (s101, s102, s110, s111, s112, s120, s121),
            (s200, s201, s202, s210, s211, s220),
        )


@njit(nogil=True, cache=True)
def median_3(padded: Grey, out: Grey) -> None:
    """Write the median of the 27 voxels around every voxel.

    Parameters
    ----------
    padded : numpy.ndarray
        uint16 (z, y, x), contiguous, with one voxel of halo on every side.
    out : numpy.ndarray
        uint16, contiguous, two voxels an edge smaller; it is overwritten.
    """
    nz, ny, nx = out.shape
    triples = np.empty(9 * _STRIDE, np.uint16)
    columns = np.empty(9 * _STRIDE, np.uint16)
    for z in range(nz):
        for x in range(0, nx, _BLOCK):
            n = min(_BLOCK, nx - x)
            for y in range(ny + 2):
                above = padded[z, y, x : x + n + 2]
                here = padded[z + 1, y, x : x + n + 2]
                below = padded[z + 2, y, x : x + n + 2]
                _sort_along_z(above, here, below, triples, y % 3, n + 2)
                if y >= 2:
                    _sort_along_y(triples, columns, n + 2)
                    _median_along_x(columns, out[z, y - 2, x : x + n], n)


@njit(nogil=True, cache=True)
def median_by_bits(padded: Grey, radius: int, out: Grey) -> None:
    """Write the median of the cube around every voxel, found bit by bit, highest first.

    Parameters
    ----------
    padded : numpy.ndarray
        uint16 (z, y, x), contiguous, with `radius` voxels of halo on every side.
    radius : int
        Half edge of the cube; up to 19, where counts of 39^3 voxels still fit 16 bits.
    out : numpy.ndarray
        uint16, contiguous, twice the radius smaller an edge; it is overwritten.
    """
    nz, ny, nx = out.shape
    edge = 2 * radius + 1
    half = np.uint16(edge**3 // 2)
    at_least = np.empty(nx, np.uint16)
    trial = np.empty(nx, np.uint16)
    for z in range(nz):
        for y in range(ny):
            row = out[z, y]
            row[:] = 0
            for bit in range(15, -1, -1):
                for x in range(nx):
                    trial[x] = row[x] | np.uint16(1 << bit)
                at_least[:] = 0
                for dz in range(edge):
                    for dy in range(edge):
                        for dx in range(edge):
                            _count_at_least(padded[z + dz, y + dy, dx : dx + nx], trial, at_least)
                for x in range(nx):
                    row[x] = trial[x] if at_least[x] > half else row[x]


@njit(nogil=True, cache=True)
def _count_at_least(values: Grey, trial: Grey, count: Grey) -> None:
    for x in range(count.size):
        count[x] += np.uint16(1) if values[x] >= trial[x] else np.uint16(0)
