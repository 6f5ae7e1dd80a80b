"""Overlap of particles of two scans: voxels of one looked up where they lie in the other.

Everything is counted in whole numbers, voxel by voxel, from places in the whole volume: a voxel
counts the same whatever tile or block it is looked up in.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.model.grid import Box

OUTSIDE = 255
PLANES = 16
"""Planes of a block that are looked up before their counts are folded."""


@dataclass(frozen=True, slots=True)
class Overlaps:
    """Counts of the particles of one phase of one scan.

    Parameters
    ----------
    ids : (n,) int64
        Particles, ascending.
    n_voxels, n_in_field : (n,) int64
        Voxels of each, and those of them where the other scan shows the specimen.
    pairs : (m, 2) int64
        Own particle and particle of the other scan, in order.
    n_same, n_near : (m,) int64
        Voxels of the own particle that lie in the other, and those that lie in it or whose
        nearest particle within the tolerance it is.
    """

    ids: NDArray[np.int64]
    n_voxels: NDArray[np.int64]
    n_in_field: NDArray[np.int64]
    pairs: NDArray[np.int64]
    n_same: NDArray[np.int64]
    n_near: NDArray[np.int64]


NONE = Overlaps(*(np.zeros(s, np.int64) for s in (0, 0, 0, (0, 2), 0, 0)))


def near_offsets(tolerance_um: float, voxel_um: tuple[float, float, float]) -> NDArray[np.int64]:
    """Return the steps to neighbours within a distance, nearest first, without the step of none.

    Parameters
    ----------
    tolerance_um : float
        The distance, between centres of voxels.
    voxel_um : tuple of float
        Edges of a voxel, (z, y, x).

    Returns
    -------
    (n, 3) int64
        Steps; of equal ones, the first in raster order comes first.

    Examples
    --------
    >>> len(near_offsets(1.0, (1.0, 1.0, 1.0))), len(near_offsets(1.5, (1.0, 1.0, 1.0)))
    (6, 18)
    """
    reach = [int(tolerance_um / v + 1e-9) for v in voxel_um]
    steps = itertools.product(*(range(-r, r + 1) for r in reach))
    far = [(sum((s * v) ** 2 for s, v in zip(step, voxel_um, strict=True)), step) for step in steps]
    kept = sorted(f for f in far if 0 < f[0] <= tolerance_um**2 * (1 + 1e-9))
    return np.array([step for _, step in kept], np.int64).reshape(-1, 3)


def count_overlaps(
    labels: NDArray[Any],
    origin: NDArray[np.int64],
    other: NDArray[Any],
    other_phases: NDArray[np.uint8],
    other_box: Box,
    matrix: NDArray[np.float64],
    shift: NDArray[np.float64],
    offsets: NDArray[np.int64],
) -> Overlaps:
    """Count where the labelled voxels of a block lie in another scan.

    Parameters
    ----------
    labels : (z, y, x) uint32 or uint64
        Particle ids of a block, 0 elsewhere.
    origin : (3,) int64
        Place of its first voxel in its volume.
    other : (z, y, x) uint32 or uint64
        Particle ids of the other scan in `other_box`.
    other_phases : (z, y, x) uint8
        Its phase map there, 255 outside the specimen.
    other_box : Box
        Its voxels; what lies beyond them counts as outside.
    matrix, shift : (3, 3), (3,) float64
        Place of a voxel in the other volume: floor(matrix @ place + shift).
    offsets : (n, 3) int64
        From `near_offsets`.

    Returns
    -------
    Overlaps
        Counts of the block.
    """
    start = np.asarray(other_box.start, np.int64)
    parts = []
    for z in range(0, len(labels), PLANES):
        block = labels[z : z + PLANES]
        n = int(np.count_nonzero(block))
        if n == 0:
            continue
        found = np.empty((n, 4), np.int64)
        first = np.asarray(origin, np.int64) + np.array([z, 0, 0])
        look_up_(block, first, other, other_phases, start, matrix, shift, offsets, found)
        parts.append(_fold(found))
    return merge_overlaps(parts)


def _fold(found: NDArray[np.int64]) -> Overlaps:
    """Fold looked-up voxels into counts."""
    ids, place = np.unique(found[:, 0], return_inverse=True)
    n_voxels = np.bincount(place, minlength=ids.size)
    in_field = np.bincount(place[found[:, 1] > 0], minlength=ids.size)
    meet = found[:, 3] > 0
    pairs, place = np.unique(found[meet][:, [0, 3]], axis=0, return_inverse=True)
    same = (found[meet, 2] > 0).astype(np.int64)
    place = place.ravel()
    n_same = np.bincount(place, same, len(pairs)).astype(np.int64)
    n_near = np.bincount(place, minlength=len(pairs))
    return Overlaps(ids, n_voxels, in_field, pairs.reshape(-1, 2), n_same, n_near)


def merge_overlaps(parts: list[Overlaps]) -> Overlaps:
    """Return the sums of the counts of several blocks, in whatever order they come."""
    if not parts:
        return NONE
    ids, place = np.unique(np.concatenate([p.ids for p in parts]), return_inverse=True)
    pairs, where = np.unique(np.concatenate([p.pairs for p in parts]), axis=0, return_inverse=True)
    sums = {}
    for name, at, n in (
        ("n_voxels", place, len(ids)),
        ("n_in_field", place, len(ids)),
        ("n_same", where.ravel(), len(pairs)),
        ("n_near", where.ravel(), len(pairs)),
    ):
        sums[name] = np.zeros(n, np.int64)
        np.add.at(sums[name], at, np.concatenate([getattr(p, name) for p in parts]))
    return Overlaps(ids=ids, pairs=pairs.reshape(-1, 2), **sums)


@njit(nogil=True, cache=True)
def look_up_(
    labels: NDArray[Any],
    origin: NDArray[np.int64],
    other: NDArray[Any],
    other_phases: NDArray[np.uint8],
    other_start: NDArray[np.int64],
    matrix: NDArray[np.float64],
    shift: NDArray[np.float64],
    offsets: NDArray[np.int64],
    found: NDArray[np.int64],
) -> None:
    """Look up the labelled voxels of a block in another scan.

    Parameters
    ----------
    labels : (z, y, x) uint32 or uint64
        Particle ids of a block, 0 elsewhere.
    origin : (3,) int64
        Place of its first voxel in its volume.
    other : (z, y, x) uint32 or uint64
        Particle ids of a part of the other scan.
    other_phases : (z, y, x) uint8
        Its phase map there, 255 outside the specimen.
    other_start : (3,) int64
        Place of the first voxel of that part in its volume.
    matrix : (3, 3) float64
        With `shift`: place in the other volume is floor(matrix @ place + shift).
    shift : (3,) float64
        See `matrix`.
    offsets : (n, 3) int64
        From `near_offsets`.
    found : (n, 4) int64
        Overwritten, a row a labelled voxel: own id; whether the other scan shows the specimen
        there; the id there; the id there or nearest within the tolerance, 0 for none.
    """
    nz, ny, nx = labels.shape
    mz, my, mx = other.shape
    row = 0
    for i in range(nz):
        for j in range(ny):
            for k in range(nx):
                own = labels[i, j, k]
                if own == 0:
                    continue
                z, y, x = float(i + origin[0]), float(j + origin[1]), float(k + origin[2])
                p = int(np.floor(matrix[0, 0] * z + matrix[0, 1] * y + matrix[0, 2] * x + shift[0]))
                q = int(np.floor(matrix[1, 0] * z + matrix[1, 1] * y + matrix[1, 2] * x + shift[1]))
                r = int(np.floor(matrix[2, 0] * z + matrix[2, 1] * y + matrix[2, 2] * x + shift[2]))
                p -= other_start[0]
                q -= other_start[1]
                r -= other_start[2]
                found[row, 0] = own
                found[row, 1] = 0
                found[row, 2] = 0
                found[row, 3] = 0
                if 0 <= p < mz and 0 <= q < my and 0 <= r < mx:
                    if other_phases[p, q, r] != OUTSIDE:
                        found[row, 1] = 1
                    here = other[p, q, r]
                    found[row, 2] = here
                    found[row, 3] = here
                if found[row, 3] == 0:
                    for t in range(len(offsets)):
                        a, b, c = p + offsets[t, 0], q + offsets[t, 1], r + offsets[t, 2]
                        if 0 <= a < mz and 0 <= b < my and 0 <= c < mx and other[a, b, c] != 0:
                            found[row, 3] = other[a, b, c]
                            break
                row += 1
