"""Sizes of convex hulls: volume, shadows, and the calipers of ISO 9276-6, exact for the hull.

Two parallel planes that hold a body between them touch its hull, so every caliper (Feret diameter)
of a body is that of its hull.  Which corners, edges and facets lie opposite one another does not
change when axes are stretched, so that is decided in integers, and voxel edges enter at the end.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.kernels.hull import Int32s, Int64s, find_facets, is_coplanar

Reals = NDArray[np.float64]
Triple3 = tuple[float, float, float]

(VOLUME, SHADOW_Z, SHADOW_Y, SHADOW_X, FERET_MAX, FERET_MID, FERET_MIN, FERET_MEAN) = range(8)
FERET_FACES = 8
N_SIZES = 9
"""Sizes of a hull: volume in um3; area of the shadow along z, y, x in um2; largest, intermediate,
smallest and mean caliper in um; the largest between the middles of voxel faces."""


@njit(nogil=True, cache=True)
def measure_hulls(offsets: Int64s, corners: Int32s, voxel_um: Triple3) -> Reals:
    """Return the sizes of the hulls of bodies.

    Parameters
    ----------
    offsets : ndarray of int64, shape (n + 1,)
        Corners of body b are rows ``offsets[b]`` to ``offsets[b + 1]``.
    corners : ndarray of int32, shape (k, 3)
        Hull corners in ascending order within a body; the result does not depend on their origin.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).

    Returns
    -------
    ndarray of float64, shape (n, N_SIZES)
        Sizes; NaN for a body without corners.
    """
    n = offsets.size - 1
    sizes = np.full((n, N_SIZES), np.nan)
    for b in range(n):
        if offsets[b + 1] > offsets[b]:
            points = from_own_corner(corners[offsets[b] : offsets[b + 1]])
            _measure(points, voxel_um, sizes[b])
    return sizes


@njit(nogil=True, cache=True)
def from_own_corner(corners: Int32s) -> Int64s:
    """Return points relative to the low corner of their box.

    Parameters
    ----------
    corners : ndarray of int32, shape (n, 3)
        Points.

    Returns
    -------
    ndarray of int64, shape (n, 3)
        The same wherever the body lies.
    """
    points = corners.astype(np.int64)
    for i in range(3):
        points[:, i] -= points[:, i].min()
    return points


@njit(nogil=True, cache=True)
def project_hulls(
    offsets: Int64s, corners: Int32s, voxel_um: Triple3, direction: Triple3,
    wanted: NDArray[np.bool_],
) -> Reals:  # fmt: skip
    """Return the areas of the shadows of hulls along any direction.

    Parameters
    ----------
    offsets : ndarray of int64, shape (n + 1,)
        Corners of body b are rows ``offsets[b]`` to ``offsets[b + 1]``.
    corners : ndarray of int32, shape (k, 3)
        Hull corners.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).
    direction : tuple of float
        Direction of the projection in space, (z, y, x), of any length.
    wanted : ndarray of bool, shape (n,)
        Whether a body is wanted; those need corners.

    Returns
    -------
    ndarray of float64, shape (n,)
        Areas in um2, half the sums of the facets' own shadows (Cauchy); NaN where not wanted.  Of
        a body that is not convex this is an upper bound of its shadow.
    """
    a = direction[0] * voxel_um[1] * voxel_um[2]
    b = direction[1] * voxel_um[0] * voxel_um[2]
    c = direction[2] * voxel_um[0] * voxel_um[1]
    length = np.sqrt(direction[0] ** 2 + direction[1] ** 2 + direction[2] ** 2)
    n = offsets.size - 1
    areas = np.full(n, np.nan)
    for i in range(n):
        if not wanted[i]:
            continue
        _, _, planes = find_facets(from_own_corner(corners[offsets[i] : offsets[i + 1]]))
        total = 0.0
        for f in range(planes.shape[0]):
            total += abs(planes[f, 0] * a + planes[f, 1] * b + planes[f, 2] * c)
        # A facet's normal is twice its area long, and the shadow is covered from both sides.
        areas[i] = total / (4.0 * length)
    return areas


@njit(nogil=True, cache=True)
def extend_hulls(
    offsets: Int64s, corners: Int32s, voxel_um: Triple3, axes: Reals, wanted: NDArray[np.bool_]
) -> Reals:
    """Return the extents of hulls along directions of their own.

    Parameters
    ----------
    offsets : ndarray of int64, shape (n + 1,)
        Corners of body b are rows ``offsets[b]`` to ``offsets[b + 1]``.
    corners : ndarray of int32, shape (k, 3)
        Hull corners.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).
    axes : ndarray of float64, shape (n, m, 3)
        Unit vectors (z, y, x) in space for each body.
    wanted : ndarray of bool, shape (n,)
        Whether a body is wanted; those need corners.

    Returns
    -------
    ndarray of float64, shape (n, m)
        Extents in um; NaN where not wanted.
    """
    n, m, _ = axes.shape
    out = np.full((n, m), np.nan)
    for b in range(n):
        if not wanted[b]:
            continue
        points = from_own_corner(corners[offsets[b] : offsets[b + 1]])
        for k in range(m):
            u = (
                axes[b, k, 0] * voxel_um[0],
                axes[b, k, 1] * voxel_um[1],
                axes[b, k, 2] * voxel_um[2],
            )
            out[b, k] = _extent(points, u)
    return out


@njit(nogil=True, cache=True)
def _extent(points: Int64s, u: Triple3) -> float:
    low, high = np.inf, -np.inf
    for p in range(points.shape[0]):
        at = points[p, 0] * u[0] + points[p, 1] * u[1] + points[p, 2] * u[2]
        low = min(low, at)
        high = max(high, at)
    return high - low


@njit(nogil=True, cache=True)
def _measure(points: Int64s, voxel_um: Triple3, out: Reals) -> None:
    corners, beside, planes = find_facets(points)
    six = np.int64(0)
    shadow = np.zeros(3, np.int64)
    for f in range(corners.shape[0]):
        # Six times the tetrahedron between the facet and the origin.
        six += planes[f, 3]
        for i in range(3):
            shadow[i] += abs(planes[f, i])
    z, y, x = voxel_um
    out[VOLUME] = six / 6.0 * (z * y * x)
    out[SHADOW_Z] = shadow[0] / 4.0 * (y * x)
    out[SHADOW_Y] = shadow[1] / 4.0 * (z * x)
    out[SHADOW_X] = shadow[2] / 4.0 * (z * y)
    out[FERET_MAX] = _largest_caliper(points, voxel_um)
    out[FERET_FACES] = _largest_between_faces(points, voxel_um)
    out[FERET_MIN], across = _smallest_caliper(points, corners, beside, planes, voxel_um)
    out[FERET_MID] = _caliper_across(points, corners, beside, planes, voxel_um, across)
    out[FERET_MEAN] = _mean_caliper(points, corners, beside, planes, voxel_um)


@njit(nogil=True, cache=True)
def _largest_caliper(points: Int64s, voxel_um: Triple3) -> Any:
    """Return the longest distance of two corners."""
    n = points.shape[0]
    place = np.empty((3, n))
    for i in range(3):
        for p in range(n):
            place[i, p] = points[p, i] * voxel_um[i]
    best = 0.0
    for p in range(n):
        z, y, x = place[0, p], place[1, p], place[2, p]
        far = 0.0
        for q in range(p + 1, n):
            dz, dy, dx = place[0, q] - z, place[1, q] - y, place[2, q] - x
            far = max(far, dz * dz + dy * dy + dx * dx)
        best = max(best, far)
    return np.sqrt(best)


@njit(nogil=True, cache=True)
def _largest_between_faces(points: Int64s, voxel_um: Triple3) -> Any:
    """Return the longest distance of two middles of voxel faces, from the corners of voxels.

    Two voxel centres lie no nearer than two of their corners less a voxel along each axis, and
    just so for the corners that look away from each other; from both centres to faces of the same
    axis, a voxel is added again.
    """
    n = points.shape[0]
    a, b, c = voxel_um
    place = np.empty((3, n))
    for i in range(3):
        for p in range(n):
            place[i, p] = points[p, i] * voxel_um[i]
    best = 0.0
    for p in range(n):
        z, y, x = place[0, p], place[1, p], place[2, p]
        far = 0.0
        for q in range(p + 1, n):
            dz = max(abs(place[0, q] - z) - a, 0.0)
            dy = max(abs(place[1, q] - y) - b, 0.0)
            dx = max(abs(place[2, q] - x) - c, 0.0)
            more = max(a * (2.0 * dz + a), b * (2.0 * dy + b), c * (2.0 * dx + c))
            far = max(far, dz * dz + dy * dy + dx * dx + more)
        best = max(best, far)
    return np.sqrt(best)


@njit(nogil=True, cache=True)
def _dot(a: Int64s, points: Int64s, p: int, q: int) -> Any:
    return (
        a[0] * (points[p, 0] - points[q, 0])
        + a[1] * (points[p, 1] - points[q, 1])
        + a[2] * (points[p, 2] - points[q, 2])
    )


@njit(nogil=True, cache=True)
def _list_neighbours(n: int, corners: Int32s) -> tuple[Int32s, Int32s]:
    """Return for each corner where its neighbours start, and the neighbours."""
    first = np.zeros(n + 1, np.int32)
    m = corners.shape[0]
    for f in range(m):
        for k in range(3):
            first[corners[f, k] + 1] += 1
    for p in range(n):
        first[p + 1] += first[p]
    fill = first[:-1].copy()
    # Each edge runs once each way around the closed surface.
    near = np.empty(3 * m, np.int32)
    for f in range(m):
        for k in range(3):
            p = corners[f, k]
            near[fill[p]] = corners[f, (k + 1) % 3]
            fill[p] += 1
    return first, near


@njit(nogil=True, cache=True)
def _smallest_caliper(
    points: Int64s, corners: Int32s, beside: Int32s, planes: Int64s, voxel_um: Triple3
) -> tuple[float, Int64s]:
    """Return the smallest caliper and its normal (of lattice planes).

    It rests on a facet and a corner, or on two edges (Houle & Toussaint 1988).  As the upper plane
    tilts over an edge from one facet to the next, the lower one rolls from corner to corner: each
    edge that it rolls over is opposite the upper one.
    """
    m = corners.shape[0]
    first, near = _list_neighbours(points.shape[0], corners)
    best = np.inf
    normal = np.zeros(3, np.int64)
    tried = np.zeros(3, np.int64)
    lowest = np.full(m, -1, np.int32)
    done = np.zeros(m, np.bool_)
    todo = np.empty(m, np.int32)
    under = 0
    for p in range(1, points.shape[0]):
        if _dot(planes[0], points, p, under) < 0:
            under = p
    lowest[0] = under
    todo[0] = 0
    n_todo = 1
    while n_todo:
        n_todo -= 1
        f = todo[n_todo]
        done[f] = True
        tried[:] = planes[f, :3]
        best = _try(points, corners[f, 0], lowest[f], tried, voxel_um, best, normal)
        for e in range(3):
            g = beside[f, e]
            if done[g]:
                continue
            under = lowest[f]
            if not is_coplanar(points, planes[f], corners[g]):
                a, b = corners[f, e], corners[f, (e + 1) % 3]
                while True:
                    over = _next_under(points, planes[f], planes[g], under, first, near)
                    if over < 0:
                        break
                    _cross(points, a, b, under, over, tried)
                    best = _try(points, a, under, tried, voxel_um, best, normal)
                    under = over
            if lowest[g] < 0:
                lowest[g] = under
                todo[n_todo] = g
                n_todo += 1
    return best, normal


@njit(nogil=True, cache=True)
def _next_under(
    points: Int64s, f: Int64s, g: Int64s, under: int, first: Int32s, near: Int32s
) -> int:
    """Return the corner that becomes the lowest next, as the normal turns from f to g; or -1."""
    soonest, steepest, found = 2.0, 0.0, -1
    for k in range(first[under], first[under + 1]):
        q = near[k]
        late = _dot(g, points, q, under)
        if late >= 0:
            continue
        early = max(_dot(f, points, q, under), 0)
        slope = float(late) - float(early)
        when = -float(early) / slope
        if when < soonest or (when == soonest and slope < steepest):
            soonest, steepest, found = when, slope, q
    return found


@njit(nogil=True, cache=True)
def _cross(points: Int64s, a: int, b: int, c: int, d: int, out: Int64s) -> None:
    u0, u1, u2 = (
        points[b, 0] - points[a, 0],
        points[b, 1] - points[a, 1],
        points[b, 2] - points[a, 2],
    )
    v0, v1, v2 = (
        points[d, 0] - points[c, 0],
        points[d, 1] - points[c, 1],
        points[d, 2] - points[c, 2],
    )
    out[0] = u1 * v2 - u2 * v1
    out[1] = u2 * v0 - u0 * v2
    out[2] = u0 * v1 - u1 * v0


@njit(nogil=True, cache=True)
def _try(
    points: Int64s, p: int, q: int, tried: Int64s, voxel_um: Triple3, best: float, normal: Int64s
) -> Any:
    """Return the smaller of the best caliper and that between p and q, and keep its normal."""
    square = 0.0
    for i in range(3):
        square += (tried[i] / voxel_um[i]) ** 2
    caliper = abs(_dot(tried, points, p, q)) / np.sqrt(square)
    if caliper < best:
        normal[:] = tried
        return caliper
    return best


@njit(nogil=True, cache=True)
def _caliper_across(
    points: Int64s, corners: Int32s, beside: Int32s, planes: Int64s, voxel_um: Triple3,
    normal: Int64s,
) -> float:  # fmt: skip
    """Return the smallest caliper at right angles to a direction.

    It rests on an edge of the hull's outline as seen along that direction.
    """
    z, y, x = voxel_um
    # In space a normal of lattice planes is divided by the voxel's edges, a vector multiplied.
    d = (normal[0] / z, normal[1] / y, normal[2] / x)
    length = np.sqrt(d[0] ** 2 + d[1] ** 2 + d[2] ** 2)
    best = np.inf
    m = corners.shape[0]
    front = np.empty(m, np.bool_)
    for f in range(m):
        front[f] = planes[f, 0] * d[0] / z + planes[f, 1] * d[1] / y + planes[f, 2] * d[2] / x > 0
    for f in range(m):
        for e in range(3):
            if not front[f] or front[beside[f, e]]:
                continue
            a, b = corners[f, e], corners[f, (e + 1) % 3]
            v0 = (points[b, 0] - points[a, 0]) * z
            v1 = (points[b, 1] - points[a, 1]) * y
            v2 = (points[b, 2] - points[a, 2]) * x
            u = (v1 * d[2] - v2 * d[1], v2 * d[0] - v0 * d[2], v0 * d[1] - v1 * d[0])
            across = np.sqrt(u[0] ** 2 + u[1] ** 2 + u[2] ** 2)
            # An edge that is seen end on has no direction across.
            if across > 1e-9 * length * np.sqrt(v0 * v0 + v1 * v1 + v2 * v2):
                extent = _extent(points, (u[0] * z, u[1] * y, u[2] * x)) / across
                best = min(best, extent)
    return best


@njit(nogil=True, cache=True)
def _mean_caliper(
    points: Int64s, corners: Int32s, beside: Int32s, planes: Int64s, voxel_um: Triple3
) -> float:
    """Return the mean caliper over all directions: 1 / (4 pi) of edges times outer angles."""
    z, y, x = voxel_um
    m = corners.shape[0]
    unit = np.empty((m, 3))
    for f in range(m):
        n = (planes[f, 0] / z, planes[f, 1] / y, planes[f, 2] / x)
        length = np.sqrt(n[0] ** 2 + n[1] ** 2 + n[2] ** 2)
        unit[f, 0], unit[f, 1], unit[f, 2] = n[0] / length, n[1] / length, n[2] / length
    total = 0.0
    for f in range(m):
        for e in range(3):
            g = beside[f, e]
            if g < f or is_coplanar(points, planes[f], corners[g]):
                continue
            a, b = corners[f, e], corners[f, (e + 1) % 3]
            edge = np.sqrt(
                ((points[b, 0] - points[a, 0]) * z) ** 2
                + ((points[b, 1] - points[a, 1]) * y) ** 2
                + ((points[b, 2] - points[a, 2]) * x) ** 2
            )
            # The angle from its chord: exact where normals nearly agree, unlike an arc cosine.
            chord = np.sqrt(
                (unit[f, 0] - unit[g, 0]) ** 2
                + (unit[f, 1] - unit[g, 1]) ** 2
                + (unit[f, 2] - unit[g, 2]) ** 2
            )
            total += edge * 2.0 * np.arcsin(min(0.5 * chord, 1.0))
    return total / (4.0 * np.pi)
