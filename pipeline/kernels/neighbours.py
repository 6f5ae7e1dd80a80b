"""Nearest neighbours of bodies: the gap to the nearest body of each phase, surface to surface.

The gap of two bodies is the least distance between points of their voxels, as cubes: 0 where
they touch, be it at a corner.  Runs are cut at the faces of cubic cells of the array and gathered
by cell and body; boxes around these clusters tell which of them can hold a nearest pair, and only
those are compared run by run.  Squared gaps are integers, and of equally near bodies the one with
the lowest row counts, so that no tiling and no order changes the result.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.kernels.distance import Int32s, Int64s, find_body_runs
from pipeline.model.grid import Box, Triple

CELL_VX = 8
"""Edge of a cell."""

NONE = np.int32(2**31 - 1)
"""Row that stands for no neighbour: greater than any."""


@dataclass(frozen=True, slots=True)
class Neighbours:
    """Nearest bodies.

    Parameters
    ----------
    body : ndarray of int32
        Body, ascending.
    phase : ndarray of uint8
        Phase of the other body, ascending within a body; no pair stands twice.
    square : ndarray of int64
        Squared gap.
    other : ndarray of int32
        The other body.
    """

    body: Int32s
    phase: NDArray[np.uint8]
    square: Int64s
    other: Int32s


def find_neighbours(
    bodies: Int32s, core: Box, phase_of: NDArray[np.uint8], weights: Triple, limit: int
) -> Neighbours:
    """Find the nearest bodies of each phase for the bodies that a core meets.

    Parameters
    ----------
    bodies : ndarray of int32, shape (nz, ny, nx)
        Body of each voxel of the core and its halo, from 1; 0 belongs to none.
    core : Box
        The core in the array.
    phase_of : ndarray of uint8
        Phase of each body, by its number.
    weights : tuple of int
        Squared steps along (z, y, x).
    limit : int
        Largest squared gap that is wanted; the halo must reach a voxel farther.

    Returns
    -------
    Neighbours
        No pair that is farther apart, and none that the voxels of the core do not decide: the
        nearest of several tiles is a body's nearest of all.
    """
    runs = find_body_runs(bodies)
    pieces = _cut_runs(bodies, runs.start, runs.stop, runs.row)
    shape = tuple(-(-n // CELL_VX) for n in bodies.shape)
    cells = (shape[0], shape[1], shape[2])
    key = (_cell_of(pieces, cells) << 32) | pieces[:, 4]
    order = np.argsort(key, kind="stable")
    pieces, key = pieces[order], key[order]
    first = np.flatnonzero(np.diff(key, prepend=-1))
    cell = key[first] >> 32
    local, place = np.unique(pieces[first, 4], return_inverse=True)
    begin = np.searchsorted(cell, np.arange(np.prod(cells) + 1))
    ends = np.append(first, len(pieces))
    boxes = _box_pieces(pieces, ends)
    n_phases = int(phase_of.max(initial=0)) + 1
    # Phases that no body here is of are not waited for.
    square = np.full((local.size, n_phases), -1, np.int64)
    square[:, np.unique(phase_of[local])] = limit + 1
    other = np.full((local.size, n_phases), NONE, np.int32)
    steps, gaps = _cell_steps(weights, limit)
    _search(
        pieces, ends, boxes, cell, begin, cells, place, phase_of[local], local.astype(np.int32),
        (core.start, core.stop), steps, gaps, weights, square, other,
    )  # fmt: skip
    body, phase = np.nonzero(other != NONE)
    return Neighbours(
        local[body].astype(np.int32), phase.astype(np.uint8), square[body, phase],
        other[body, phase],
    )  # fmt: skip


def merge_neighbours(parts: Sequence[Neighbours]) -> Neighbours:
    """Return the nearest of what tiles found."""
    body, phase, square, other = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("body", "phase", "square", "other")
    )
    order = np.lexsort((other, square, phase, body))
    pair = (body.astype(np.int64) << 8) | phase
    kept = order[np.flatnonzero(np.diff(pair[order], prepend=-1))]
    return Neighbours(body[kept], phase[kept], square[kept], other[kept])


def _cell_of(pieces: Int32s, cells: Triple) -> Int64s:
    z, y, x = (pieces[:, i].astype(np.int64) // CELL_VX for i in (0, 1, 2))
    return np.asarray((z * cells[1] + y) * cells[2] + x)


def _cell_steps(weights: Triple, limit: int) -> tuple[Int32s, Int64s]:
    """Return the steps from a cell to those within reach, nearest first, and their squared gaps."""
    reach = [int(np.sqrt(limit / w)) // CELL_VX + 1 for w in weights]
    axes = [np.arange(-n, n + 1, dtype=np.int32) for n in reach]
    steps = np.stack(np.meshgrid(*axes, indexing="ij"), -1).reshape(-1, 3)
    gap = np.maximum(np.abs(steps.astype(np.int64)) - 1, 0) * CELL_VX
    gaps = np.square(gap) @ np.array(weights, np.int64)
    order = np.argsort(gaps, kind="stable")
    order = order[gaps[order] <= limit]
    return steps[order], gaps[order]


@njit(nogil=True, cache=True)
def _cut_runs(bodies: Int32s, start: Int32s, stop: Int32s, row: Int64s) -> Int32s:
    """Return the pieces of runs between faces of cells: z, y, start, stop, body."""
    ny = bodies.shape[1]
    n = 0
    for i in range(start.size):
        n += (stop[i] - 1) // CELL_VX - start[i] // CELL_VX + 1
    pieces = np.empty((n, 5), np.int32)
    n = 0
    for r in range(row.size - 1):
        z, y = r // ny, r % ny
        for i in range(row[r], row[r + 1]):
            x = start[i]
            while x < stop[i]:
                end = min((x // CELL_VX + 1) * CELL_VX, stop[i])
                pieces[n, 0], pieces[n, 1], pieces[n, 2], pieces[n, 3] = z, y, x, end
                pieces[n, 4] = bodies[z, y, x]
                x = end
                n += 1
    return pieces


@njit(nogil=True, cache=True)
def _box_pieces(pieces: Int32s, ends: Int64s) -> Int32s:
    """Return low and high corners around the pieces of each cluster."""
    boxes = np.empty((ends.size - 1, 6), np.int32)
    for c in range(ends.size - 1):
        box = boxes[c]
        box[:3], box[3:] = 2**30, 0
        for p in range(ends[c], ends[c + 1]):
            z, y, a, b = pieces[p, 0], pieces[p, 1], pieces[p, 2], pieces[p, 3]
            box[0], box[1], box[2] = min(box[0], z), min(box[1], y), min(box[2], a)
            box[3], box[4], box[5] = max(box[3], z + 1), max(box[4], y + 1), max(box[5], b)
    return boxes


@njit(nogil=True, cache=True)
def _gap(start: int, stop: int, first: int, last: int) -> int:
    """Return the voxels between two ranges."""
    return max(first - stop, start - last, 0)


@njit(nogil=True, cache=True)
def _search(
    pieces: Int32s,
    ends: Int64s,
    boxes: Int32s,
    cell: Int64s,
    begin: Int64s,
    cells: Triple,
    place: Int64s,
    phase: NDArray[np.uint8],
    body: Int32s,
    core: tuple[Triple, Triple],
    steps: Int32s,
    gaps: Int64s,
    weights: Triple,
    square: Int64s,
    other: Int32s,
) -> None:
    """Lower the squared gaps of bodies, cluster by cluster of those in the core."""
    wz, wy, wx = weights
    for c in range(cell.size):
        a, box = place[c], boxes[c]
        meets = True
        for i in range(3):
            meets &= (box[i] < core[1][i]) & (box[3 + i] > core[0][i])
        if not meets:
            continue
        z0, rest = cell[c] // (cells[1] * cells[2]), cell[c] % (cells[1] * cells[2])
        y0, x0 = rest // cells[2], rest % cells[2]
        for s in range(gaps.size):
            if gaps[s] > square[a].max():
                break
            z, y, x = z0 + steps[s, 0], y0 + steps[s, 1], x0 + steps[s, 2]
            if z < 0 or z >= cells[0] or y < 0 or y >= cells[1] or x < 0 or x >= cells[2]:
                continue
            there = (z * cells[1] + y) * cells[2] + x
            for d in range(begin[there], begin[there + 1]):
                b = place[d]
                if a == b:
                    continue
                far = boxes[d]
                gap = wz * _gap(box[0], box[3], far[0], far[3]) ** 2
                gap += wy * _gap(box[1], box[4], far[1], far[4]) ** 2
                gap += wx * _gap(box[2], box[5], far[2], far[5]) ** 2
                if gap > square[a, phase[b]]:
                    continue
                least = _compare(pieces, ends[c], ends[c + 1], ends[d], ends[d + 1], weights)
                _note(square, other, a, phase[b], least, body[b])
                _note(square, other, b, phase[a], least, body[a])


@njit(nogil=True, cache=True)
def _note(square: Int64s, other: Int32s, a: int, phase: int, least: int, body: int) -> None:
    if least < square[a, phase]:
        square[a, phase], other[a, phase] = least, body
    elif least == square[a, phase] and other[a, phase] != NONE:
        other[a, phase] = min(other[a, phase], body)


@njit(nogil=True, cache=True)
def _compare(pieces: Int32s, a: int, b: int, c: int, d: int, weights: Triple) -> int:
    """Return the least squared gap between the pieces of two clusters."""
    wz, wy, wx = weights
    least = 1 << 60
    for p in range(a, b):
        z, y, start, stop = pieces[p, 0], pieces[p, 1], pieces[p, 2], pieces[p, 3]
        for q in range(c, d):
            gap = wz * _gap(z, z + 1, pieces[q, 0], pieces[q, 0] + 1) ** 2
            gap += wy * _gap(y, y + 1, pieces[q, 1], pieces[q, 1] + 1) ** 2
            gap += wx * _gap(start, stop, pieces[q, 2], pieces[q, 3]) ** 2
            least = min(least, gap)
    return least
