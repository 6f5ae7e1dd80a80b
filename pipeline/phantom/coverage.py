"""How much of each voxel the bodies and the cylinder cover: 3 x 3 x 3 sub-samples as bits.

Every voxel has 27 sub-samples at fixed places, thirds of a voxel apart, the middle one at its
centre; a 32-bit word a phase says which of them lie in a body of that phase.  Overlaps are then
exact on the sub-samples, the phase at the centre is the middle bit, and a voxel's word depends on
its global coordinates only, never on the tile that it is rendered in.
"""

from __future__ import annotations

import math
from typing import Any

import numba as nb
import numpy as np
from numpy.typing import NDArray

from pipeline.phantom.lattice import BENT_PLATE, CAPSULE, ELLIPSOID, PLATE, Bodies
from pipeline.phantom.specimen import COPPER, IRON, MATRIX, OUTSIDE, PORE

ALL_SUB = (1 << 27) - 1
# Sub-samples lie within sqrt(3)/3 of the centre; a little more covers rounding.
_MARGIN = 0.5774


@nb.njit(nogil=True, cache=True)
def _plate_state(
    u: float, v: float, w: float, semi: NDArray[Any], span: NDArray[Any], margin: float
) -> bool:
    """Tell whether a point, in the frame of a plate, lies in the plate grown by `margin`."""
    if abs(w) > semi[2] + margin or u < span[0] - margin or u > span[1] + margin:
        return False
    # Moving by m changes the scaled radius by at most m over the shorter semi-axis.
    bound = 1.0 + margin / min(semi[0], semi[1])
    if bound <= 0.0:
        return False
    p, q = u / semi[0], v / semi[1]
    return bool(p * p + q * q <= bound * bound)


@nb.njit(nogil=True, cache=True)
def _ellipsoid_state(u: float, v: float, w: float, semi: NDArray[Any], margin: float) -> bool:
    """Tell whether a point, in the frame of an ellipsoid, lies in it grown by `margin`."""
    bound = 1.0 + margin / min(semi[0], semi[1], semi[2])
    if bound <= 0.0:
        return False
    p, q, r = u / semi[0], v / semi[1], w / semi[2]
    return bool(p * p + q * q + r * r <= bound * bound)


@nb.njit(nogil=True, cache=True)
def _capsule_state(u: float, v: float, w: float, semi: NDArray[Any], margin: float) -> bool:
    """Tell whether a point, in the frame of a capsule, lies in it grown by `margin`."""
    bound = semi[2] + margin
    if bound <= 0.0:
        return False
    past = max(abs(u) - semi[0], 0.0)
    return bool(past * past + v * v + w * w <= bound * bound)


@nb.njit(nogil=True, cache=True)
def _bent_state(
    u: float,
    v: float,
    w: float,
    semi: NDArray[Any],
    span: NDArray[Any],
    bend: float,
    holes: NDArray[Any],
    margin: float,
) -> bool:
    """Tell whether a point lies in a bent and pierced plate grown by `margin`.

    The mid-surface is w = bend / 2 (u^2 - a^2 / 4); within a distance of m of a point it moves by
    at most m times its steepest slope there.
    """
    slope = abs(bend) * (abs(u) + abs(margin))
    w -= 0.5 * bend * (u * u - 0.25 * semi[0] * semi[0])
    if abs(w) > semi[2] + margin * (1.0 + slope):
        return False
    if not _plate_state(u, v, 0.0, semi, span, margin):
        return False
    for i in range(len(holes)):
        radius = holes[i, 2] - margin
        if holes[i, 2] > 0.0 and radius > 0.0:
            p, q = u - holes[i, 0], v - holes[i, 1]
            if p * p + q * q < radius * radius:
                return False
    return True


@nb.njit(nogil=True, cache=True)
def _inside(
    shape: int,
    z: float,
    y: float,
    x: float,
    axes: NDArray[Any],
    semi: NDArray[Any],
    span: NDArray[Any],
    bend: float,
    holes: NDArray[Any],
    margin: float,
) -> bool:
    """Tell whether a point relative to the centre lies in a body grown by `margin`."""
    u = axes[0, 0] * z + axes[0, 1] * y + axes[0, 2] * x
    v = axes[1, 0] * z + axes[1, 1] * y + axes[1, 2] * x
    w = axes[2, 0] * z + axes[2, 1] * y + axes[2, 2] * x
    if shape == PLATE:
        return _plate_state(u, v, w, semi, span, margin)
    if shape == ELLIPSOID:
        return _ellipsoid_state(u, v, w, semi, margin)
    if shape == CAPSULE:
        return _capsule_state(u, v, w, semi, margin)
    return _bent_state(u, v, w, semi, span, bend, holes, margin)


