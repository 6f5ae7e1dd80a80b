"""Mean curvature of labelled bodies with 26 neighbours, from the whole volume; classes of shape.

Euler numbers of plane sections from their points, edges, triangles and tetrahedra.
"""

from __future__ import annotations

import math
from itertools import product

import numpy as np
from numpy.typing import NDArray

from pipeline.verify.bodies import PUBLISHED_WEIGHTS
from pipeline.verify.references import Labels, Reals
from pipeline.verify.volumes import Edges

Step = tuple[int, int, int]


def curvature_whole(labels: Labels, voxel_um: Edges) -> Reals:
    """Return the integral of mean curvature of every body of a lattice of cubic voxels.

    Parameters
    ----------
    labels : ndarray of int
        Ids from 1, without gaps.
    voxel_um : tuple of float
        Edge lengths of a voxel, all equal.

    Returns
    -------
    ndarray of float64
        Integrals in um.
    """
    padded = np.pad(labels, 1)
    n = int(labels.max())
    total = np.zeros(n)
    for z, y, x in product((-1, 0, 1), repeat=3):
        normal = (z, y, x)
        rank = sum(map(abs, normal))
        if rank == 0:
            continue
        euler = _triangular(padded, normal, n) if rank == 3 else _rectangular(padded, normal, n)
        # Planes of a normal (h k l) lie 1 / sqrt(h^2 + k^2 + l^2) apart.
        total += PUBLISHED_WEIGHTS[rank] / np.sqrt(rank) * euler
    return 2 * np.pi * total * voxel_um[0]


def _count(labels: Labels, n: int, steps: list[Step]) -> NDArray[np.int64]:
    """Count the places from which all steps lead to voxels of one body."""
    same = labels > 0
    for step in steps:
        moved = np.roll(labels, tuple(-s for s in step), (0, 1, 2))
        same &= moved == labels
    return np.bincount(labels[same], minlength=n + 1)[1:]


def _triangular(labels: Labels, normal: Step, n: int) -> NDArray[np.int64]:
    """Return Euler numbers of sections along a space diagonal: corners, edges, triangles."""
    z, y, x = normal
    a, b = (z, -y, 0), (z, 0, -x)
    c = (0, y, -x)
    edges = sum(_count(labels, n, [step]) for step in (a, b, c))
    triangles = _count(labels, n, [a, b]) + _count(labels, n, [b, c])
    return np.asarray(_count(labels, n, []) - edges + triangles)


def _rectangular(labels: Labels, normal: Step, n: int) -> Reals:
    """Return the mean of the Euler numbers with 4 and with 8 neighbours in the plane."""
    axes = [i for i in range(3) if normal[i] == 0]
    u = [0, 0, 0]
    u[axes[0]] = 1
    v = [0, 0, 0]
    if len(axes) == 2:
        v[axes[1]] = 1
    else:
        p, q = (i for i in range(3) if normal[i])
        v[p], v[q] = normal[p], -normal[q]
    one, two = (u[0], u[1], u[2]), (v[0], v[1], v[2])
    both = (u[0] + v[0], u[1] + v[1], u[2] + v[2])
    less = (u[0] - v[0], u[1] - v[1], u[2] - v[2])
    points = _count(labels, n, [])
    edges = _count(labels, n, [one]) + _count(labels, n, [two])
    full = _count(labels, n, [one, two, both])
    diagonals = _count(labels, n, [both]) + _count(labels, n, [less])
    last = (v[0] - u[0], v[1] - u[1], v[2] - u[2])
    triples = sum(
        _count(labels, n, steps) for steps in ([one, two], [one, both], [two, both], [two, last])
    )
    # With 4 neighbours points - edges + squares; with 8 points - edges - diagonals + triangles -
    # squares, each a tetrahedron of points that all touch.
    by_four = points - edges + full
    by_eight = points - edges - diagonals + triples - full
    return np.asarray((by_four + by_eight) / 2.0)


def class_of(
    solidity: float, n_tunnels: float, elongation: float, flatness: float
) -> tuple[str, float]:
    """Return the shape class of one particle and its margin, by the catalogue's definition."""
    fill = math.log(solidity / 0.4)
    if fill < 0:
        name = "network" if n_tunnels >= 2 else "branched"
        return name, min(-fill, abs(n_tunnels - 1.5))
    longer, flatter = math.log(1.5 * elongation), math.log(1.5 * flatness)
    if longer >= 0 and flatter >= 0:
        return "compact", min(fill, longer, flatter)
    name = "platelet" if flatter < longer else "needle"
    return name, min(fill, -min(longer, flatter), abs(longer - flatter))
