"""Hull corners of the bodies of a tile, from their runs: a set that merges by union and hull.

A body is the union of its voxels, so its hull is that of voxel corners: whole numbers, and never
flat.  Of each row only the two ends can be corners; of each lattice plane only the corners of the
two-dimensional hull of those ends, which one pass over the runs finds (Andrew's monotone chain).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.kernels.hull import Int32s, Int64s, hull_corners
from pipeline.kernels.label import Runs
from pipeline.model.grid import Triple


def outline_runs(
    runs: Runs, body: Int32s, n_bodies: int, core: Triple, ny: int
) -> tuple[Int64s, Int32s]:
    """Return the hull corners of every body's voxels inside a tile's core.

    Parameters
    ----------
    runs : Runs
        Runs of the core and its shared layer.
    body : ndarray of int32
        Body of each run; 0 for none.
    n_bodies : int
        Number of bodies.
    core : tuple of int
        Shape of the core; voxels beyond it are left out.
    ny : int
        Rows of a plane of the runs' volume.

    Returns
    -------
    offsets : ndarray of int64, shape (n_bodies + 1,)
        Corners of body b are rows ``offsets[b - 1]`` to ``offsets[b]``.
    corners : ndarray of int32, shape (k, 3)
        Lattice corners (z, y, x) relative to the core's low corner, in ascending order within a
        body.  None for a body without a voxel in the core.
    """
    return _outline_runs(runs.start, runs.stop, runs.row, body, n_bodies, core, ny)


@njit(nogil=True, cache=True)
def _outline_runs(
    start: Int32s, stop: Int32s, row: Int64s, body: Int32s, n_bodies: int, core: Triple, ny: int
) -> tuple[Int64s, Int32s]:
    first, order, place = _sort_runs(start, row, body, n_bodies, core, ny)
    offsets = np.zeros(n_bodies + 1, np.int64)
    out = np.empty((max(16 * n_bodies, 16), 3), np.int32)
    chains = np.empty((4, 2, 2 * core[1] + 2), np.int64)
    found = np.empty((64, 3), np.int64)
    n_out = 0
    for b in range(1, n_bodies + 1):
        if first[b] == first[b + 1]:
            offsets[b] = n_out
            continue
        # Every plane of a body has at most two points a row, and a body one plane more than layers.
        most = 8 * (first[b + 1] - first[b])
        low = place[first[b]] // ny
        high = place[first[b + 1] - 1] // ny
        most = min(most, (high - low + 2) * 2 * (core[1] + 1))
        if found.shape[0] < most:
            found = np.empty((2 * most, 3), np.int64)
        n = _collect(start, stop, order, place, first[b], first[b + 1], core, ny, chains, found)
        corners = hull_corners(found[:n])
        while n_out + corners.shape[0] > out.shape[0]:
            larger = np.empty((2 * out.shape[0], 3), np.int32)
            larger[:n_out] = out[:n_out]
            out = larger
        out[n_out : n_out + corners.shape[0]] = corners
        n_out += corners.shape[0]
        offsets[b] = n_out
    return offsets, out[:n_out].copy()


@njit(nogil=True, cache=True)
def _sort_runs(
    start: Int32s, row: Int64s, body: Int32s, n_bodies: int, core: Triple, ny: int
) -> tuple[Int64s, Int32s, Int32s]:
    """Return the runs inside the core by body, each body's in raster order, and their rows."""
    first = np.zeros(n_bodies + 2, np.int64)
    for r in range(row.size - 1):
        if r // ny < core[0] and r % ny < core[1]:
            for i in range(row[r], row[r + 1]):
                if body[i] and start[i] < core[2]:
                    first[body[i] + 1] += 1
    for b in range(1, n_bodies + 2):
        first[b] += first[b - 1]
    fill = first[:-1].copy()
    order, place = np.empty(first[-1], np.int32), np.empty(first[-1], np.int32)
    for r in range(row.size - 1):
        if r // ny < core[0] and r % ny < core[1]:
            for i in range(row[r], row[r + 1]):
                b = body[i]
                if b and start[i] < core[2]:
                    order[fill[b]] = i
                    place[fill[b]] = r
                    fill[b] += 1
    return first, order, place


@njit(nogil=True, cache=True)
def _push(chain: Int64s, n: int, y: int, x: int, sign: int) -> int:
    """Add a point to one side of a plane's hull; rows come in ascending order.

    Parameters
    ----------
    chain : ndarray of int64, shape (2, k)
        Rows and columns of the side so far.
    n : int
        Points on it.
    y, x : int
        The point.
    sign : int
        1 for the low side along x, -1 for the high one.

    Returns
    -------
    int
        Points on the side now.
    """
    if n and chain[0, n - 1] == y:
        if sign * (x - chain[1, n - 1]) >= 0:
            return n
        n -= 1
    while n >= 2:
        dy, dx = chain[0, n - 1] - chain[0, n - 2], chain[1, n - 1] - chain[1, n - 2]
        if sign * (dy * (x - chain[1, n - 2]) - dx * (y - chain[0, n - 2])) > 0:
            break
        n -= 1
    chain[0, n], chain[1, n] = y, x
    return n + 1


@njit(nogil=True, cache=True)
def _join(below: Int64s, n_below: int, above: Int64s, n_above: int, out: Int64s, sign: int) -> int:
    """Return the side of the hull of two layers that share a plane."""
    i, j, n = 0, 0, 0
    while i < n_below or j < n_above:
        if j == n_above or (i < n_below and below[0, i] <= above[0, j]):
            n = _push(out, n, below[0, i], below[1, i], sign)
            i += 1
        else:
            n = _push(out, n, above[0, j], above[1, j], sign)
            j += 1
    return n


