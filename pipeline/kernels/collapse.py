"""Fewer triangles: edges of a closed surface are collapsed, the cheapest first, to a stated cost.

The cost is the quadric error of Garland and Heckbert (1997, SIGGRAPH, 209-216): the sum of squared
distances of the new vertex from the planes of all triangles that went into it.  An edge is
collapsed only if that keeps the surface closed and its tunnels (the ends share no neighbours but
the two opposite corners: the link condition), turns no triangle over and makes none a needle.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.kernels.relaxation import find_rings
from pipeline.kernels.trianglegrid import square_distance

Points = NDArray[np.float64]
Faces = NDArray[np.int64]

_RISES = 12
"""Passes in which the cost allowed rises to its limit."""

_MOST_PASSES = 60
_LEAST_SHARE = 0.003
"""A pass that collapses a smaller share of the vertices is the last."""

_TURN = 0.3
"""Least cosine between the normals of a triangle before and after."""

_SLENDER = 0.03
"""Least area of a triangle over the square of its longest edge, unless it was less before."""


def collapse_edges(
    vertices: Points, faces: Faces, limit: float, reach: float
) -> tuple[Points, Faces]:
    """Collapse edges of a closed surface whose cost is within a limit.

    Parameters
    ----------
    vertices : ndarray of float64, shape (n, 3)
        Positions.
    faces : ndarray of int64, shape (n_faces, 3)
        Corners of triangles; every edge belongs to two of them, once in each direction.
    limit : float
        Root of the largest cost, in units of the positions.
    reach : float
        Farthest that the surface may go from a vertex, summed over the collapses around it: what
        cuts off a spike costs little, since its sides' planes run along it.

    Returns
    -------
    vertices : ndarray of float64, shape (m, 3)
        Positions that are left.
    faces : ndarray of int64, shape (m_faces, 3)
        Triangles that are left, closed and of the same shells and tunnels.
    """
    x, f = vertices.copy(), faces
    planes, gone = _planes(x, f), np.zeros(len(x))
    for n_pass in range(1, _MOST_PASSES + 1):
        rings = find_rings(f, len(x))
        share = min(n_pass / _RISES, 1.0)
        costs, ways = _weigh(x, rings.edges, planes)
        order = np.argsort(costs, kind="stable")
        order = order[: np.searchsorted(costs[order], (limit * share**1.5) ** 2, side="right")]
        becomes = np.arange(len(x))
        n = _collapse(
            x,
            rings.starts,
            rings.corners,
            rings.edges,
            planes,
            order,
            ways,
            becomes,
            gone,
            reach,
        )
        f = becomes[f]
        f = f[(f[:, 0] != f[:, 1]) & (f[:, 1] != f[:, 2]) & (f[:, 2] != f[:, 0])]
        used, number = np.unique(f, return_inverse=True)
        f = number.reshape(-1, 3).astype(np.int64)
        x, planes, gone = x[used], planes[used], gone[used]
        if n_pass >= _RISES and n < _LEAST_SHARE * len(x):
            break
    return x, f


def _planes(x: Points, f: Faces) -> Points:
    """Return for each vertex the quadric of its triangles: xx xy xz xd yy yz yd zz zd dd."""
    a = x[f[:, 0]]
    normals = np.cross(x[f[:, 1]] - a, x[f[:, 2]] - a)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    p = np.column_stack([normals, -np.einsum("ij,ij->i", normals, a)])
    own = np.stack([p[:, i] * p[:, j] for i in range(4) for j in range(i, 4)], 1)
    out = np.zeros((len(x), 10))
    for k in range(10):
        out[:, k] = np.bincount(f.ravel(), np.repeat(own[:, k], 3), len(x))
    return out


@njit(nogil=True, cache=True)
def _weigh(x: Points, edges: Faces, planes: Points) -> tuple[Points, Points]:
    """Return the least cost of each edge, and where its vertex then lies."""
    costs, ways = np.empty(len(edges)), np.empty((len(edges), 3))
    for i in range(len(edges)):
        a, b = edges[i, 0], edges[i, 1]
        q = planes[a] + planes[b]
        # A pull to the middle of the edge decides where planes do not.
        e = 1e-3 * (q[0] + q[4] + q[7]) + 1e-300
        m0, m1, m2 = 0.5 * (x[a] + x[b])
        xx, yy, zz, xy, xz, yz = q[0] + e, q[4] + e, q[7] + e, q[1], q[2], q[5]
        r0, r1, r2 = e * m0 - q[3], e * m1 - q[6], e * m2 - q[8]
        c0, c1, c2 = yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy
        det = xx * c0 + xy * c1 + xz * c2
        p0 = (c0 * r0 + c1 * r1 + c2 * r2) / det
        p1 = (c1 * r0 + (xx * zz - xz * xz) * r1 + (xy * xz - xx * yz) * r2) / det
        p2 = (c2 * r0 + (xy * xz - xx * yz) * r1 + (xx * yy - xy * xy) * r2) / det
        cost = q[0] * p0 * p0 + q[4] * p1 * p1 + q[7] * p2 * p2 + q[9]
        cost += 2 * (q[1] * p0 * p1 + q[2] * p0 * p2 + q[5] * p1 * p2)
        cost += 2 * (q[3] * p0 + q[6] * p1 + q[8] * p2)
        costs[i] = max(cost, 0.0)
        ways[i, 0], ways[i, 1], ways[i, 2] = p0, p1, p2
    return costs, ways


@njit(nogil=True, cache=True)
def _shape(u: Points, b: Points, c: Points) -> tuple[float, float, float, float]:
    """Return the area vector, twice as long, of a triangle and its area over its longest edge."""
    p0, p1, p2 = b[0] - u[0], b[1] - u[1], b[2] - u[2]
    q0, q1, q2 = c[0] - u[0], c[1] - u[1], c[2] - u[2]
    n0, n1, n2 = p1 * q2 - p2 * q1, p2 * q0 - p0 * q2, p0 * q1 - p1 * q0
    longest = max(p0 * p0 + p1 * p1 + p2 * p2, q0 * q0 + q1 * q1 + q2 * q2)
    longest = max(longest, (p0 - q0) ** 2 + (p1 - q1) ** 2 + (p2 - q2) ** 2)
    area = 0.5 * np.sqrt(n0 * n0 + n1 * n1 + n2 * n2)
    return n0, n1, n2, area / max(longest, 1e-300)


@njit(nogil=True, cache=True)
def _keeps_shape(x: Points, v: int, other: int, starts: Faces, corners: Faces, new: Points) -> bool:
    """Tell whether the triangles of v that outlive the collapse stay as they face."""
    for i in range(starts[v], starts[v + 1]):
        b, c = corners[i, 0], corners[i, 1]
        if b == other or c == other:
            continue
        m0, m1, m2, old = _shape(x[v], x[b], x[c])
        n0, n1, n2, now = _shape(new, x[b], x[c])
        size = np.sqrt((m0 * m0 + m1 * m1 + m2 * m2) * (n0 * n0 + n1 * n1 + n2 * n2))
        if m0 * n0 + m1 * n1 + m2 * n2 <= _TURN * size or now < min(_SLENDER, 0.99 * old):
            return False
    return True


@njit(nogil=True, cache=True)
def _square_way(
    x: Points, v: int, a: int, b: int, starts: Faces, corners: Faces, new: Points, t: Points
) -> float:
    """Return the squared distance of v from the triangles around the vertex that a and b become."""
    point = (x[v, 0], x[v, 1], x[v, 2])
    best = np.inf
    t[0] = new
    for end in (a, b):
        for i in range(starts[end], starts[end + 1]):
            c, d = corners[i, 0], corners[i, 1]
            if c != a and c != b and d != a and d != b:
                t[1] = x[c]
                t[2] = x[d]
                best = min(best, square_distance(point, t))
    return best


@njit(nogil=True, cache=True)
def _shared(a: int, b: int, starts: Faces, corners: Faces) -> int:
    """Return the number of neighbours that two vertices share."""
    n = 0
    for i in range(starts[a], starts[a + 1]):
        for j in range(starts[b], starts[b + 1]):
            n += corners[i, 0] == corners[j, 0]
    return n


@njit(nogil=True, cache=True)
def _collapse(
    x: Points,
    starts: Faces,
    corners: Faces,
    edges: Faces,
    planes: Points,
    order: Faces,
    ways: Points,
    becomes: Faces,
    gone: Points,
    reach: float,
) -> int:
    # A vertex beside a collapse is left alone for the rest of the pass: what `corners` says of the
    # others is then still true.
    done = np.zeros(len(x), np.bool_)
    valence = starts[1:] - starts[:-1]
    n = 0
    t = np.empty((3, 3))
    for i in order:
        a, b, c, d = edges[i]
        if done[a] or done[b] or valence[c] <= 3 or valence[d] <= 3:
            continue
        if _shared(a, b, starts, corners) != 2:
            continue
        new = ways[i]
        if not _keeps_shape(x, a, b, starts, corners, new):
            continue
        if not _keeps_shape(x, b, a, starts, corners, new):
            continue
        way = max(
            _square_way(x, a, a, b, starts, corners, new, t),
            _square_way(x, b, a, b, starts, corners, new, t),
        )
        far = max(gone[a], gone[b]) + np.sqrt(way)
        if far > reach:
            continue
        gone[a] = far
        for v in (a, b):
            for j in range(starts[v], starts[v + 1]):
                done[corners[j, 0]] = True
        valence[c] -= 1
        valence[d] -= 1
        x[a] = new
        planes[a] += planes[b]
        becomes[b] = a
        n += 1
    return n
