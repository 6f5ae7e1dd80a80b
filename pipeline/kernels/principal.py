"""Principal stresses, and the load direction that makes the largest one.

A response is the 6x6 matrix from mean stress to stress, both in Mandel form (zz, yy, xx, and
sqrt(2) times yx, zx, zy).  Under a uniaxial load along n the stress is M m(n), with m(n) the Mandel
form of n n.  Its first principal stress is the maximum over t of m(t) . M m(n), so that the worst
direction of one response is the maximum of a form that is quadratic in n and in t: each in turn is
the top eigenvector of a 3x3 matrix, and the value never falls.
"""

from __future__ import annotations

import math
from typing import Any

import numba as nb
import numpy as np

ROOT2 = math.sqrt(2.0)
GAIN = 1e-8
"""Relative gain under which a climb to the worst direction has arrived."""

_TURNS = 60

_S, _D = 0.12, 1.0 / math.sqrt(3.0)
STARTS = np.array(
    [
        [0.98, _S, _S],
        [_S, 0.98, _S],
        [_S, _S, 0.98],
        [_D, _D, _D],
        [_D, _D, -_D],
        [_D, -_D, _D],
        [_D, -_D, -_D],
    ]
)
"""First directions of climbs: near the axes of the frame, and along its space diagonals."""


@nb.njit(nogil=True, cache=True)
def first_principal(s: Any) -> float:
    """Return the largest eigenvalue of a symmetric tensor in Mandel form (6,)."""
    yx, zx, zy = s[3] / ROOT2, s[4] / ROOT2, s[5] / ROOT2
    mean = (s[0] + s[1] + s[2]) / 3.0
    a, b, c = s[0] - mean, s[1] - mean, s[2] - mean
    square = (a * a + b * b + c * c + 2.0 * (yx * yx + zx * zx + zy * zy)) / 6.0
    if square <= 0.0:
        return float(mean)
    p = math.sqrt(square)
    third = a * (b * c - yx * yx) - zy * (zy * c - yx * zx) + zx * (zy * yx - b * zx)
    ratio = min(1.0, max(-1.0, third / (2.0 * p * p * p)))
    return float(mean + 2.0 * p * math.cos(math.acos(ratio) / 3.0))


@nb.njit(nogil=True, cache=True)
def von_mises(s: Any) -> float:
    """Return the von Mises stress of a tensor in Mandel form (6,)."""
    a, b, c = s[0] - s[1], s[1] - s[2], s[2] - s[0]
    return math.sqrt(0.5 * (a * a + b * b + c * c) + 1.5 * (s[3] ** 2 + s[4] ** 2 + s[5] ** 2))


@nb.njit(nogil=True, cache=True)
def top_vector(s: Any, v: Any) -> float:
    """Write the eigenvector of the largest eigenvalue into `v` (3,), and return the eigenvalue.

    Columns of the adjugate of (S - lambda 1) are that eigenvector; the longest one is taken.  Where
    the two largest eigenvalues are equal any vector of their plane is right.
    """
    top = first_principal(s)
    yx, zx, zy = s[3] / ROOT2, s[4] / ROOT2, s[5] / ROOT2
    a, b, c = s[0] - top, s[1] - top, s[2] - top
    best, scale = 0.0, a * a + b * b + c * c + yx * yx + zx * zx + zy * zy
    for column in range(3):
        if column == 0:
            x, y, z = b * c - yx * yx, zx * yx - zy * c, zy * yx - zx * b
        elif column == 1:
            x, y, z = zx * yx - zy * c, a * c - zx * zx, zx * zy - a * yx
        else:
            x, y, z = zy * yx - zx * b, zx * zy - a * yx, a * b - zy * zy
        norm = x * x + y * y + z * z
        if norm > best:
            best = norm
            v[0], v[1], v[2] = x, y, z
    if best > 1e-20 * scale * scale:
        length = math.sqrt(best)
        v[0], v[1], v[2] = v[0] / length, v[1] / length, v[2] / length
        return top
    # Two equal eigenvalues: a vector across the longest row of S - lambda 1, any one if that is 0.
    rows = ((a, zy, zx), (zy, b, yx), (zx, yx, c))
    norms = [r[0] ** 2 + r[1] ** 2 + r[2] ** 2 for r in rows]
    k = 0 if norms[0] >= norms[1] and norms[0] >= norms[2] else (1 if norms[1] >= norms[2] else 2)
    v[0], v[1], v[2] = 1.0, 0.0, 0.0
    if norms[k] > 0.0:
        r = rows[k]
        if abs(r[0]) <= abs(r[1]) and abs(r[0]) <= abs(r[2]):
            x, y, z = 0.0, -r[2], r[1]
        elif abs(r[1]) <= abs(r[2]):
            x, y, z = -r[2], 0.0, r[0]
        else:
            x, y, z = -r[1], r[0], 0.0
        length = math.sqrt(x * x + y * y + z * z)
        v[0], v[1], v[2] = x / length, y / length, z / length
    return top


