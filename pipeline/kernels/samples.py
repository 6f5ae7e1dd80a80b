"""Counts of a phase map on fixed blocks and over 13 directions: what scan statistics start from.

All are integers that add up over tiles.  Blocks belong to the volume, not to a tile, and a pair of
neighbours belongs to the tile that owns the lowest corner of the cell that holds it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.kernels.cells import DIRECTIONS
from pipeline.model.grid import Triple

_LOW = np.array([[max(-s, 0) for s in step] for step in DIRECTIONS], np.int64)
_HIGH = _LOW + np.array(DIRECTIONS, np.int64)


@dataclass(frozen=True, slots=True)
class TileSamples:
    """What one tile adds to the counts of its volume.

    Parameters
    ----------
    voxel_first, contact_first : tuple of int
        Position of the first block that the tile meets, on either grid.
    voxels : ndarray of int32, shape (z, y, x, n_phases)
        Voxels of each phase by block.
    contacts : ndarray of int64, shape (z, y, x, n_phases, n_phases)
        Faces between voxels of two phases, by block of contacts of the lower voxel; the phase of
        the lower voxel first.  The diagonal stays 0.
    pairs : ndarray of int64, shape (13, n_phases, n_phases)
        Pairs of voxels one step apart, both inside the specimen, by direction.
    """

    voxel_first: Triple
    contact_first: Triple
    voxels: NDArray[np.int32]
    contacts: NDArray[np.int64]
    pairs: NDArray[np.int64]


def fold_samples(
    phases: NDArray[np.uint8], origin: Triple, block: int, wide: int, n_phases: int
) -> TileSamples:
    """Count the voxels and neighbours of a tile.

    Parameters
    ----------
    phases : ndarray of uint8, shape (cz + 2, cy + 2, cx + 2)
        Phase map of the tile's core with one layer around it; values from `n_phases` on lie
        outside the specimen or beyond the volume, and are in no pair.
    origin : tuple of int
        First voxel of the core in the volume.
    block, wide : int
        Edges in voxels of the blocks of voxels and of contacts.
    n_phases : int
        Phases of the recipe.

    Returns
    -------
    TileSamples
        Counts to be added to the volume's from their first blocks on.
    """
    core = tuple(n - 2 for n in phases.shape)
    shapes = []
    for edge in (block, wide):
        ends = [(a + n - 1) // edge + 1 for a, n in zip(origin, core, strict=True)]
        shapes.append([b - a // edge for a, b in zip(origin, ends, strict=True)])
    voxels = np.zeros((*shapes[0], n_phases), np.int32)
    contacts = np.zeros((*shapes[1], n_phases, n_phases), np.int64)
    pairs = np.zeros((len(DIRECTIONS), n_phases, n_phases), np.int64)
    skip = (origin[0] % block, origin[1] % block, origin[2] % block)
    _count_voxels(phases, skip, block, n_phases, voxels)
    skip = (origin[0] % wide, origin[1] % wide, origin[2] % wide)
    _count_pairs(phases, skip, wide, n_phases, _LOW, _HIGH, pairs, contacts)
    # A cell of one phase adds one pair to every direction; mixed cells took theirs off.
    whole = voxels.reshape(-1, n_phases).sum(0, dtype=np.int64)
    for p in range(n_phases):
        pairs[:, p, p] += whole[p]
    first = [tuple(a // edge for a in origin) for edge in (block, wide)]
    return TileSamples(
        (first[0][0], first[0][1], first[0][2]),
        (first[1][0], first[1][1], first[1][2]),
        voxels,
        contacts,
        pairs,
    )


@njit(nogil=True, cache=True)
def _count_voxels(
    phases: NDArray[np.uint8],
    skip: Triple,
    block: int,
    n_phases: int,
    voxels: NDArray[np.int32],
) -> None:
    nz, ny, nx = phases.shape[0] - 2, phases.shape[1] - 2, phases.shape[2] - 2
    for z in range(nz):
        for y in range(ny):
            row = phases[z + 1, y + 1]
            line = voxels[(z + skip[0]) // block, (y + skip[1]) // block]
            for b in range(line.shape[0]):
                start = max(b * block - skip[2], 0)
                stop = min((b + 1) * block - skip[2], nx)
                # A run of one phase is one addition: most of a scan is matrix.
                last, since = row[start + 1], start
                for x in range(start + 1, stop):
                    if row[x + 1] != last:
                        if last < n_phases:
                            line[b, last] += x - since
                        last, since = row[x + 1], x
                if last < n_phases:
                    line[b, last] += stop - since


@njit(nogil=True, cache=True)
def _count_pairs(
    phases: NDArray[np.uint8],
    skip: Triple,
    block: int,
    n_phases: int,
    low: NDArray[np.int64],
    high: NDArray[np.int64],
    pairs: NDArray[np.int64],
    contacts: NDArray[np.int64],
) -> None:
    """Count pairs and faces of mixed cells; a mixed cell takes the pair of its phase off.

    Few cells are mixed, nearly all of these of two phases: these are counted by their pattern, and
    told apart by direction at the end.
    """
    nz, ny, nx = phases.shape
    column = np.zeros(nx + 1, np.uint8)
    # Eight cells are passed at a time.
    mixed = np.zeros(-(-nx // 8) * 8, np.uint8)
    eights = mixed.view(np.uint64)
    patterns = np.zeros((n_phases + 1, n_phases + 1, 256), np.int64)
    for z in range(1, nz - 1):
        for y in range(1, ny - 1):
            a, b = phases[z, y], phases[z, y + 1]
            c, d = phases[z + 1, y], phases[z + 1, y + 1]
            for x in range(nx):
                column[x] = (a[x] ^ b[x]) | (a[x] ^ c[x]) | (a[x] ^ d[x])
            for x in range(1, nx - 1):
                mixed[x] = column[x] | column[x + 1] | (a[x] ^ a[x + 1])
            line = contacts[(z - 1 + skip[0]) // block, (y - 1 + skip[1]) // block]
            for e in range(eights.size):
                if eights[e] == 0:
                    continue
                for x in range(8 * e, 8 * e + 8):
                    if mixed[x] == 0:
                        continue
                    base = a[x]
                    if base < n_phases:
                        _add_faces(base, c[x], b[x], a[x + 1], n_phases,
                                   line[(x - 1 + skip[2]) // block])  # fmt: skip
                    other, pattern = _read_cell(a, b, c, d, x)
                    if pattern:
                        patterns[min(base, n_phases), min(other, n_phases), pattern] += 1
                    else:
                        _add_pairs(phases, z, y, x, n_phases, low, high, pairs)
    _add_patterns(patterns, low, high, pairs)


@njit(nogil=True, cache=True)
def _add_faces(base: int, z: int, y: int, x: int, n_phases: int, faces: NDArray[np.int64]) -> None:
    """Count the faces of a voxel with the next one along each axis."""
    if z != base and z < n_phases:
        faces[base, z] += 1
    if y != base and y < n_phases:
        faces[base, y] += 1
    if x != base and x < n_phases:
        faces[base, x] += 1


@njit(nogil=True, cache=True)
def _read_cell(
    a: NDArray[np.uint8], b: NDArray[np.uint8], c: NDArray[np.uint8], d: NDArray[np.uint8], x: int
) -> tuple[int, int]:
    """Return the other phase of a mixed cell and where it is; 0 for a cell of more phases."""
    base = a[x]
    other = base
    pattern = 0
    for i in range(1, 8):
        row = a if i < 2 else b if i < 4 else c if i < 6 else d
        p = row[x + i % 2]
        if p != base:
            if other == base:
                other = p
            elif p != other:
                return 0, 0
            pattern |= 1 << i
    return other, pattern


@njit(nogil=True, cache=True)
def _add_pairs(
    phases: NDArray[np.uint8],
    z: int,
    y: int,
    x: int,
    n_phases: int,
    low: NDArray[np.int64],
    high: NDArray[np.int64],
    pairs: NDArray[np.int64],
) -> None:
    """Count the pairs of a cell of more than two phases."""
    base = phases[z, y, x]
    for k in range(low.shape[0]):
        if base < n_phases:
            pairs[k, base, base] -= 1
        p = phases[z + low[k, 0], y + low[k, 1], x + low[k, 2]]
        q = phases[z + high[k, 0], y + high[k, 1], x + high[k, 2]]
        if p < n_phases and q < n_phases:
            pairs[k, p, q] += 1


@njit(nogil=True, cache=True)
def _add_patterns(
    patterns: NDArray[np.int64],
    low: NDArray[np.int64],
    high: NDArray[np.int64],
    pairs: NDArray[np.int64],
) -> None:
    """Count the pairs of all cells of two phases."""
    n_phases = pairs.shape[1]
    for base in range(n_phases + 1):
        for other in range(n_phases + 1):
            for pattern in range(1, 256):
                n = patterns[base, other, pattern]
                if n == 0:
                    continue
                for k in range(low.shape[0]):
                    if base < n_phases:
                        pairs[k, base, base] -= n
                    i = 4 * low[k, 0] + 2 * low[k, 1] + low[k, 2]
                    j = 4 * high[k, 0] + 2 * high[k, 1] + high[k, 2]
                    p = other if pattern >> i & 1 else base
                    q = other if pattern >> j & 1 else base
                    if p < n_phases and q < n_phases:
                        pairs[k, p, q] += n