@njit(nogil=True, cache=True)
def _emit(z: int, low: Int64s, n_low: int, high: Int64s, n_high: int, found: Int64s, n: int) -> int:
    """List the points of a plane in ascending order."""
    i, j = 0, 0
    while i < n_low or j < n_high:
        if j == n_high or (i < n_low and low[0, i] <= high[0, j]):
            found[n, 1], found[n, 2] = low[0, i], low[1, i]
            i += 1
        else:
            found[n, 1], found[n, 2] = high[0, j], high[1, j]
            j += 1
        found[n, 0] = z
        n += 1
    return n


@njit(nogil=True, cache=True)
def _collect(
    start: Int32s, stop: Int32s, order: Int32s, place: Int32s, first: int, last: int,
    core: Triple, ny: int, chains: Int64s, found: Int64s,
) -> int:  # fmt: skip
    """List the corners of the hull of each lattice plane of a body, in ascending order."""
    both_low, both_high = np.empty_like(chains[0]), np.empty_like(chains[0])
    n = 0
    z_before = -2
    n_low_before, n_high_before = 0, 0
    side = 0
    i = first
    while i < last:
        z = place[i] // ny
        low, high = chains[2 * side], chains[2 * side + 1]
        n_low, n_high = 0, 0
        while i < last and place[i] // ny == z:
            r = place[i]
            a, b = start[order[i]], stop[order[i]]
            i += 1
            while i < last and place[i] == r:
                b = stop[order[i]]
                i += 1
            b = min(b, core[2])
            y = r % ny
            n_low = _push(low, n_low, y, a, 1)
            n_low = _push(low, n_low, y + 1, a, 1)
            n_high = _push(high, n_high, y, b, -1)
            n_high = _push(high, n_high, y + 1, b, -1)
        low_before, high_before = chains[2 - 2 * side], chains[3 - 2 * side]
        if z_before + 1 == z:
            n_both_low = _join(low_before, n_low_before, low, n_low, both_low, 1)
            n_both_high = _join(high_before, n_high_before, high, n_high, both_high, -1)
            n = _emit(z, both_low, n_both_low, both_high, n_both_high, found, n)
        else:
            if z_before >= 0:
                n = _emit(z_before + 1, low_before, n_low_before, high_before, n_high_before,
                          found, n)  # fmt: skip
            n = _emit(z, low, n_low, high, n_high, found, n)
        z_before, n_low_before, n_high_before = z, n_low, n_high
        side = 1 - side
    return _emit(
        z_before + 1, chains[2 - 2 * side], n_low_before, chains[3 - 2 * side], n_high_before,
        found, n,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class HullPart:
    """Hulls of the parts of bodies that lie in one tile.

    Parameters
    ----------
    rows : ndarray of int64, shape (n,)
        Row of each part; a tile may hold several parts of one body.
    offsets : ndarray of int64, shape (n + 1,)
        Corners of part i are rows ``offsets[i]`` to ``offsets[i + 1]``.
    corners : ndarray of int32, shape (k, 3)
        In the volume's coordinates.
    """

    rows: Int64s
    offsets: Int64s
    corners: Int32s

    @classmethod
    def cut(
        cls, rows: Int64s, wanted: NDArray[np.bool_], offsets: Int64s, corners: Int32s,
        origin: Triple,
    ) -> HullPart:  # fmt: skip
        """Return the wanted hulls of a tile whose core starts at `origin`."""
        counts = np.diff(offsets)
        kept = corners[offsets[0] : offsets[-1]][np.repeat(wanted, counts)]
        ends = np.concatenate([[0], np.cumsum(counts[wanted])]).astype(np.int64)
        return cls(rows[wanted], ends, kept + np.array(origin, np.int32))


def merge_hulls(parts: list[HullPart]) -> tuple[Int64s, Int64s, Int32s]:
    """Return the hull corners of bodies from those of their parts.

    Parameters
    ----------
    parts : list of HullPart
        All parts of the bodies.

    Returns
    -------
    rows : ndarray of int64, shape (n,)
        Rows in ascending order, without repetition.
    offsets : ndarray of int64, shape (n + 1,)
        Corners of each row.
    corners : ndarray of int32, shape (k, 3)
        In the volume's coordinates, in ascending order; the same whatever the parts.
    """
    row = np.concatenate([np.repeat(p.rows, np.diff(p.offsets)) for p in parts])
    points = np.concatenate([p.corners for p in parts])
    order = np.lexsort((points[:, 2], points[:, 1], points[:, 0], row))
    rows, starts = np.unique(row[order], return_index=True)
    offsets, corners = _merge_hulls(points[order], np.append(starts, row.size))
    return rows, offsets, corners


@njit(nogil=True, cache=True)
def _merge_hulls(points: Int32s, ends: Int64s) -> tuple[Int64s, Int32s]:
    offsets = np.zeros(ends.size, np.int64)
    out = np.empty_like(points)
    n = 0
    own = np.empty((0, 3), np.int64)
    for b in range(ends.size - 1):
        if own.shape[0] < ends[b + 1] - ends[b]:
            own = np.empty((2 * (ends[b + 1] - ends[b]), 3), np.int64)
        m = 0
        for i in range(ends[b], ends[b + 1]):
            # Tiles that meet share the corners of their seam.
            if m and np.all(points[i] == points[i - 1]):
                continue
            own[m] = points[i]
            m += 1
        # Determinants are exact near the origin only.
        low = np.array([own[:m, 0].min(), own[:m, 1].min(), own[:m, 2].min()])
        own[:m] -= low
        corners = hull_corners(own[:m])
        for i in range(corners.shape[0]):
            out[n] = corners[i] + low
            n += 1
        offsets[b + 1] = n
    return offsets, out[:n].copy()