@nb.njit(nogil=True, cache=True)
def _sub_samples(
    shape: int,
    z: int,
    y: int,
    x: int,
    centre: NDArray[Any],
    axes: NDArray[Any],
    semi: NDArray[Any],
    span: NDArray[Any],
    bend: float,
    holes: NDArray[Any],
) -> int:
    """Return the word of the sub-samples of voxel (z, y, x) that lie in a body."""
    word = 0
    bit = 1
    for kz in range(-1, 2):
        dz = z + kz / 3.0 - centre[0]
        for ky in range(-1, 2):
            dy = y + ky / 3.0 - centre[1]
            for kx in range(-1, 2):
                dx = x + kx / 3.0 - centre[2]
                if _inside(shape, dz, dy, dx, axes, semi, span, bend, holes, 0.0):
                    word |= bit
                bit <<= 1
    return word


@nb.njit(nogil=True, cache=True)
def _half_height(shape: int, semi: NDArray[Any], bend: float) -> float:
    """Return how far a plate reaches along its normal, on either side, with a margin."""
    half = semi[2] + _MARGIN
    if shape == BENT_PLATE:
        a = semi[0] + 1.0
        half += 0.5 * abs(bend) * a * a + _MARGIN * abs(bend) * a
    return half


@nb.njit(nogil=True, cache=True)
def cover_(
    words: NDArray[np.uint32],
    start: NDArray[np.int64],
    shape: int,
    centre: NDArray[np.float64],
    axes: NDArray[np.float64],
    semi: NDArray[np.float64],
    span: NDArray[np.float64],
    bend: float,
    holes: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
) -> None:
    """Mark the sub-samples of a block that lie in one body.

    Parameters
    ----------
    words : (z, y, x) uint32
        Sub-sample words of the body's phase; bits are added in place.
    start : (3,) int64
        Global index of the first voxel of the block.
    shape : int
        `PLATE`, a flat elliptic cylinder cut by `span`, `BENT_PLATE`, `ELLIPSOID` or `CAPSULE`.
    centre, axes, semi, span, bend, holes, low, high : float64
        The body, as in `pipeline.phantom.lattice.BODY_DTYPE`.
    """
    nz, ny, nx = words.shape
    z0 = max(start[0], math.floor(low[0]))
    z1 = min(start[0] + nz, math.ceil(high[0]) + 1)
    y0 = max(start[1], math.floor(low[1]))
    y1 = min(start[1] + ny, math.ceil(high[1]) + 1)
    x0 = max(start[2], math.floor(low[2]))
    x1 = min(start[2] + nx, math.ceil(high[2]) + 1)
    slope = axes[2, 2]
    rows_cut = shape in (PLATE, BENT_PLATE) and abs(slope) > 1e-6
    half = _half_height(shape, semi, bend) / abs(slope) if rows_cut else 0.0
    full = np.uint32(ALL_SUB)
    for z in range(z0, z1):
        dz = z - centre[0]
        for y in range(y0, y1):
            dy = y - centre[1]
            xa, xb = x0, x1
            if rows_cut:
                # Only this stretch of the row lies between the faces; one voxel more is safe.
                middle = centre[2] - (axes[2, 0] * dz + axes[2, 1] * dy) / slope
                if middle + half < xa - 2 or middle - half > xb + 2:
                    continue
                xa = max(xa, math.floor(middle - half) - 1)
                xb = min(xb, math.ceil(middle + half) + 2)
            for x in range(xa, xb):
                dx = x - centre[2]
                if not _inside(shape, dz, dy, dx, axes, semi, span, bend, holes, _MARGIN):
                    continue
                i, j, k = z - start[0], y - start[1], x - start[2]
                if _inside(shape, dz, dy, dx, axes, semi, span, bend, holes, -_MARGIN):
                    words[i, j, k] = full
                elif words[i, j, k] != full:
                    word = _sub_samples(shape, z, y, x, centre, axes, semi, span, bend, holes)
                    words[i, j, k] |= np.uint32(word)


def cover_bodies_(words: NDArray[np.uint32], start: NDArray[np.int64], bodies: Bodies) -> None:
    """Mark the sub-samples of a block that lie in any of some bodies, as `cover_` does."""
    for body in bodies:
        cover_(
            words,
            start,
            int(body["shape"]),
            body["centre"],
            body["axes"],
            body["semi"],
            body["span"],
            float(body["bend"]),
            body["holes"],
            body["low"],
            body["high"],
        )


@nb.njit(nogil=True, cache=True)
def _air_word(y: int, x: int, axis_y: float, axis_x: float, radius: float) -> int:
    """Return the word of the sub-samples of column (y, x) that lie outside the cylinder."""
    word = 0
    bit = 1
    for ky in range(-1, 2):
        dy = y + ky / 3.0 - axis_y
        for kx in range(-1, 2):
            dx = x + kx / 3.0 - axis_x
            if dy * dy + dx * dx > radius * radius:
                word |= bit
            bit <<= 1
    return word | word << 9 | word << 18


@nb.njit(nogil=True, cache=True)
def air_(
    words: NDArray[np.uint32],
    start: NDArray[np.int64],
    axis_y: float,
    axis_x: float,
    radius: float,
) -> None:
    """Mark the sub-samples of each column of a block that lie outside the cylinder.

    Parameters
    ----------
    words : (y, x) uint32
        Sub-sample words of a column, overwritten; the cylinder does not change along z.
    start : (3,) int64
        Global index of the first voxel of the block.
    axis_y, axis_x, radius : float
        The cylinder, in voxels.
    """
    for j in range(words.shape[0]):
        for k in range(words.shape[1]):
            word = _air_word(j + start[1], k + start[2], axis_y, axis_x, radius)
            words[j, k] = np.uint32(word)


