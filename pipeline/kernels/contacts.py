"""Contacts: voxel faces between each body and whatever touches it, counted once, merged exactly.

Two voxels share a face or not; a face belongs to the tile whose core holds its lower voxel, so a
tile needs the layer above it that it labels anyway.  Faces towards the low side of the volume
belong to the tile that begins there.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.model.grid import Triple

Int64s = NDArray[np.int64]

N_KINDS = 256
"""Values of a phase map: what a face may look at."""


@dataclass(frozen=True, slots=True)
class Contacts:
    """Faces of bodies by what lies behind them.

    Parameters
    ----------
    body : ndarray of int64, shape (n,)
        Body that the faces belong to: local id in a tile, row once merged.
    other : ndarray of int64, shape (n,)
        Body behind them in the same numbering; in a tile 0, merged -1, where there is none.
    kind : ndarray of uint8, shape (n,)
        Value of the phase map behind them.
    faces : ndarray of int64, shape (n, 3)
        Faces across z, y and x.
    """

    body: Int64s
    other: Int64s
    kind: NDArray[np.uint8]
    faces: Int64s


def count_contacts(
    labels: NDArray[np.uint32],
    phases: NDArray[np.uint8],
    first: Triple,
    kind_of: NDArray[np.uint8],
) -> Contacts:
    """Count the faces of the bodies of a tile.

    Parameters
    ----------
    labels : ndarray of uint32, shape (cz + 2, cy + 2, cx + 2)
        Local ids of the core with one layer around it.
    phases : ndarray of uint8, same shape
        Phase map.
    first : tuple of int
        Lowest place of a face's lower voxel: 0 where the tile begins the volume, else 1.
    kind_of : ndarray of uint8, shape (n_bodies + 1,)
        Phase of each local id.

    Returns
    -------
    Contacts
        Sorted by body, kind and other.
    """
    known = np.flatnonzero(_find_kinds(phases)).astype(np.uint8)
    slot = np.zeros(N_KINDS, np.uint8)
    slot[known] = np.arange(known.size)
    table = np.zeros((kind_of.size, known.size, 3), np.int32)
    pairs = _count_faces(labels, phases, first, slot, table)
    body, place = np.nonzero(table.any(2))
    alone = Contacts(body, np.zeros_like(body), known[place], table[body, place].astype(np.int64))
    return _join([alone, *_unfold(pairs, kind_of)])


def _unfold(pairs: Int64s, kind_of: NDArray[np.uint8]) -> list[Contacts]:
    """Return both sides of faces between two bodies, given as (one, two, axis, faces)."""
    one, two, axis, n = pairs.T
    faces = np.zeros((len(pairs), 3), np.int64)
    faces[np.arange(len(pairs)), axis] = n
    return [Contacts(one, two, kind_of[two], faces), Contacts(two, one, kind_of[one], faces)]


def merge_contacts(tiles: Iterable[tuple[Contacts, Int64s]]) -> Contacts:
    """Return the contacts of particles from those of tiles.

    Parameters
    ----------
    tiles : iterable of tuple
        Contacts of a tile, and the row of each of its local ids from 1: -1 for bodies without one,
        whose own faces are left out, and which count as their phase where others touch them.

    Returns
    -------
    Contacts
        Sorted by row, kind and other row.
    """
    named = []
    for tile, rows in tiles:
        # Place 0 stands for no body.
        table = np.concatenate([[-1], rows])
        body = table[tile.body]
        kept = body >= 0
        named.append(
            Contacts(body[kept], table[tile.other[kept]], tile.kind[kept], tile.faces[kept])
        )
    return _join(named)


def _join(parts: list[Contacts]) -> Contacts:
    """Sort contacts and add up those of one body, kind and other."""
    body = np.concatenate([p.body for p in parts])
    other = np.concatenate([p.other for p in parts])
    kind = np.concatenate([p.kind for p in parts])
    faces = np.concatenate([p.faces for p in parts])
    order = np.lexsort((other, kind, body))
    body, other, kind, faces = body[order], other[order], kind[order], faces[order]
    new = np.ones(body.size, np.bool_)
    new[1:] = (body[1:] != body[:-1]) | (other[1:] != other[:-1]) | (kind[1:] != kind[:-1])
    starts = np.flatnonzero(new)
    total = np.add.reduceat(faces, starts, axis=0) if starts.size else faces
    return Contacts(body[starts], other[starts], kind[starts], total)


def measure_contacts(faces: Int64s, voxel_um: tuple[float, float, float]) -> NDArray[np.float64]:
    """Return areas of contact from counts of faces.

    Parameters
    ----------
    faces : ndarray of int64, shape (n, 3)
        Faces across z, y and x.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).

    Returns
    -------
    ndarray of float64, shape (n,)
        Two thirds of the faces' area: Crofton's formula for the three axes, right in the mean of
        all directions, 2/3 of a plane along the lattice and 15 % too large across its diagonal.

    Examples
    --------
    >>> measure_contacts(np.array([[3, 0, 0]]), (1.0, 1.0, 1.0)).tolist()
    [2.0]
    """
    z, y, x = voxel_um
    area = faces[:, 0] * (y * x) + faces[:, 1] * (z * x) + faces[:, 2] * (z * y)
    return np.asarray(area * 2.0 / 3.0)


@njit(nogil=True, cache=True)
def _find_kinds(phases: NDArray[np.uint8]) -> NDArray[np.bool_]:
    found = np.zeros(256, np.bool_)
    for z in range(phases.shape[0]):
        for y in range(phases.shape[1]):
            for x in range(phases.shape[2]):
                found[phases[z, y, x]] = True
    return found


@njit(nogil=True, cache=True)
def _count_faces(
    labels: NDArray[np.uint32], phases: NDArray[np.uint8], first: Triple,
    slot: NDArray[np.uint8], table: NDArray[np.int32],
) -> Int64s:  # fmt: skip
    """Count faces towards no body into a table; list those between two, equal neighbours as one."""
    nz, ny, nx = labels.shape
    pairs = np.empty((1024, 4), np.int64)
    # The last entry of each axis: along x neighbours mostly repeat it.
    last = np.full(3, -1, np.int64)
    n = 0
    for z in range(first[0], nz - 1):
        for y in range(first[1], ny - 1):
            here = labels[z, y]
            for x in range(first[2], nx - 1):
                a = here[x]
                # The next in z, y, x.
                b, c, d = labels[z + 1, y, x], labels[z, y + 1, x], here[x + 1]
                if a == b and a == c and a == d:
                    continue
                n, pairs = _add_faces(phases, z, y, x, a, (b, c, d), slot, table, pairs, n, last)
    return pairs[:n].copy()


@njit(nogil=True, cache=True)
def _add_faces(
    phases: NDArray[np.uint8], z: int, y: int, x: int, a: int, beyond: Triple,
    slot: NDArray[np.uint8], table: NDArray[np.int32], pairs: Int64s, n: int, last: Int64s,
) -> tuple[int, Int64s]:  # fmt: skip
    """Count the faces of one voxel with the next along each axis."""
    for axis in range(3):
        o = beyond[axis]
        if o == a:
            continue
        if a == 0:
            table[o, slot[phases[z, y, x]], axis] += 1
            continue
        if o == 0:
            p = phases[z + (axis == 0), y + (axis == 1), x + (axis == 2)]
            table[a, slot[p], axis] += 1
            continue
        low, high = min(a, o), max(a, o)
        k = last[axis]
        if k >= 0 and pairs[k, 0] == low and pairs[k, 1] == high:
            pairs[k, 3] += 1
            continue
        if n == pairs.shape[0]:
            larger = np.empty((2 * n, 4), np.int64)
            larger[:n] = pairs
            pairs = larger
        pairs[n, 0], pairs[n, 1], pairs[n, 2], pairs[n, 3] = low, high, axis, 1
        last[axis] = n
        n += 1
    return n, pairs
