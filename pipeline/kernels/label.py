"""Connected bodies of one tile, all phases in one pass, by runs along x.

A run is a row's longest stretch of one counted phase.  Runs, not voxels, are joined: a tile of a
cast alloy has some hundred times fewer of them, and most sums over a run have a closed form.
Bodies are numbered from 1 in raster order of their first run, so the numbering needs no sorting.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Int32s = NDArray[np.int32]
Int64s = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Runs:
    """Runs of counted phases in raster order.

    Parameters
    ----------
    start, stop : ndarray of int32
        First voxel inside and first voxel beyond each run, along x.
    phase : ndarray of uint8
        Phase of each run.
    row : ndarray of int64
        ``row[r]`` is the first run of row r (row = z * ny + y); one entry more than rows.
    """

    start: Int32s
    stop: Int32s
    phase: NDArray[np.uint8]
    row: Int64s


def find_runs(phases: NDArray[np.uint8], counted: NDArray[np.bool_]) -> Runs:
    """Return the runs of counted phases.

    Parameters
    ----------
    phases : ndarray of uint8, shape (nz, ny, nx)
        Phase map.
    counted : ndarray of bool, shape (256,)
        Whether bodies of a phase are wanted.

    Returns
    -------
    Runs
        Runs in raster order.
    """
    nz, ny, _ = phases.shape
    row = np.zeros(nz * ny + 1, np.int64)
    _count_runs(phases, counted, row)
    n = int(row[-1])
    start, stop = np.empty(n, np.int32), np.empty(n, np.int32)
    phase = np.empty(n, np.uint8)
    _fill_runs(phases, counted, row, start, stop, phase)
    return Runs(start, stop, phase, row)


def label_runs(runs: Runs, ny: int, connectivity: int) -> tuple[Int32s, int]:
    """Join runs of one phase that are neighbours and number the bodies.

    Parameters
    ----------
    runs : Runs
        Runs of a volume with `ny` rows a plane.
    ny : int
        Rows of a plane.
    connectivity : int
        6, 18 or 26 neighbours.

    Returns
    -------
    body : ndarray of int32
        Body of each run, from 1 in raster order of the bodies' first run.
    n_bodies : int
        Number of bodies.
    """
    parent = np.arange(runs.start.size, dtype=np.int32)
    _join_rows(runs.start, runs.stop, runs.phase, runs.row, ny, connectivity, parent)
    n_bodies = _number_roots(parent)
    return parent, int(n_bodies)


@njit(nogil=True, cache=True)
def _count_runs(
    phases: NDArray[np.uint8], counted: NDArray[np.bool_], row: NDArray[np.int64]
) -> None:
    nz, ny, nx = phases.shape
    n = 0
    for z in range(nz):
        for y in range(ny):
            last = np.uint8(0)
            inside = False
            for x in range(nx):
                p = phases[z, y, x]
                if inside and p == last:
                    continue
                inside = counted[p]
                last = p
                n += inside
            row[z * ny + y + 1] = n


@njit(nogil=True, cache=True)
def _fill_runs(
    phases: NDArray[np.uint8],
    counted: NDArray[np.bool_],
    row: NDArray[np.int64],
    start: NDArray[np.int32],
    stop: NDArray[np.int32],
    phase: NDArray[np.uint8],
) -> None:
    nz, ny, nx = phases.shape
    n = 0
    for z in range(nz):
        for y in range(ny):
            if row[z * ny + y] == row[z * ny + y + 1]:
                continue
            last = np.uint8(0)
            inside = False
            for x in range(nx):
                p = phases[z, y, x]
                if inside:
                    if p == last:
                        continue
                    stop[n - 1] = x
                inside = counted[p]
                last = p
                if inside:
                    start[n] = x
                    phase[n] = p
                    n += 1
            if inside:
                stop[n - 1] = nx


@njit(nogil=True, cache=True)
def _find(parent: NDArray[np.int32], i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(nogil=True, cache=True)
def _unite(parent: NDArray[np.int32], a: int, b: int) -> None:
    """Link two trees; the smaller root stays, so a root is its body's first run."""
    a = _find(parent, a)
    b = _find(parent, b)
    if a < b:
        parent[b] = a
    elif b < a:
        parent[a] = b


