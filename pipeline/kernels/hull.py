"""Convex hulls of lattice points, exactly: every decision is a sign of an int64 determinant.

A hull is quickhull's (Barber, Dobkin & Huhdanpaa 1996) with triangular facets.  A facet is visible
from a point only if the point lies strictly above it, so with exact signs the visible facets are
connected, the horizon is one closed path, no new facet is degenerate, and coplanar facets need no
special case.  Points in the middle of a face or an edge are told from corners by counting the
planes that meet there.  Determinants stay below 2**63 for bodies up to 2**20 voxels long.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Int32s = NDArray[np.int32]
Int64s = NDArray[np.int64]


@njit(nogil=True, cache=True)
def find_facets(points: Int64s) -> tuple[Int32s, Int32s, Int64s]:
    """Return the facets of the convex hull of points.

    Parameters
    ----------
    points : ndarray of int64, shape (n, 3)
        Distinct points that do not all lie in one plane, near the origin (a body's own box).

    Returns
    -------
    corners : ndarray of int32, shape (m, 3)
        Points of each triangle, counter-clockwise as seen from outside (for right-handed axes).
    beside : ndarray of int32, shape (m, 3)
        ``beside[f, k]`` is the facet across the edge from corner k to corner k + 1.
    planes : ndarray of int64, shape (m, 4)
        Outward normal, as long as twice the triangle's area, and its product with a corner.
    """
    n = points.shape[0]
    # The facets that a point sees are freed before its own are made: 2 n - 4 at the most.
    size = 2 * n + 4
    corners = np.empty((size, 3), np.int32)
    beside = np.empty((size, 3), np.int32)
    planes = np.empty((size, 4), np.int64)
    alive = np.zeros(size, np.bool_)
    waiting = np.zeros(size, np.bool_)
    above = np.full(size, -1, np.int32)
    free = np.empty(size, np.int32)
    todo = np.empty(size, np.int32)
    seen = np.empty(size, np.int32)
    rim = np.empty((size, 3), np.int32)
    fresh = np.empty(size, np.int32)
    following = np.full(n, -1, np.int32)
    leaving = np.empty(n, np.int32)
    arriving = np.empty(n, np.int32)
    _first_simplex(points, corners, beside, planes)
    n_free = 0
    for f in range(size - 1, 3, -1):
        free[n_free] = f
        n_free += 1
    for f in range(4):
        alive[f] = True
        fresh[f] = f
    for p in range(n):
        _assign(points, p, fresh, 4, planes, above, following)
    n_todo = _queue(fresh, 4, above, waiting, todo, 0)
    while n_todo:
        n_todo -= 1
        f = todo[n_todo]
        waiting[f] = False
        if not alive[f] or above[f] < 0:
            continue
        apex = _furthest(points, planes[f], above[f], following)
        n_seen, n_rim = _find_horizon(points[apex], f, corners, beside, planes, alive, seen, rim)
        orphans = _free_facets(seen, n_seen, above, following, free, n_free)
        n_free += n_seen
        n_free -= n_rim
        for k in range(n_rim):
            fresh[k] = free[n_free + k]
        _close_cone(
            points, apex, rim, n_rim, fresh, corners, beside, planes, alive, leaving, arriving
        )
        while orphans >= 0:
            p = orphans
            orphans = following[p]
            following[p] = -1
            if p != apex:
                _assign(points, p, fresh, n_rim, planes, above, following)
        n_todo = _queue(fresh, n_rim, above, waiting, todo, n_todo)
    return _gather(corners, beside, planes, alive)


@njit(nogil=True, cache=True)
def _height(plane: Int64s, point: Int64s) -> Any:
    """Return how far a point lies above a plane, in units of the plane's normal."""
    return plane[0] * point[0] + plane[1] * point[1] + plane[2] * point[2] - plane[3]


@njit(nogil=True, cache=True)
def _set_facet(
    points: Int64s, f: int, a: int, b: int, c: int, corners: Int32s, planes: Int64s
) -> None:
    corners[f, 0], corners[f, 1], corners[f, 2] = a, b, c
    u0, u1, u2 = (
        points[b, 0] - points[a, 0],
        points[b, 1] - points[a, 1],
        points[b, 2] - points[a, 2],
    )
    v0, v1, v2 = (
        points[c, 0] - points[a, 0],
        points[c, 1] - points[a, 1],
        points[c, 2] - points[a, 2],
    )
    planes[f, 0] = u1 * v2 - u2 * v1
    planes[f, 1] = u2 * v0 - u0 * v2
    planes[f, 2] = u0 * v1 - u1 * v0
    planes[f, 3] = (
        planes[f, 0] * points[a, 0] + planes[f, 1] * points[a, 1] + planes[f, 2] * points[a, 2]
    )


@njit(nogil=True, cache=True)
def _first_simplex(points: Int64s, corners: Int32s, beside: Int32s, planes: Int64s) -> None:
    """Set facets 0 to 3: the first point, and points far from it, its line and its plane."""
    n = points.shape[0]
    b, c, d = 0, 0, 0
    best = np.int64(0)
    for p in range(n):
        far = np.int64(0)
        for i in range(3):
            far = max(far, abs(points[p, i] - points[0, i]))
        if far > best:
            best, b = far, p
    best = np.int64(0)
    for p in range(n):
        _set_facet(points, 0, 0, b, p, corners, planes)
        far = max(abs(planes[0, 0]), abs(planes[0, 1]), abs(planes[0, 2]))
        if far > best:
            best, c = far, p
    _set_facet(points, 0, 0, b, c, corners, planes)
    best = np.int64(0)
    for p in range(n):
        far = abs(_height(planes[0], points[p]))
        if far > best:
            best, d = far, p
    if _height(planes[0], points[d]) > 0:
        b, c = c, b
    _set_facet(points, 0, 0, b, c, corners, planes)
    _set_facet(points, 1, 0, d, b, corners, planes)
    _set_facet(points, 2, b, d, c, corners, planes)
    _set_facet(points, 3, c, d, 0, corners, planes)
    beside[0, 0], beside[0, 1], beside[0, 2] = 1, 2, 3
    beside[1, 0], beside[1, 1], beside[1, 2] = 3, 2, 0
    beside[2, 0], beside[2, 1], beside[2, 2] = 1, 3, 0
    beside[3, 0], beside[3, 1], beside[3, 2] = 2, 1, 0


@njit(nogil=True, cache=True)
def _assign(
    points: Int64s, p: int, fresh: Int32s, n_fresh: int, planes: Int64s, above: Int32s,
    following: Int32s,
) -> None:  # fmt: skip
    """Hang a point on the first facet that it lies above; one that lies above none is inside."""
    for k in range(n_fresh):
        f = fresh[k]
        if _height(planes[f], points[p]) > 0:
            following[p] = above[f]
            above[f] = p
            return


@njit(nogil=True, cache=True)
def _furthest(points: Int64s, plane: Int64s, first: int, following: Int32s) -> int:
    best, apex = np.int64(0), first
    p = first
    while p >= 0:
        height = _height(plane, points[p])
        if height > best:
            best, apex = height, p
        p = following[p]
    return apex


@njit(nogil=True, cache=True)
def _find_horizon(
    point: Int64s, start: int, corners: Int32s, beside: Int32s, planes: Int64s,
    alive: NDArray[np.bool_], seen: Int32s, rim: Int32s,
) -> tuple[int, int]:  # fmt: skip
    """Take the facets that a point sees out of the hull; list them and the edges around them."""
    seen[0] = start
    alive[start] = False
    n_seen, n_rim, done = 1, 0, 0
    while done < n_seen:
        f = seen[done]
        done += 1
        for e in range(3):
            g = beside[f, e]
            if not alive[g]:
                continue
            if _height(planes[g], point) > 0:
                alive[g] = False
                seen[n_seen] = g
                n_seen += 1
            else:
                rim[n_rim, 0], rim[n_rim, 1] = corners[f, e], corners[f, (e + 1) % 3]
                rim[n_rim, 2] = g
                n_rim += 1
    return n_seen, n_rim


@njit(nogil=True, cache=True)
def _close_cone(
    points: Int64s, apex: int, rim: Int32s, n_rim: int, fresh: Int32s, corners: Int32s,
    beside: Int32s, planes: Int64s, alive: NDArray[np.bool_], leaving: Int32s, arriving: Int32s,
) -> None:  # fmt: skip
    """Span a facet from each edge of the horizon to a point."""
    for k in range(n_rim):
        f = fresh[k]
        a, b, outer = rim[k]
        alive[f] = True
        _set_facet(points, f, a, b, apex, corners, planes)
        beside[f, 0] = outer
        for e in range(3):
            if corners[outer, e] == b and corners[outer, (e + 1) % 3] == a:
                beside[outer, e] = f
        leaving[a] = f
        arriving[b] = f
    for k in range(n_rim):
        f = fresh[k]
        beside[f, 1] = leaving[corners[f, 1]]
        beside[f, 2] = arriving[corners[f, 0]]


@njit(nogil=True, cache=True)
def _queue(
    fresh: Int32s, n_fresh: int, above: Int32s, waiting: NDArray[np.bool_], todo: Int32s, n: int
) -> int:
    """Queue the facets that points lie above; return the length of the queue."""
    for k in range(n_fresh):
        f = fresh[k]
        if above[f] >= 0 and not waiting[f]:
            waiting[f] = True
            todo[n] = f
            n += 1
    return n


@njit(nogil=True, cache=True)
def _free_facets(
    seen: Int32s, n_seen: int, above: Int32s, following: Int32s, free: Int32s, n_free: int
) -> Any:
    """Give facets back; return the chain of the points that lay above them."""
    chain = np.int32(-1)
    for k in range(n_seen):
        f = seen[k]
        p = above[f]
        while p >= 0:
            q = following[p]
            following[p] = chain
            chain = p
            p = q
        above[f] = -1
        free[n_free + k] = f
    return chain


@njit(nogil=True, cache=True)
def _gather(
    corners: Int32s, beside: Int32s, planes: Int64s, alive: NDArray[np.bool_]
) -> tuple[Int32s, Int32s, Int64s]:
    size = alive.size
    number = np.empty(size, np.int32)
    m = 0
    for f in range(size):
        if alive[f]:
            number[f] = m
            m += 1
    out, near, flat = (
        np.empty((m, 3), np.int32),
        np.empty((m, 3), np.int32),
        np.empty((m, 4), np.int64),
    )
    for f in range(size):
        if alive[f]:
            g = number[f]
            for k in range(3):
                out[g, k] = corners[f, k]
                near[g, k] = number[beside[f, k]]
            for k in range(4):
                flat[g, k] = planes[f, k]
    return out, near, flat


@njit(nogil=True, cache=True)
def mark_corners(
    points: Int64s, corners: Int32s, beside: Int32s, planes: Int64s
) -> NDArray[np.bool_]:
    """Return which points are corners of their hull, not inside it, its faces or its edges.

    Parameters
    ----------
    points : ndarray of int64, shape (n, 3)
        The points.
    corners, beside, planes : ndarray
        Their facets, from `find_facets`.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where at least three planes meet.
    """
    m = corners.shape[0]
    face = np.full(m, -1, np.int32)
    todo = np.empty(m, np.int32)
    for f in range(m):
        if face[f] >= 0:
            continue
        face[f] = f
        todo[0] = f
        n_todo = 1
        while n_todo:
            n_todo -= 1
            g = todo[n_todo]
            for e in range(3):
                h = beside[g, e]
                if face[h] < 0 and is_coplanar(points, planes[f], corners[h]):
                    face[h] = f
                    todo[n_todo] = h
                    n_todo += 1
    n = points.shape[0]
    first, second = np.full(n, -1, np.int32), np.full(n, -1, np.int32)
    is_corner = np.zeros(n, np.bool_)
    for f in range(m):
        for k in range(3):
            p = corners[f, k]
            if first[p] < 0 or first[p] == face[f]:
                first[p] = face[f]
            elif second[p] < 0 or second[p] == face[f]:
                second[p] = face[f]
            else:
                is_corner[p] = True
    return is_corner


@njit(nogil=True, cache=True)
def is_coplanar(points: Int64s, plane: Int64s, corners: Int32s) -> bool:
    """Tell whether a facet lies in a plane.

    Parameters
    ----------
    points : ndarray of int64, shape (n, 3)
        The points.
    plane : ndarray of int64, shape (4,)
        Normal and offset.
    corners : ndarray of int32, shape (3,)
        Points of the facet.

    Returns
    -------
    bool
        Whether all three lie in it.
    """
    return bool(
        _height(plane, points[corners[0]]) == 0
        and _height(plane, points[corners[1]]) == 0
        and _height(plane, points[corners[2]]) == 0
    )


@njit(nogil=True, cache=True)
def hull_corners(points: Int64s) -> Int64s:
    """Return the corners of the convex hull of points, in the order of the points.

    Parameters
    ----------
    points : ndarray of int64, shape (n, 3)
        Distinct points that do not all lie in one plane.

    Returns
    -------
    ndarray of int64, shape (k, 3)
        The extreme points: whatever other points of the hull are given along, these are the same.
    """
    corners, beside, planes = find_facets(points)
    return points[mark_corners(points, corners, beside, planes)]
