"""Exact Euclidean distances inside bodies: from each voxel to the nearest one of anything else.

Squared distances are integers: sums of squared steps along the axes times integer weights, so that
a voxel has the same one in any tile.  Bodies fill a few percent of a scan, so the three passes
(along x, then y, then z; Saito & Toriwaki 1994) walk the runs of bodies alone, and look along a
column only as far as it can still bring a voxel nearer: thin bodies cost a few steps a voxel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.model.grid import Triple

Int32s = NDArray[np.int32]
Int64s = NDArray[np.int64]

LARGEST_SQUARE = 1 << 28
"""Bound of squared distances: three passes, each at most this, add up within 32 bits."""

_DENOMINATOR = 64
"""Ratios of voxel edges squared are taken as fractions up to this denominator if they are some."""


@dataclass(frozen=True, slots=True)
class Metric:
    """What distances are measured in.

    Parameters
    ----------
    weights : tuple of int
        A step along (z, y, x) squared.
    unit_um : float
        Length whose square is 1.
    """

    weights: Triple
    unit_um: float

    def length_um(self, squares: NDArray[np.integer]) -> NDArray[np.float64]:
        """Return distances in um."""
        return np.asarray(self.unit_um * np.sqrt(squares.astype(np.float64)))

    def square(self, length_um: float) -> int:
        """Return the largest squared distance that is no longer than a length."""
        return math.floor((length_um / self.unit_um) ** 2 + 1e-6)


def choose_metric(voxel_um: tuple[float, float, float], reach_um: float) -> Metric:
    """Return integer weights for a voxel's edges.

    Parameters
    ----------
    voxel_um : tuple of float
        Edges along (z, y, x).
    reach_um : float
        Longest distance that is asked for.

    Returns
    -------
    Metric
        Exact where the squared edges stand in a ratio of whole numbers up to 64, as for cubic
        voxels or 1:1:2; else as fine as 32 bits allow (1e-4 for distances of 64 voxels).

    Examples
    --------
    >>> choose_metric((2.0, 2.0, 2.0), 64.0), choose_metric((3.0, 1.5, 1.5), 64.0).weights
    (Metric(weights=(1, 1, 1), unit_um=2.0), (4, 1, 1))
    """
    shortest = min(voxel_um)
    ratios = [(edge / shortest) ** 2 for edge in voxel_um]
    # A step may lead one voxel beyond the reach.
    farthest = [(reach_um + 2 * edge) ** 2 / shortest**2 for edge in voxel_um]
    most = int(LARGEST_SQUARE / max(farthest))
    whole = (
        n
        for n in range(1, min(_DENOMINATOR, most) + 1)
        if all(abs(r * n - round(r * n)) < 1e-9 * r * n for r in ratios)
    )
    scale = next(whole, max(most, 1))
    z, y, x = (round(r * scale) for r in ratios)
    return Metric((z, y, x), shortest / math.sqrt(scale))


@dataclass(frozen=True, slots=True)
class BodyRuns:
    """Runs of bodies along x, in raster order.

    Parameters
    ----------
    start, stop : ndarray of int32
        First voxel inside and first voxel beyond each run.
    row : ndarray of int64
        ``row[r]`` is the first run of row r (row = z * ny + y); one entry more than rows.
    """

    start: Int32s
    stop: Int32s
    row: Int64s


def find_body_runs(bodies: Int32s) -> BodyRuns:
    """Return the runs of voxels of one body.

    Parameters
    ----------
    bodies : ndarray of int32, shape (nz, ny, nx)
        Body of each voxel, from 1; 0 and less belong to none.

    Returns
    -------
    BodyRuns
        The runs.
    """
    row = np.zeros(bodies.shape[0] * bodies.shape[1] + 1, np.int64)
    _count_runs(bodies, row)
    start, stop = np.empty(row[-1], np.int32), np.empty(row[-1], np.int32)
    _fill_runs(bodies, row, start, stop)
    return BodyRuns(start, stop, row)


def square_distances(bodies: Int32s, runs: BodyRuns, weights: Triple, limit: int) -> Int32s:
    """Return the squared distance of each voxel of a body to the nearest voxel not of that body.

    Parameters
    ----------
    bodies : ndarray of int32, shape (nz, ny, nx)
        Body of each voxel, from 1; 0 and less belong to none.  Nothing is known beyond the faces of
        the array, and nothing there is near.
    runs : BodyRuns
        Its runs.
    weights : tuple of int
        Squared steps along (z, y, x).
    limit : int
        Largest squared distance that is wanted; larger ones come out as `limit`.

    Returns
    -------
    ndarray of int32, shape (nz, ny, nx)
        Squared distances; 0 where there is no body.

    Examples
    --------
    >>> bar = np.zeros((1, 1, 8), np.int32)
    >>> bar[..., 1:6] = 1
    >>> square_distances(bar, find_body_runs(bar), (1, 1, 1), 100).ravel()
    array([0, 1, 4, 9, 4, 1, 0, 0], dtype=int32)
    """
    squares = np.zeros(bodies.shape, np.int32)
    _along_x(runs.start, runs.stop, runs.row, bodies.shape[1], weights[2], limit, squares)
    _along_y(bodies, runs.start, runs.stop, runs.row, weights[1], squares)
    _along_z(bodies, runs.start, runs.stop, runs.row, weights[0], squares)
    return squares


@njit(nogil=True, cache=True)
def _count_runs(bodies: Int32s, row: Int64s) -> None:
    nz, ny, nx = bodies.shape
    n = 0
    for z in range(nz):
        for y in range(ny):
            last = np.int32(0)
            for x in range(nx):
                b = bodies[z, y, x]
                n += (b != last) & (b > 0)
                last = b
            row[z * ny + y + 1] = n


@njit(nogil=True, cache=True)
def _fill_runs(bodies: Int32s, row: Int64s, start: Int32s, stop: Int32s) -> None:
    nz, ny, nx = bodies.shape
    for z in range(nz):
        for y in range(ny):
            n = row[z * ny + y]
            if n == row[z * ny + y + 1]:
                continue
            last = np.int32(0)
            for x in range(nx):
                b = bodies[z, y, x]
                if b != last:
                    if last > 0:
                        stop[n - 1] = x
                    if b > 0:
                        start[n] = x
                        n += 1
                    last = b
            if last > 0:
                stop[n - 1] = nx


@njit(nogil=True, cache=True)
def _along_x(
    start: Int32s, stop: Int32s, row: Int64s, ny: int, weight: int, limit: int, squares: Int32s
) -> None:
    nx = squares.shape[2]
    # Steps up to this many count; none is longer than 32 bits allow.
    most = int(math.sqrt(limit / weight)) + 1
    for r in range(row.size - 1):
        line = squares[r // ny, r % ny]
        for i in range(row[r], row[r + 1]):
            a, b = start[i], stop[i]
            for x in range(a, b):
                low = x - a + 1 if a > 0 else most
                high = b - x if b < nx else most
                steps = min(low, high, most)
                line[x] = min(weight * steps * steps, limit)


@njit(nogil=True, cache=True)
def _along_y(
    bodies: Int32s, start: Int32s, stop: Int32s, row: Int64s, weight: int, squares: Int32s
) -> None:
    nz, ny, nx = bodies.shape
    before = np.empty((ny, nx), np.int32)
    for z in range(nz):
        first, last = row[z * ny], row[(z + 1) * ny]
        if first == last:
            continue
        for y in range(ny):
            for i in range(row[z * ny + y], row[z * ny + y + 1]):
                a, b = start[i], stop[i]
                before[y, a:b] = squares[z, y, a:b]
        for y in range(ny):
            for i in range(row[z * ny + y], row[z * ny + y + 1]):
                a, b = start[i], stop[i]
                body = bodies[z, y, a]
                least = squares[z, y, a:b]
                most = least.max()
                k = 1
                while weight * k * k < most:
                    square = weight * k * k
                    if y >= k:
                        _lower(least, before[y - k, a:b], bodies[z, y - k, a:b], body, square)
                    if y + k < ny:
                        _lower(least, before[y + k, a:b], bodies[z, y + k, a:b], body, square)
                    most = least.max()
                    k += 1


@njit(nogil=True, cache=True)
def _along_z(
    bodies: Int32s, start: Int32s, stop: Int32s, row: Int64s, weight: int, squares: Int32s
) -> None:
    nz, ny, nx = bodies.shape
    before = np.empty((nz, nx), np.int32)
    for y in range(ny):
        for z in range(nz):
            for i in range(row[z * ny + y], row[z * ny + y + 1]):
                a, b = start[i], stop[i]
                before[z, a:b] = squares[z, y, a:b]
        for z in range(nz):
            for i in range(row[z * ny + y], row[z * ny + y + 1]):
                a, b = start[i], stop[i]
                body = bodies[z, y, a]
                least = squares[z, y, a:b]
                most = least.max()
                k = 1
                while weight * k * k < most:
                    square = weight * k * k
                    if z >= k:
                        _lower(least, before[z - k, a:b], bodies[z - k, y, a:b], body, square)
                    if z + k < nz:
                        _lower(least, before[z + k, a:b], bodies[z + k, y, a:b], body, square)
                    most = least.max()
                    k += 1


@njit(nogil=True, cache=True)
def _lower(least: Int32s, way: Int32s, other: Int32s, body: int, square: int) -> None:
    """Lower squared distances to those by way of the same stretch of another row."""
    for x in range(least.size):
        beyond = way[x] if other[x] == body else np.int32(0)
        least[x] = min(least[x], np.int32(beyond + square))
