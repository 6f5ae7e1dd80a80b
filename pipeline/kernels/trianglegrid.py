"""Triangles sorted into a grid of cells: distances to a surface, and where it crosses itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Points = NDArray[np.float64]
Faces = NDArray[np.int64]
Vector = tuple[float, float, float]

_MOST_CELLS = 2**24


@dataclass(frozen=True, slots=True)
class TriangleGrid:
    """Triangles by the cells that their boxes meet.

    Parameters
    ----------
    triangles : ndarray of float64, shape (n_faces, 3, 3)
        Corners.
    faces : ndarray of int64, shape (n_faces, 3)
        Vertex numbers.
    low : ndarray of float64, shape (3,)
        Low corner of the grid.
    cell : float
        Edge of a cell.
    counts : ndarray of int64, shape (3,)
        Cells along each axis.
    starts, members : ndarray of int64
        `members[starts[i]:starts[i + 1]]` are the triangles of cell i.
    """

    triangles: NDArray[np.float64]
    faces: Faces
    low: Points
    cell: float
    counts: NDArray[np.int64]
    starts: NDArray[np.int64]
    members: NDArray[np.int64]


def sort_triangles(vertices: Points, faces: Faces) -> TriangleGrid:
    """Sort triangles into cells of about their own size.

    Parameters
    ----------
    vertices : ndarray of float64, shape (n, 3)
        Positions.
    faces : ndarray of int64, shape (n_faces, 3)
        Vertex numbers; at least one triangle.

    Returns
    -------
    TriangleGrid
        The grid; about 16 bytes a triangle and 8 a cell.
    """
    triangles = vertices[faces]
    low, high = triangles.min((0, 1)), triangles.max((0, 1))
    extent = float((triangles.max(1) - triangles.min(1)).max(1).mean())
    # Cells are no smaller than what keeps their number in bounds.
    cell = max(extent, float((np.prod(high - low + extent) / _MOST_CELLS) ** (1 / 3)), 1e-300)
    counts = np.floor((high - low) / cell).astype(np.int64) + 1
    starts, members = _fill(triangles, low, cell, counts)
    return TriangleGrid(triangles, faces, low, cell, counts, starts, members)


def distances_to(grid: TriangleGrid, points: Points) -> Points:
    """Return the distance of points from the nearest triangle.

    Parameters
    ----------
    grid : TriangleGrid
        The triangles.
    points : ndarray of float64, shape (n, 3)
        Points, not far outside the grid.

    Returns
    -------
    ndarray of float64, shape (n,)
        Distances.
    """
    out = np.empty(len(points))
    _nearest(
        points, grid.triangles, grid.low, grid.cell, grid.counts, grid.starts, grid.members, out
    )
    return out


def cast_rays(grid: TriangleGrid, points: Points, ways: Points) -> Points:
    """Return how far rays go until they meet the surface again.

    Parameters
    ----------
    grid : TriangleGrid
        The triangles.
    points : ndarray of float64, shape (n, 3)
        Starts, on the surface or inside.
    ways : ndarray of float64, shape (n, 3)
        Unit vectors.

    Returns
    -------
    ndarray of float64, shape (n,)
        Lengths; infinite where a ray meets nothing.
    """
    out = np.empty(len(points))
    _cast(
        points,
        ways,
        grid.triangles,
        grid.low,
        grid.cell,
        grid.counts,
        grid.starts,
        grid.members,
        out,
    )
    return out


def find_crossings(grid: TriangleGrid) -> NDArray[np.int64]:
    """Return the pairs of triangles that cross each other.

    Two triangles cross where an edge of one pierces the other; neighbours along an edge, where
    they fold back onto each other.  Touching in one plane without crossing does not count.

    Parameters
    ----------
    grid : TriangleGrid
        The triangles of one surface.

    Returns
    -------
    ndarray of int64, shape (n, 2)
        Pairs of faces.
    """
    return _crossings(
        grid.triangles, grid.faces, grid.low, grid.cell, grid.counts, grid.starts, grid.members
    )


@njit(nogil=True, cache=True)
def _cells(t: Points, low: Points, cell: float, counts: NDArray[np.int64], out: Faces) -> None:
    """Fill the first and last cell along each axis that the box of a triangle meets."""
    for k in range(3):
        a = min(t[0, k], t[1, k], t[2, k])
        b = max(t[0, k], t[1, k], t[2, k])
        out[0, k] = min(max(int((a - low[k]) / cell), 0), counts[k] - 1)
        out[1, k] = min(max(int((b - low[k]) / cell), 0), counts[k] - 1)


@njit(nogil=True, cache=True)
def _fill(
    triangles: NDArray[np.float64], low: Points, cell: float, counts: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    starts = np.zeros(counts[0] * counts[1] * counts[2] + 1, np.int64)
    span = np.empty((2, 3), np.int64)
    for f in range(len(triangles)):
        _cells(triangles[f], low, cell, counts, span)
        for i in range(span[0, 0], span[1, 0] + 1):
            for j in range(span[0, 1], span[1, 1] + 1):
                for k in range(span[0, 2], span[1, 2] + 1):
                    starts[(i * counts[1] + j) * counts[2] + k + 1] += 1
    starts = np.cumsum(starts)
    members = np.empty(starts[-1], np.int64)
    free = starts.copy()
    for f in range(len(triangles)):
        _cells(triangles[f], low, cell, counts, span)
        for i in range(span[0, 0], span[1, 0] + 1):
            for j in range(span[0, 1], span[1, 1] + 1):
                for k in range(span[0, 2], span[1, 2] + 1):
                    at = (i * counts[1] + j) * counts[2] + k
                    members[free[at]] = f
                    free[at] += 1
    return starts, members


@njit(nogil=True, cache=True)
def _row(t: Points, i: int) -> Vector:
    return (t[i, 0], t[i, 1], t[i, 2])


@njit(nogil=True, cache=True)
def _minus(a: Vector, b: Vector) -> Vector:
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


@njit(nogil=True, cache=True)
def _dot(a: Vector, b: Vector) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@njit(nogil=True, cache=True)
def _cross(a: Vector, b: Vector) -> Vector:
    return (
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    )


@njit(nogil=True, cache=True)
def _beside(a: Vector, b: Vector, s: float) -> float:
    """Squared length of a - s b."""
    x, y, z = a[0] - s * b[0], a[1] - s * b[1], a[2] - s * b[2]
    return x * x + y * y + z * z


@njit(nogil=True, cache=True)
def square_distance(p: Vector, t: Points) -> float:
    """Squared distance of a point from a triangle (regions as in Ericson 2005, section 5.1.5)."""
    a, b, c = _row(t, 0), _row(t, 1), _row(t, 2)
    ab, ac, ap = _minus(b, a), _minus(c, a), _minus(p, a)
    d1, d2 = _dot(ab, ap), _dot(ac, ap)
    if d1 <= 0.0 and d2 <= 0.0:
        return _dot(ap, ap)
    bp = _minus(p, b)
    d3, d4 = _dot(ab, bp), _dot(ac, bp)
    if d3 >= 0.0 and d4 <= d3:
        return _dot(bp, bp)
    cp = _minus(p, c)
    d5, d6 = _dot(ab, cp), _dot(ac, cp)
    if d6 >= 0.0 and d5 <= d6:
        return _dot(cp, cp)
    if d1 * d4 - d3 * d2 <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
        return _beside(ap, ab, d1 / (d1 - d3))
    if d5 * d2 - d1 * d6 <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
        return _beside(ap, ac, d2 / (d2 - d6))
    if d3 * d6 - d5 * d4 <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0:
        return _beside(bp, _minus(c, b), (d4 - d3) / ((d4 - d3) + (d5 - d6)))
    normal = _cross(ab, ac)
    size = _dot(normal, normal)
    height = _dot(ap, normal)
    return height * height / size if size > 0.0 else _dot(ap, ap)


@njit(nogil=True, cache=True)
def _nearest(
    points: Points,
    triangles: NDArray[np.float64],
    low: Points,
    cell: float,
    counts: NDArray[np.int64],
    starts: NDArray[np.int64],
    members: NDArray[np.int64],
    out: Points,
) -> None:
    at = np.empty(3, np.int64)
    most = max(counts[0], counts[1], counts[2])
    for n in range(len(points)):
        p = _row(points, n)
        # Distance from p to the cell it is counted to: 0 inside the grid.
        beyond = 0.0
        for k in range(3):
            at[k] = min(max(int((p[k] - low[k]) / cell), 0), counts[k] - 1)
            beyond = max(beyond, low[k] - p[k], p[k] - low[k] - counts[k] * cell)
        best = np.inf
        for r in range(most + 1):
            # Shells up to r hold everything nearer than (r - beyond) cells.
            nearest = (r - 1) * cell - beyond
            if nearest > 0.0 and best <= nearest * nearest:
                break
            for i in range(max(at[0] - r, 0), min(at[0] + r, counts[0] - 1) + 1):
                for j in range(max(at[1] - r, 0), min(at[1] + r, counts[1] - 1) + 1):
                    side = max(abs(i - at[0]), abs(j - at[1])) == r
                    for k in range(max(at[2] - r, 0), min(at[2] + r, counts[2] - 1) + 1):
                        if not side and abs(k - at[2]) != r:
                            continue
                        c = (i * counts[1] + j) * counts[2] + k
                        for m in range(starts[c], starts[c + 1]):
                            best = min(best, square_distance(p, triangles[members[m]]))
        out[n] = np.sqrt(best)


@njit(nogil=True, cache=True)
def _hit(p: Vector, way: Vector, t: Points) -> float:
    """Return where along p + s way a triangle lies, NaN if nowhere (Moeller and Trumbore 1997)."""
    a = _row(t, 0)
    e1, e2 = _minus(_row(t, 1), a), _minus(_row(t, 2), a)
    normal = _cross(way, e2)
    det = _dot(e1, normal)
    if abs(det) < 1e-14 * np.sqrt(_dot(way, way) * _dot(e1, e1) * _dot(e2, e2)):
        return np.nan
    away = _minus(p, a)
    u = _dot(away, normal) / det
    if u < 0.0 or u > 1.0:
        return np.nan
    turned = _cross(away, e1)
    v = _dot(way, turned) / det
    if v < 0.0 or u + v > 1.0:
        return np.nan
    return _dot(e2, turned) / det


@njit(nogil=True, cache=True)
def _pierces(s: Points, i: int, j: int, t: Points) -> bool:
    """Tell whether the edge from corner i to j of one triangle passes through another."""
    p = _row(s, i)
    at = _hit(p, _minus(_row(s, j), p), t)
    return at >= 0.0 and at <= 1.0


@njit(nogil=True, cache=True)
def _meet(f: int, g: int, triangles: NDArray[np.float64], faces: Faces) -> bool:
    a, b = triangles[f], triangles[g]
    shared = 0
    i_own, j_own = 0, 0
    for i in range(3):
        for j in range(3):
            if faces[f, i] == faces[g, j]:
                shared += 1
                i_own, j_own = i, j
    if shared == 0:
        for i in range(3):
            if _pierces(a, i, (i + 1) % 3, b) or _pierces(b, i, (i + 1) % 3, a):
                return True
        return False
    if shared == 1:
        return _pierces(a, (i_own + 1) % 3, (i_own + 2) % 3, b) or _pierces(
            b, (j_own + 1) % 3, (j_own + 2) % 3, a
        )
    m = _cross(_minus(_row(a, 1), _row(a, 0)), _minus(_row(a, 2), _row(a, 0)))
    n = _cross(_minus(_row(b, 1), _row(b, 0)), _minus(_row(b, 2), _row(b, 0)))
    folded: bool = _dot(m, n) < -0.9999999 * np.sqrt(_dot(m, m) * _dot(n, n))
    return folded


@njit(nogil=True, cache=True)
def _apart(a: Points, b: Points) -> bool:
    for d in range(3):
        if max(a[0, d], a[1, d], a[2, d]) < min(b[0, d], b[1, d], b[2, d]):
            return True
        if max(b[0, d], b[1, d], b[2, d]) < min(a[0, d], a[1, d], a[2, d]):
            return True
    return False


@njit(nogil=True, cache=True)
def _cast(
    points: Points,
    ways: Points,
    triangles: NDArray[np.float64],
    low: Points,
    cell: float,
    counts: NDArray[np.int64],
    starts: NDArray[np.int64],
    members: NDArray[np.int64],
    out: Points,
) -> None:
    longest = cell * (counts[0] + counts[1] + counts[2])
    for n in range(len(points)):
        p, way = _row(points, n), _row(ways, n)
        best, gone, last = np.inf, 0.0, -1
        # Steps of a quarter of a cell miss no more than a cell's clipped corner.
        while gone < longest and best > gone:
            at, inside = 0, True
            for k in range(3):
                i = int(np.floor((p[k] + gone * way[k] - low[k]) / cell))
                inside &= 0 <= i < counts[k]
                at = at * counts[k] + i
            if not inside and gone > cell:
                break
            if inside and at != last:
                last = at
                for m in range(starts[at], starts[at + 1]):
                    s = _hit(p, way, triangles[members[m]])
                    # The triangles at the point itself are no hit.
                    if s > 1e-6 * cell and s < best:
                        best = s
            gone += 0.25 * cell
        out[n] = best


@njit(nogil=True, cache=True)
def _crossings(
    triangles: NDArray[np.float64],
    faces: Faces,
    low: Points,
    cell: float,
    counts: NDArray[np.int64],
    starts: NDArray[np.int64],
    members: NDArray[np.int64],
) -> NDArray[np.int64]:
    found = []
    span_a, span_b = np.empty((2, 3), np.int64), np.empty((2, 3), np.int64)
    for c in range(len(starts) - 1):
        for m in range(starts[c], starts[c + 1]):
            f = members[m]
            _cells(triangles[f], low, cell, counts, span_a)
            for n in range(m + 1, starts[c + 1]):
                g = members[n]
                _cells(triangles[g], low, cell, counts, span_b)
                # A pair that shares several cells is looked at in the first of them.
                i = max(span_a[0, 0], span_b[0, 0])
                j = max(span_a[0, 1], span_b[0, 1])
                k = max(span_a[0, 2], span_b[0, 2])
                if (i * counts[1] + j) * counts[2] + k != c:
                    continue
                if not _apart(triangles[f], triangles[g]) and _meet(f, g, triangles, faces):
                    found.append((f, g))
    out = np.empty((len(found), 2), np.int64)
    for m in range(len(found)):
        out[m, 0], out[m, 1] = found[m]
    return out