@nb.njit(nogil=True, cache=True)
def load_of(n: Any, m: Any) -> None:
    """Write the Mandel form of a unit load along `n` (3,) into `m` (6,)."""
    m[0], m[1], m[2] = n[0] * n[0], n[1] * n[1], n[2] * n[2]
    m[3], m[4], m[5] = ROOT2 * n[1] * n[2], ROOT2 * n[0] * n[2], ROOT2 * n[0] * n[1]


@nb.njit(nogil=True, cache=True)
def stress_of(response: Any, m: Any, s: Any) -> None:
    """Write ``response @ m`` into `s`."""
    for i in range(6):
        total = 0.0
        for k in range(6):
            total += response[i, k] * m[k]
        s[i] = total


@nb.njit(nogil=True, cache=True)
def worst_direction(response: Any, start: Any, n: Any, gain: float) -> float:
    """Climb from a first direction to the worst one of a response; see the module.

    Parameters
    ----------
    response : ndarray (6, 6)
        From mean stress to stress.
    start : ndarray (3,)
        First direction.
    n : ndarray (3,)
        Result: the direction of the load, a unit vector.
    gain : float
        Relative gain of a step under which the climb ends.

    Returns
    -------
    float
        First principal stress under a unit load along it.
    """
    m, s, t = np.empty(6), np.empty(6), np.empty(3)
    n[:] = start
    value = reached = -1e300
    for _ in range(_TURNS):
        load_of(n, m)
        stress_of(response, m, s)
        top_vector(s, t)
        load_of(t, m)
        for k in range(6):
            total = 0.0
            for i in range(6):
                total += m[i] * response[i, k]
            s[k] = total
        reached = top_vector(s, n)
        if reached <= value + gain * abs(value):
            break
        value = reached
    return max(value, reached)


@nb.njit(nogil=True, cache=True)
def worst_of(response: Any, n: Any, gain: float, n_starts: int) -> float:
    """Return the worst of several climbs; see `worst_direction`."""
    best, found = -np.inf, np.empty(3)
    for k in range(n_starts):
        value = worst_direction(response, STARTS[k], found, gain)
        if value > best:
            best = value
            n[:] = found
    return best


@nb.njit(nogil=True, cache=True)
def worst_each(responses: Any, values: Any, directions: Any) -> None:
    """Write the worst first principal stress over all load directions of each response.

    Parameters
    ----------
    responses : ndarray (n, 6, 6)
        From mean stress to stress.
    values : ndarray of float64 (n,)
        Result.
    directions : ndarray of float64 (n, 3)
        Result: unit load directions (z, y, x).
    """
    for i in range(len(responses)):
        values[i] = worst_of(responses[i], directions[i], GAIN, len(STARTS))


@nb.njit(nogil=True, cache=True)
def largest_over_directions(
    responses: Any, order: Any, bounds: Any, directions: Any, values: Any, where: Any
) -> None:
    """Write, for each load direction, the largest first principal stress among responses.

    Parameters
    ----------
    responses : ndarray (n, 6, 6)
        From mean stress to stress.
    order : ndarray of int64 (n,)
        Responses from the largest bound down.
    bounds : ndarray of float64 (n,)
        Largest value of each response over all directions: the rest is skipped once none can win.
    directions : ndarray (d, 3)
        Unit vectors.
    values : ndarray of float64 (d,)
        Result.
    where : ndarray of int64 (d,)
        Result: the response that has it.
    """
    m, s = np.empty(6), np.empty(6)
    for d in range(len(directions)):
        load_of(directions[d], m)
        best, place = -np.inf, -1
        for i in order:
            if bounds[i] <= best:
                break
            stress_of(responses[i], m, s)
            value = first_principal(s)
            if value > best:
                best, place = value, i
        values[d], where[d] = best, place


@nb.njit(nogil=True, cache=True)
def stress_under(responses: Any, direction: Any, principal: Any, mises: Any) -> None:
    """Write first principal and von Mises stress of each response under one unit load."""
    m, s = np.empty(6), np.empty(6)
    load_of(direction, m)
    for i in range(len(responses)):
        stress_of(responses[i], m, s)
        principal[i] = first_principal(s)
        mises[i] = von_mises(s)
