"""Local thickness: for each voxel of a body the largest ball inside the body that contains it.

The definition of Hildebrand & Ruegsegger (1997) on the lattice: a ball about the centre of a voxel
holds the centres that are nearer than the nearest voxel not of the body.  Balls that another one
about one of the 26 neighbours covers are left out by tables of what a ball takes to be covered
(Remy & Thiel 2002); the rest are painted from the largest down, each voxel once.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.kernels.distance import Int32s, Int64s, Metric, find_body_runs, square_distances
from pipeline.kernels.pairs import add_up_pairs
from pipeline.model.grid import Box, Triple

Reals = NDArray[np.float64]

NEAREST = np.array(
    sorted(
        (step for step in itertools.product((-1, 0, 1), repeat=3) if any(step)),
        key=lambda step: sum(map(abs, step)),
    ),
    np.int64,
)
"""Steps to the 26 neighbours: across faces, edges, corners."""

_BINS = 1 << 14
"""Most entries of a table by squared distance."""


@dataclass(frozen=True, slots=True)
class Thickness:
    """Voxels by body and by the largest ball that holds them.

    Parameters
    ----------
    body : ndarray of int32
        Body, ascending.
    square : ndarray of int32
        Squared radius of the ball, ascending within a body.
    count : ndarray of int64
        Voxels.
    """

    body: Int32s
    square: Int32s
    count: Int64s


def fold_thickness(
    bodies: Int32s, core: Box, is_open: NDArray[np.bool_], weights: Triple, limit: int
) -> Thickness | None:
    """Measure the voxels of a core.

    Parameters
    ----------
    bodies : ndarray of int32, shape (nz, ny, nx)
        Body of each voxel of the core and its halo, from 1; 0 and less belong to none.
    core : Box
        The core in the array.
    is_open : ndarray of bool, shape (3, 2)
        Whether bodies may go on beyond the array's low and high face of each axis.
    weights : tuple of int
        Squared steps along (z, y, x).
    limit : int
        Largest squared radius that is wanted: a larger ball counts as one of this.

    Returns
    -------
    Thickness or None
        None where a ball of less than the limit that meets the core may not be whole in the array:
        a larger halo is wanted.
    """
    runs = find_body_runs(bodies)
    squares = square_distances(bodies, runs, weights, limit)
    span = (core.start, core.stop)
    if not _holds_balls(squares, runs.start, runs.stop, runs.row, span, is_open, weights):
        return None
    table, divisor = cover_table(weights, limit)
    places, sizes = _find_ridge(
        squares, runs.start, runs.stop, runs.row, span, weights, table, divisor
    )
    order = np.argsort(-sizes, kind="stable")
    free = np.empty((core.shape[0], core.shape[1], core.shape[2] + 1), np.int16)
    free[:] = np.arange(core.shape[2] + 1, dtype=np.int16)
    painted = np.zeros(sizes.size, np.int64)
    roots = _roots(limit // min(weights))
    _paint(places, sizes, order, core.start, weights, limit, roots, free, painted)
    kept = painted > 0
    z, y, x = places[kept].T
    return gather_thickness(bodies[z, y, x], sizes[kept], painted[kept])


def gather_thickness(body: Int32s, square: Int32s, count: Int64s) -> Thickness:
    """Return counts sorted by body and squared radius, those of equal keys added up."""
    return Thickness(*add_up_pairs(body, square, count))


def merge_thickness(parts: Sequence[Thickness]) -> Thickness:
    """Return the counts of parts that share no voxel, added up."""
    if not parts:
        none = np.zeros(0, np.int32)
        return Thickness(none, none, np.zeros(0, np.int64))
    return gather_thickness(
        np.concatenate([part.body for part in parts]),
        np.concatenate([part.square for part in parts]),
        np.concatenate([part.count for part in parts]),
    )


def diameters(squares: Int32s, metric: Metric, voxel_um: tuple[float, float, float]) -> Reals:
    """Return the thickness in um that a ball stands for.

    Distances end at the centre of the first voxel that is no part of the body, a little beyond
    its surface, and by a share of a voxel that falls with the radius d: twice the root of
    d^2 - 3/4 a^2, with a^3 the volume of a voxel, is right for a layer of one voxel and in the mean
    over directions for plates (`tests.benchmarks.shapes`; no source).

    Parameters
    ----------
    squares : ndarray of int32
        Squared radii.
    metric : Metric
        Their unit.
    voxel_um : tuple of float
        Edges of a voxel.

    Returns
    -------
    ndarray of float64
        Diameters; no less than the radius, which oblong voxels could be.
    """
    radius = metric.length_um(squares)
    edge = math.prod(voxel_um) ** (1 / 3)
    inside = np.sqrt(np.maximum(radius * radius - 0.75 * edge * edge, 0.0))
    return np.asarray(np.maximum(2 * inside, radius))


def describe_thickness(
    found: Thickness, n: int, metric: Metric, voxel_um: tuple[float, float, float], limit: int
) -> dict[str, Reals]:
    """Return the columns that tell how thick particles are.

    Parameters
    ----------
    found : Thickness
        Counts of whole particles, numbered from 1.
    n : int
        Number of particles.
    metric : Metric
        Unit of squared radii.
    voxel_um : tuple of float
        Edges of a voxel.
    limit : int
        Squared radius from which on nothing is known.

    Returns
    -------
    dict of str to ndarray of float64, shape (n,)
        NaN for particles that somewhere reach the limit.
    """
    body = found.body - 1
    deepest = np.zeros(n, np.int32)
    np.maximum.at(deepest, body, found.square)
    unknown = deepest >= limit
    local = diameters(found.square, metric, voxel_um)
    n_voxels = np.bincount(body, found.count, minlength=n).astype(np.float64)
    n_voxels[n_voxels == 0] = np.nan
    mean = np.bincount(body, found.count * local, minlength=n) / n_voxels
    variance = np.bincount(body, found.count * np.square(local - mean[body]), minlength=n)
    # Voxels are ordered by thickness within a body: the middle ones are found by counting.
    ends = np.cumsum(found.count)
    first = np.concatenate([[0], np.cumsum(np.bincount(body, found.count, minlength=n))])[:-1]
    middle = [
        np.searchsorted(ends, first + (np.nan_to_num(n_voxels) - 1 + k) // 2, side="right")
        for k in (0, 1)
    ]
    bounded = [np.minimum(place, max(local.size - 1, 0)) for place in middle]
    median = sum((local[place] for place in bounded), np.zeros(n)) / 2 if local.size else mean
    columns = {
        "inscribed_diameter_um": 2 * metric.length_um(deepest),
        "local_thickness_mean_um": mean,
        "local_thickness_sd_um": np.sqrt(variance / n_voxels),
        "local_thickness_median_um": median,
    }
    return {name: np.where(unknown, np.nan, values) for name, values in columns.items()}


@lru_cache(maxsize=4)
def cover_table(weights: Triple, limit: int) -> tuple[Int32s, int]:
    """Return how large a neighbour's ball must be to hold all voxels of a ball.

    Parameters
    ----------
    weights : tuple of int
        Squared steps along (z, y, x).
    limit : int
        Largest squared radius.

    Returns
    -------
    table : ndarray of int32, shape (2, 2, 2, n)
        By the steps to the neighbour along each axis (0 or 1) and the ball's squared radius over
        the divisor: the neighbour's least squared radius.  Where several radii share an entry it
        is that of the largest, so that no ball is taken for covered that is not.
    divisor : int
        Width of an entry.

    Examples
    --------
    >>> table, divisor = cover_table((1, 1, 1), 100)
    >>> int(table[0, 0, 1, 1]), int(table[0, 0, 1, 4]), divisor
    (2, 7, 1)
    """
    divisor = limit // _BINS + 1
    table = np.zeros((2, 2, 2, limit // divisor + 1), np.int64)
    _fill_cover(weights, limit, divisor, table)
    table = np.maximum.accumulate(table, axis=3) + 1
    return np.minimum(table, np.iinfo(np.int32).max).astype(np.int32), divisor


@njit(nogil=True, cache=True)
def _fill_cover(weights: Triple, limit: int, divisor: int, table: Int64s) -> None:
    """Enter at the smallest ball that holds a voxel how far that is from the neighbour.

    By symmetry one octant is enough: of mirror images the neighbour's opposite is the farthest.
    """
    wz, wy, wx = weights
    for z in range(int(math.sqrt(limit / wz)) + 2):
        for y in range(int(math.sqrt(limit / wy)) + 2):
            for x in range(int(math.sqrt(limit / wx)) + 2):
                square = wz * z * z + wy * y * y + wx * x * x
                # A ball holds what is nearer than its radius.
                entry = (square + 1) // divisor
                if entry >= table.shape[3]:
                    break
                for i in range(1, 8):
                    a, b, c = i // 4, i // 2 % 2, i % 2
                    far = wz * (z + a) ** 2 + wy * (y + b) ** 2 + wx * (x + c) ** 2
                    table[a, b, c, entry] = max(table[a, b, c, entry], far)


@lru_cache(maxsize=4)
def _roots(limit: int) -> NDArray[np.int16]:
    """Return the whole part of the square roots of 0 to a limit."""
    return np.array([math.isqrt(n) for n in range(limit + 1)], np.int16)


@njit(nogil=True, cache=True)
def _gap(at: int, start: int, stop: int) -> int:
    """Return the steps from a place to the nearest one of a range."""
    return max(start - at, at - stop + 1, 0)


@njit(nogil=True, cache=True)
def _holds_balls(
    squares: Int32s,
    start: Int32s,
    stop: Int32s,
    row: Int64s,
    core: tuple[Triple, Triple],
    is_open: NDArray[np.bool_],
    weights: Triple,
) -> bool:
    """Tell whether the array holds every ball whole that meets the core.

    A ball that reaches the core from beyond an open face shows: on its way there it leaves a voxel
    in the outermost layer whose own ball nearly reaches the core (distances change by at most the
    way) and leaves the array.
    """
    nz, ny, nx = squares.shape
    wz, wy, wx = weights
    slack = math.sqrt(wz + wy + wx)
    endless = 1 << 40
    for r in range(row.size - 1):
        z, y = r // ny, r % ny
        low_z = wz * (z + 1) ** 2 if is_open[0, 0] else endless
        high_z = wz * (nz - z) ** 2 if is_open[0, 1] else endless
        low_y = wy * (y + 1) ** 2 if is_open[1, 0] else endless
        high_y = wy * (ny - y) ** 2 if is_open[1, 1] else endless
        known = min(low_z, high_z, low_y, high_y)
        beside = wz * _gap(z, core[0][0], core[1][0]) ** 2
        beside += wy * _gap(y, core[0][1], core[1][1]) ** 2
        for i in range(row[r], row[r + 1]):
            for x in range(start[i], stop[i]):
                square = np.int64(squares[z, y, x])
                away = beside + wx * _gap(x, core[0][2], core[1][2]) ** 2
                inside = known
                if is_open[2, 0]:
                    inside = min(inside, wx * (x + 1) ** 2)
                if is_open[2, 1]:
                    inside = min(inside, wx * (nx - x) ** 2)
                if square > inside and math.sqrt(square) + slack >= math.sqrt(away):
                    return False
    return True


@njit(nogil=True, cache=True)
def _find_ridge(
    squares: Int32s,
    start: Int32s,
    stop: Int32s,
    row: Int64s,
    core: tuple[Triple, Triple],
    weights: Triple,
    table: Int32s,
    divisor: int,
) -> tuple[Int32s, Int32s]:
    """List the balls that meet the core and that no neighbour's ball covers."""
    ny = squares.shape[1]
    wz, wy, wx = weights
    n = 0
    places, sizes = np.empty((1024, 3), np.int32), np.empty(1024, np.int32)
    for r in range(row.size - 1):
        z, y = r // ny, r % ny
        beside = wz * _gap(z, core[0][0], core[1][0]) ** 2
        beside += wy * _gap(y, core[0][1], core[1][1]) ** 2
        for i in range(row[r], row[r + 1]):
            for x in range(start[i], stop[i]):
                square = np.int64(squares[z, y, x])
                if square <= beside + wx * _gap(x, core[0][2], core[1][2]) ** 2:
                    continue
                if _is_covered(squares, z, y, x, table, square, square // divisor):
                    continue
                if n == sizes.size:
                    more, larger = np.empty((2 * n, 3), np.int32), np.empty(2 * n, np.int32)
                    more[:n], larger[:n] = places, sizes
                    places, sizes = more, larger
                places[n, 0], places[n, 1], places[n, 2] = z, y, x
                sizes[n] = squares[z, y, x]
                n += 1
    return places[:n].copy(), sizes[:n].copy()


@njit(nogil=True, cache=True)
def _is_covered(
    squares: Int32s, z: int, y: int, x: int, table: Int32s, square: np.int64, entry: np.int64
) -> bool:
    """Tell whether a neighbour's ball holds all voxels of a ball; nearest neighbours first."""
    nz, ny, nx = squares.shape
    for k in range(NEAREST.shape[0]):
        c, b, a = x + NEAREST[k, 2], y + NEAREST[k, 1], z + NEAREST[k, 0]
        if a < 0 or a >= nz or b < 0 or b >= ny or c < 0 or c >= nx:
            continue
        other = squares[a, b, c]
        if other > square and other >= table[abs(a - z), abs(b - y), abs(c - x), entry]:
            return True
    return False


@njit(nogil=True, cache=True)
def _paint(
    places: Int32s,
    sizes: Int32s,
    order: Int64s,
    first: Triple,
    weights: Triple,
    limit: int,
    roots: NDArray[np.int16],
    free: NDArray[np.int16],
    painted: Int64s,
) -> None:
    """Count for each ball the voxels of the core that no larger one holds.

    The voxels of a ball in a row lie in one run of its body.  `free` leads from each voxel to the
    next one that is not painted, so that a row that is full costs a step.
    """
    wz, wy, wx = weights
    nz, ny, nx = free.shape
    nx -= 1
    for i in order:
        square = int(sizes[i])
        z0, y0, x0 = places[i, 0] - first[0], places[i, 1] - first[1], places[i, 2] - first[2]
        if square >= limit:
            # How large it is cannot be told, nor are the voxels in it wanted.
            painted[i] = 1
            continue
        n = 0
        reach = roots[(square - 1) // wz]
        for z in range(max(z0 - reach, 0), min(z0 + reach + 1, nz)):
            rest = square - wz * (z - z0) ** 2
            reach_y = roots[(rest - 1) // wy]
            for y in range(max(y0 - reach_y, 0), min(y0 + reach_y + 1, ny)):
                reach_x = roots[(rest - wy * (y - y0) ** 2 - 1) // wx]
                line = free[z, y]
                x, last = max(x0 - reach_x, 0), min(x0 + reach_x, nx - 1)
                x = _next(line, x) if x <= last else nx
                while x <= last:
                    line[x] = x + 1
                    n += 1
                    x = _next(line, x + 1)
        painted[i] = n


@njit(nogil=True, cache=True)
def _next(line: NDArray[np.int16], x: int) -> int:
    """Return the first place from `x` on that is free, and shorten the way there."""
    while line[x] != x:
        line[x] = line[line[x]]
        x = line[x]
    return x
