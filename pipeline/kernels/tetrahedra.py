"""Tetrahedra of a box of voxels with a region each: bodies embedded in what is around them.

Every voxel is cut into six tetrahedra along the same diagonal (Kuhn 1960, Freudenthal 1942), so
that neighbours fit face to face and regions share the nodes between them: there are no gaps by
construction.  The nodes between regions are then moved towards their neighbours there, to and fro
(Taubin 1995, SIGGRAPH, 351-358), as far as no tetrahedron gets thin and none goes half a voxel.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Points = NDArray[np.float64]
Cells = NDArray[np.int64]

BYTES_A_VOXEL = 2000
"""Memory of cutting a voxel into tetrahedra and smoothing."""

_TO, _FRO = 0.5, -0.505
_FARTHEST = 0.45
_LEAST_VOLUME = 0.15
"""Least volume of a tetrahedron over that of the six equal ones of a voxel."""

SIDES = ("z low", "z high", "y low", "y high", "x low", "x high")
"""Names of the faces of the box, in the order of their numbers."""


@dataclass(frozen=True, slots=True)
class TetMesh:
    """Tetrahedra with a region each, and the surfaces between regions and around them.

    Parameters
    ----------
    vertices : ndarray of float64, shape (n, 3)
        Nodes (x, y, z) in um.
    tetrahedra : ndarray of int64, shape (n_tetrahedra, 4)
        Nodes, of positive volume.
    regions : ndarray of uint8, shape (n_tetrahedra,)
        Region of each.
    triangles : ndarray of int64, shape (n_triangles, 3)
        Faces between two regions, then faces of the box.
    sides : ndarray of int64, shape (n_triangles, 2)
        Regions on both sides, the smaller first; at the box -1 - its number in `SIDES`, region.
    """

    vertices: Points
    tetrahedra: Cells
    regions: NDArray[np.uint8]
    triangles: Cells
    sides: Cells

    @property
    def volumes_um3(self) -> Points:
        """Volume of each tetrahedron in um3."""
        a, b, c, d = (self.vertices[self.tetrahedra[:, k]] for k in range(4))
        return np.asarray(np.einsum("ij,ij->i", np.cross(b - a, c - a), d - a) / 6)

    @property
    def areas_um2(self) -> Points:
        """Area of each triangle in um2."""
        a, b, c = (self.vertices[self.triangles[:, k]] for k in range(3))
        return np.asarray(np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2)


def mesh_regions(
    regions: NDArray[np.uint8],
    voxel_um: tuple[float, float, float],
    origin_um: tuple[float, float, float] = (0.0, 0.0, 0.0),
    n_sweeps: int = 3,
) -> TetMesh:
    """Return the tetrahedra of a box of voxels.

    Parameters
    ----------
    regions : ndarray of uint8, shape (z, y, x)
        Region of each voxel.
    voxel_um : tuple of float
        Edges of a voxel, (z, y, x).
    origin_um : tuple of float
        Low corner of the box, (z, y, x).
    n_sweeps : int
        Passes of smoothing of the surfaces between regions; 0 leaves whole voxels.

    Returns
    -------
    TetMesh
        Six tetrahedra a voxel.
    """
    shape = np.array(regions.shape) + 1
    numbers = np.arange(shape.prod()).reshape(shape)
    corners = np.stack(np.unravel_index(np.arange(shape.prod()), tuple(shape)), 1)
    home = corners * np.array(voxel_um)
    tetrahedra = _cut(numbers)
    triangles, sides = _between(numbers, regions)
    n_inner = len(triangles)
    walls, beside = _around(numbers, regions)
    moved = home.copy()
    fixed = ((corners == 0) | (corners == shape - 1)).any(1)
    _smooth(
        moved, home, tetrahedra, triangles[:n_inner], fixed, np.array(voxel_um, float), n_sweeps
    )
    return TetMesh(
        vertices=moved[:, ::-1] + np.array(origin_um[::-1]),
        # (x, y, z) mirrors (z, y, x): two nodes change places.
        tetrahedra=np.ascontiguousarray(tetrahedra[:, [0, 2, 1, 3]]),
        regions=np.repeat(regions.ravel(), 6),
        triangles=np.concatenate([triangles, walls]),
        sides=np.concatenate([sides, beside]),
    )


def _cut(numbers: Cells) -> Cells:
    """Return six tetrahedra a voxel, voxel by voxel, of positive volume in (z, y, x)."""
    out = []
    for order in permutations(range(3)):
        steps = [np.zeros(3, np.int64)]
        for axis in order:
            steps.append(steps[-1] + np.eye(3, dtype=np.int64)[axis])
        nodes = [_corner(numbers, step).ravel() for step in steps]
        if np.linalg.det(np.eye(3)[list(order)]) < 0:
            nodes[1], nodes[2] = nodes[2], nodes[1]
        out.append(np.stack(nodes, 1))
    return np.stack(out, 1).reshape(-1, 4)


def _corner(numbers: Cells, step: NDArray[np.int64]) -> Cells:
    """Return the node at one corner of every voxel."""
    z, y, x = (int(s) for s in step)
    nz, ny, nx = numbers.shape
    return numbers[z : nz - 1 + z, y : ny - 1 + y, x : nx - 1 + x]


def _halves(numbers: Cells, axis: int, where: NDArray[np.bool_]) -> Cells:
    """Return both triangles of the low faces across an axis of the voxels marked."""
    one, two = (np.eye(3, dtype=np.int64)[k] for k in range(3) if k != axis)
    pick = [_wide(numbers, axis, step)[where] for step in (0 * one, one, one + two, two)]
    a, b, c, d = pick
    return np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])


def _wide(numbers: Cells, axis: int, step: NDArray[np.int64]) -> Cells:
    """Return the node at one corner of every face across an axis, the last one too."""
    index = [slice(int(s), n - 1 + int(s)) for s, n in zip(step, numbers.shape, strict=True)]
    index[axis] = slice(None)
    return numbers[tuple(index)]


def _between(numbers: Cells, regions: NDArray[np.uint8]) -> tuple[Cells, Cells]:
    """Return the triangles between different regions, and both regions of each."""
    triangles, sides = [], []
    for axis in range(3):
        low = np.take(regions, range(regions.shape[axis] - 1), axis).astype(np.int64)
        high = np.take(regions, range(1, regions.shape[axis]), axis).astype(np.int64)
        where = np.zeros([n + (k == axis) for k, n in enumerate(regions.shape)], np.bool_)
        inner = [slice(None)] * 3
        inner[axis] = slice(1, -1)
        where[tuple(inner)] = low != high
        pairs = np.sort(np.stack([low, high], -1)[low != high], axis=1)
        triangles.append(_halves(numbers, axis, where))
        sides.append(np.concatenate([pairs, pairs]))
    return np.concatenate(triangles), np.concatenate(sides)


def _around(numbers: Cells, regions: NDArray[np.uint8]) -> tuple[Cells, Cells]:
    """Return the triangles of the faces of the box, with face and region of each."""
    triangles, sides = [], []
    for number in range(6):
        axis, high = divmod(number, 2)
        where = np.zeros([n + (k == axis) for k, n in enumerate(regions.shape)], np.bool_)
        index: list[slice | int] = [slice(None)] * 3
        index[axis] = -high
        where[tuple(index)] = True
        region = regions[tuple(index)].ravel().astype(np.int64)
        pair = np.stack([np.full(len(region), -1 - number), region], 1)
        triangles.append(_halves(numbers, axis, where))
        sides.append(np.concatenate([pair, pair]))
    return np.concatenate(triangles), np.concatenate(sides)


def _lists(keys: Cells, values: Cells, n: int) -> tuple[Cells, Cells]:
    """Return values by key: those of key i are `out[starts[i]:starts[i + 1]]`."""
    order = np.argsort(keys, kind="stable")
    return np.searchsorted(keys[order], np.arange(n + 1)), values[order]


def _smooth(
    x: Points,
    home: Points,
    tetrahedra: Cells,
    triangles: Cells,
    fixed: NDArray[np.bool_],
    edges: Points,
    n_sweeps: int,
) -> None:
    nodes = np.unique(triangles)
    nodes = nodes[~fixed[nodes]]
    pairs = np.concatenate([triangles[:, k] for k in ([0, 1], [1, 2], [2, 0])])
    pairs = np.unique(np.sort(pairs, axis=1), axis=0)
    pairs = np.concatenate([pairs, pairs[:, ::-1]])
    starts, others = _lists(pairs[:, 0], pairs[:, 1], len(x))
    touched = np.zeros(len(x), np.bool_)
    touched[nodes] = True
    near = tetrahedra[touched[tetrahedra].any(1)]
    of = np.repeat(np.arange(len(near)), 4)
    cell_starts, cells = _lists(near.ravel(), of, len(x))
    least = _LEAST_VOLUME * float(edges.prod())  # six times the volume of a sixth
    for _ in range(n_sweeps):
        for share in (_TO, _FRO):
            _pass(
                x,
                home,
                nodes,
                starts,
                others,
                near,
                cell_starts,
                cells,
                _FARTHEST * edges,
                share,
                least,
            )


@njit(nogil=True, cache=True)
def _six_volumes(x: Points, t: Cells) -> float:
    a, b, c, d = t[0], t[1], t[2], t[3]
    p0, p1, p2 = x[b, 0] - x[a, 0], x[b, 1] - x[a, 1], x[b, 2] - x[a, 2]
    q0, q1, q2 = x[c, 0] - x[a, 0], x[c, 1] - x[a, 1], x[c, 2] - x[a, 2]
    r0, r1, r2 = x[d, 0] - x[a, 0], x[d, 1] - x[a, 1], x[d, 2] - x[a, 2]
    volume: float = (p1 * q2 - p2 * q1) * r0 + (p2 * q0 - p0 * q2) * r1
    volume += (p0 * q1 - p1 * q0) * r2
    return volume


@njit(nogil=True, cache=True)
def _pass(
    x: Points,
    home: Points,
    nodes: Cells,
    starts: Cells,
    others: Cells,
    near: Cells,
    cell_starts: Cells,
    cells: Cells,
    farthest: Points,
    share: float,
    least: float,
) -> None:
    way, old = np.zeros((len(nodes), 3)), np.empty(3)
    for i in range(len(nodes)):
        v = nodes[i]
        n = starts[v + 1] - starts[v]
        for j in range(starts[v], starts[v + 1]):
            for k in range(3):
                way[i, k] += share * (x[others[j], k] - x[v, k]) / n
    for i in range(len(nodes)):
        v = nodes[i]
        for k in range(3):
            old[k] = x[v, k]
            to = x[v, k] + way[i, k]
            x[v, k] = min(max(to, home[v, k] - farthest[k]), home[v, k] + farthest[k])
        for j in range(cell_starts[v], cell_starts[v + 1]):
            if _six_volumes(x, near[cells[j]]) < least:
                for k in range(3):
                    x[v, k] = old[k]
                break