@njit(nogil=True, cache=True)
def _join_two(
    start: NDArray[np.int32],
    stop: NDArray[np.int32],
    phase: NDArray[np.uint8],
    a0: int,
    a1: int,
    b0: int,
    b1: int,
    reach: int,
    parent: NDArray[np.int32],
) -> None:
    """Join the runs a0..a1 of one row with those of another row up to `reach` columns away."""
    first = b0
    for a in range(a0, a1):
        while first < b1 and stop[first] + reach <= start[a]:
            first += 1
        b = first
        while b < b1 and start[b] < stop[a] + reach:
            if phase[a] == phase[b]:
                _unite(parent, a, b)
            b += 1


@njit(nogil=True, cache=True)
def _join_rows(
    start: NDArray[np.int32],
    stop: NDArray[np.int32],
    phase: NDArray[np.uint8],
    row: NDArray[np.int64],
    ny: int,
    connectivity: int,
    parent: NDArray[np.int32],
) -> None:
    # Neighbour rows that come earlier in raster order, with the reach along x that the
    # connectivity allows when 1 or 2 of the other axes already differ.
    one = 0 if connectivity == 6 else 1
    two = 1 if connectivity == 26 else 0
    for r in range(row.size - 1):
        a0, a1 = row[r], row[r + 1]
        if a0 == a1:
            continue
        z, y = r // ny, r % ny
        if y > 0:
            _join_two(start, stop, phase, a0, a1, row[r - 1], row[r], one, parent)
        if z == 0:
            continue
        q = r - ny
        _join_two(start, stop, phase, a0, a1, row[q], row[q + 1], one, parent)
        if connectivity == 6:
            continue
        if y > 0:
            _join_two(start, stop, phase, a0, a1, row[q - 1], row[q], two, parent)
        if y < ny - 1:
            _join_two(start, stop, phase, a0, a1, row[q + 1], row[q + 2], two, parent)


@njit(nogil=True, cache=True)
def _number_roots(parent: NDArray[np.int32]) -> int:
    """Replace each run's parent by its body's number; roots come before their members."""
    n = 0
    for i in range(parent.size):
        if parent[i] == i:
            n += 1
            parent[i] = -n
        else:
            # Every member's root has a smaller index and is numbered already.
            j = parent[i]
            while parent[j] >= 0:
                j = parent[j]
            parent[i] = parent[j]
    for i in range(parent.size):
        parent[i] = -parent[i]
    return n


@njit(nogil=True, cache=True)
def paint_runs(
    start: NDArray[np.int32],
    stop: NDArray[np.int32],
    body: NDArray[np.int32],
    row: NDArray[np.int64],
    ny: int,
    labels: NDArray[np.uint32],
    offset: int,
) -> None:
    """Write the body of each run into an array that starts `offset` voxels lower on each axis.

    Parameters
    ----------
    start, stop, body : ndarray of int32
        Runs and their bodies; runs of body 0 are left out.
    row : ndarray of int64
        First run of each row.
    ny : int
        Rows of a plane.
    labels : ndarray of uint32, shape (nz + offset + ..., ...)
        Written in place; it must be zero before.
    offset : int
        Voxels between the origins of `labels` and the runs, on each axis.
    """
    for r in range(row.size - 1):
        z, y = r // ny + offset, r % ny + offset
        for i in range(row[r], row[r + 1]):
            if body[i]:
                for x in range(start[i] + offset, stop[i] + offset):
                    labels[z, y, x] = body[i]


def name_particles(local: NDArray[np.uint32], table: NDArray[Any]) -> NDArray[Any]:
    """Return the particle of each voxel of a tile.

    Parameters
    ----------
    local : ndarray of uint32, shape (z, y, x)
        Local ids, C-contiguous.
    table : ndarray, shape (n_bodies + 1,)
        Particle of each local id; ``table[0]`` is 0.

    Returns
    -------
    ndarray, shape (z, y, x), dtype of `table`
        Particle ids; background, which is most, costs no write.
    """
    named = np.zeros(local.shape, table.dtype)
    _name_particles(local.reshape(-1), table, named.reshape(-1))
    return named


@njit(nogil=True, cache=True)
def _name_particles(local: NDArray[np.uint32], table: NDArray[Any], named: NDArray[Any]) -> None:
    for i in range(local.size):
        if local[i]:
            named[i] = table[local[i]]