@nb.njit(nogil=True, cache=True)
def posed_air_(
    words: NDArray[np.uint32],
    start: NDArray[np.int64],
    matrix: NDArray[np.float64],
    shift: NDArray[np.float64],
    axis_y: float,
    axis_x: float,
    radius: float,
) -> None:
    """Mark the sub-samples of each voxel of a block that lie outside a cylinder with a pose.

    Parameters
    ----------
    words : (z, y, x) uint32
        Sub-sample words, overwritten.
    start : (3,) int64
        Global index of the first voxel of the block.
    matrix, shift : (3, 3) and (3,) float64
        Bring a global index to where the cylinder stands along z.
    axis_y, axis_x, radius : float
        The cylinder there, in voxels.
    """
    nz, ny, nx = words.shape
    for i in range(nz):
        for j in range(ny):
            for k in range(nx):
                z, y, x = float(i + start[0]), float(j + start[1]), float(k + start[2])
                dy = matrix[1, 0] * z + matrix[1, 1] * y + matrix[1, 2] * x + shift[1] - axis_y
                dx = matrix[2, 0] * z + matrix[2, 1] * y + matrix[2, 2] * x + shift[2] - axis_x
                away = math.sqrt(dy * dy + dx * dx)
                # A pose scales by less than 1.1 either way.
                if away > radius + 1.2 * _MARGIN:
                    words[i, j, k] = np.uint32(ALL_SUB)
                    continue
                if away < radius - 1.2 * _MARGIN:
                    words[i, j, k] = np.uint32(0)
                    continue
                word = 0
                bit = 1
                for kz in range(-1, 2):
                    for ky in range(-1, 2):
                        for kx in range(-1, 2):
                            sy, sx = dy, dx
                            sy += (matrix[1, 0] * kz + matrix[1, 1] * ky + matrix[1, 2] * kx) / 3.0
                            sx += (matrix[2, 0] * kz + matrix[2, 1] * ky + matrix[2, 2] * kx) / 3.0
                            if sy * sy + sx * sx > radius * radius:
                                word |= bit
                            bit <<= 1
                words[i, j, k] = np.uint32(word)


@nb.njit(nogil=True, cache=True)
def _count(word: Any) -> Any:
    """Return the number of set bits of a 32-bit word."""
    word = word - ((word >> 1) & 0x55555555)
    word = (word & 0x33333333) + ((word >> 2) & 0x33333333)
    word = (word + (word >> 4)) & 0x0F0F0F0F
    return ((word * 0x01010101) & 0xFFFFFFFF) >> 24


@nb.njit(nogil=True, cache=True)
def compose_(
    pore: NDArray[np.uint32],
    copper: NDArray[np.uint32],
    iron: NDArray[np.uint32],
    air: NDArray[np.uint32],
    levels: NDArray[np.int32],
    ideal: NDArray[np.int32],
    phases: NDArray[np.uint8],
) -> None:
    """Turn sub-sample words into ideal grey values and the phase at each centre.

    Parameters
    ----------
    pore, copper, iron : (z, y, x) uint32
        Sub-sample words of each phase; an earlier one wins over a later one.
    air : (y, x) uint32
        Sub-sample words of each column outside the cylinder; they win over every phase.
    levels : (5,) int32
        Grey of pore, matrix, iron-rich, copper-rich and air, in units of choice.
    ideal : (z, y, x) int32
        Mean grey over the 27 sub-samples, rounded half up; overwritten.
    phases : (z, y, x) uint8
        Phase at the centre of the voxel, `OUTSIDE` in air; overwritten.
    """
    nz, ny, nx = ideal.shape
    matrix = levels[MATRIX]
    for i in range(nz):
        for j in range(ny):
            for k in range(nx):
                p, c = np.int64(pore[i, j, k]), np.int64(copper[i, j, k])
                f, a = np.int64(iron[i, j, k]), np.int64(air[j, k])
                if (p | c | f | a) == 0:
                    ideal[i, j, k] = matrix
                    phases[i, j, k] = MATRIX
                    continue
                p &= ~a
                c &= ~(a | p)
                f &= ~(a | p | c)
                n_a, n_p, n_c, n_f = _count(a), _count(p), _count(c), _count(f)
                total = n_a * levels[4] + n_p * levels[PORE] + n_c * levels[COPPER]
                total += n_f * levels[IRON] + (27 - n_a - n_p - n_c - n_f) * matrix
                ideal[i, j, k] = (total + 13) // 27
                if a >> 13 & 1:
                    phases[i, j, k] = OUTSIDE
                elif p >> 13 & 1:
                    phases[i, j, k] = PORE
                elif c >> 13 & 1:
                    phases[i, j, k] = COPPER
                elif f >> 13 & 1:
                    phases[i, j, k] = IRON
                else:
                    phases[i, j, k] = MATRIX
