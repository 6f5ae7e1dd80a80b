"""Smoothing of closed triangle surfaces that moves no volume: edge by edge, within bounds.

Each step moves the two ends of an edge towards the means of their neighbours, and both together
along their normal by just so much that the enclosed volume stays what it was (Kuprat, Khamayseh,
George and Larkey 2001, J. Comput. Phys. 172, 99-118, "Volume conserving smoothing for piecewise
linear curves, surfaces, and triple lines").  So bumps even out into their own surroundings, and a
thin plate neither thins nor loses its rim, as it does under plain or low-pass averaging.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Points = NDArray[np.float64]
Faces = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Rings:
    """How the triangles of a closed surface hang together.

    Parameters
    ----------
    starts, corners : ndarray of int64
        `corners[starts[v]:starts[v + 1]]` are pairs (b, c), one a triangle (v, b, c) at vertex v.
    edges : ndarray of int64, shape (n_edges, 4)
        Ends (a, b) of each edge, then the third corner of the triangle that runs a to b, then that
        of the one that runs b to a.
    """

    starts: NDArray[np.int64]
    corners: NDArray[np.int64]
    edges: NDArray[np.int64]


def find_rings(faces: Faces, n_vertices: int) -> Rings:
    """Return how the triangles of a closed surface hang together.

    Parameters
    ----------
    faces : ndarray of int64, shape (n_faces, 3)
        Corners of triangles; every edge belongs to two of them, once in each direction.
    n_vertices : int
        Number of vertices.

    Returns
    -------
    Rings
        Triangles at each vertex, edges with the corners opposite.

    Raises
    ------
    ValueError
        If an edge does not belong to two triangles, once in each direction.
    """
    around = np.concatenate([faces, np.roll(faces, -1, 1), np.roll(faces, -2, 1)])
    order = np.argsort(around[:, 0], kind="stable")
    starts = np.searchsorted(around[order, 0], np.arange(n_vertices + 1))
    key = around[:, 0] * n_vertices + around[:, 1]
    back = around[:, 1] * n_vertices + around[:, 0]
    by_key = np.argsort(key, kind="stable")
    ordered = key[by_key]
    at = np.minimum(np.searchsorted(ordered, back), max(ordered.size - 1, 0))
    if ordered.size and ((ordered[at] != back).any() or (ordered[1:] == ordered[:-1]).any()):
        raise ValueError("an edge does not belong to two triangles")
    once = around[:, 0] < around[:, 1]
    edges = np.column_stack([around[once], around[by_key[at[once]], 2]])
    edges = edges[np.argsort(key[once], kind="stable")]
    return Rings(starts.astype(np.int64), np.ascontiguousarray(around[order, 1:]), edges)


def relax_surface_(
    vertices: Points, rings: Rings, home: Points, reach: Points, n_sweeps: int, step: float = 0.5
) -> None:
    """Smooth a closed surface in place; its volume stays the same to rounding.

    Parameters
    ----------
    vertices : ndarray of float64, shape (n, 3)
        Positions, changed in place.
    rings : Rings
        How the triangles hang together.
    home : ndarray of float64, shape (n, 3)
        Where each vertex belongs.
    reach : ndarray of float64, shape (n, 3)
        How far it may go from there along each axis; 0 keeps it where it is.  A step that would go
        further is left out.
    n_sweeps : int
        Passes over all edges, to and fro.
    step : float
        Share of the way to the mean of the neighbours.
    """
    for sweep in range(n_sweeps):
        _sweep(
            vertices, rings.starts, rings.corners, rings.edges, home, reach, step, sweep % 2 == 1
        )


@njit(nogil=True, cache=True)
def _pull(
    x: Points, v: int, starts: NDArray[np.int64], corners: Faces, step: float, out: Points
) -> None:
    """Fill row 0 of `out` with the way towards the neighbours' mean, row 1 with twice the area."""
    out[:] = 0.0
    n = starts[v + 1] - starts[v]
    for i in range(starts[v], starts[v + 1]):
        b, c = corners[i, 0], corners[i, 1]
        b0, b1, b2 = x[b, 0] - x[v, 0], x[b, 1] - x[v, 1], x[b, 2] - x[v, 2]
        c0, c1, c2 = x[c, 0] - x[v, 0], x[c, 1] - x[v, 1], x[c, 2] - x[v, 2]
        # Every neighbour is met in two triangles.
        out[0, 0] += 0.5 * step * (b0 + c0) / n
        out[0, 1] += 0.5 * step * (b1 + c1) / n
        out[0, 2] += 0.5 * step * (b2 + c2) / n
        out[1, 0] += b1 * c2 - b2 * c1
        out[1, 1] += b2 * c0 - b0 * c2
        out[1, 2] += b0 * c1 - b1 * c0


@njit(nogil=True, cache=True)
def _sweep(
    x: Points,
    starts: NDArray[np.int64],
    corners: Faces,
    edges: NDArray[np.int64],
    home: Points,
    reach: Points,
    step: float,
    backwards: bool,
) -> None:
    p, q, n, w = np.empty((2, 3)), np.empty((2, 3)), np.empty(3), np.empty(3)
    for i in range(len(edges)):
        a, b, c, d = edges[len(edges) - 1 - i] if backwards else edges[i]
        _pull(x, a, starts, corners, step, p)
        _pull(x, b, starts, corners, step, q)
        size = 0.0
        for k in range(3):
            n[k] = p[1, k] + q[1, k]
            size += n[k] * n[k]
            w[k] = x[d, k] - x[c, k]
        if size == 0.0:
            continue
        for k in range(3):
            n[k] /= np.sqrt(size)
        # Six times the change of volume is f + h g, with h the way along n of both ends.
        f, g = 0.0, 0.0
        for k in range(3):
            k1, k2 = (k + 1) % 3, (k + 2) % 3
            pw = p[0, k1] * w[k2] - p[0, k2] * w[k1]
            nw = n[k1] * w[k2] - n[k2] * w[k1]
            f += p[0, k] * p[1, k] + q[0, k] * (q[1, k] + pw)
            g += n[k] * (p[1, k] + q[1, k] + pw) + nw * q[0, k]
        # Where the area almost vanishes seen along n, a volume would ask for a long way.
        if abs(g) < 0.2 * np.sqrt(size):
            continue
        h = -f / g
        inside = True
        for k in range(3):
            inside &= abs(x[a, k] + p[0, k] + h * n[k] - home[a, k]) <= reach[a, k]
            inside &= abs(x[b, k] + q[0, k] + h * n[k] - home[b, k]) <= reach[b, k]
        if inside:
            for k in range(3):
                x[a, k] += p[0, k] + h * n[k]
                x[b, k] += q[0, k] + h * n[k]
