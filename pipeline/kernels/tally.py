"""Tallies: the mergeable integer statistics of one body in one tile.

A tally is a row of int64.  It holds sums, extrema and counts only, so merging is exact and does
not depend on order; every float of the catalogue is made from a merged tally, once.  Coordinates
are relative to the tile's origin, where sums stay far from overflow.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.kernels.cells import N_CELL_COUNTS
from pipeline.kernels.label import Runs
from pipeline.model.grid import Triple

BEYOND = 254
"""Value of a padded phase map where a voxel lies beyond the volume."""

(PHASE, N, FIRST) = range(3)
LOW, HIGH, SUM, SQUARE, MIXED = 3, 6, 9, 12, 15
(GREY, GREY_SQUARE, GREY_MIN, GREY_MAX) = range(18, 22)
CELL = 22
BORDER, EDGE = CELL + N_CELL_COUNTS, CELL + N_CELL_COUNTS + 1
N_COLUMNS = EDGE + 1
"""Columns: phase, voxels, raster index of the first voxel; bounding box (low inclusive, high
exclusive), sums of z y x, of their squares, of zy zx yx; sum, sum of squares, least and greatest
grey; cell counts (see `pipeline.kernels.cells`: crossings, Euler number, sections); cells at the
volume's border and at the mask."""

NO_VOXEL = np.iinfo(np.int64).max
"""First voxel of a body that has none in the tile's core (it lies in the shared layer)."""


def new_tallies(n_bodies: int) -> NDArray[np.int64]:
    """Return the tallies of bodies without voxels; row 0 belongs to no body."""
    tallies = np.zeros((n_bodies + 1, N_COLUMNS), np.int64)
    tallies[:, FIRST] = NO_VOXEL
    tallies[:, LOW:HIGH] = NO_VOXEL
    tallies[:, GREY_MIN] = NO_VOXEL
    return tallies


def tally_runs(
    runs: Runs,
    body: NDArray[np.int32],
    core: tuple[int, int, int],
    ny: int,
    grey: NDArray[np.uint16],
    first_voxel: int,
    strides: tuple[int, int],
    tallies: NDArray[np.int64],
) -> None:
    """Add the voxels of a tile's core to the tallies of their bodies.

    Parameters
    ----------
    runs : Runs
        Runs of the core and its shared layer.
    body : ndarray of int32
        Body of each run; 0 for none.
    core : tuple of int
        Shape of the core; voxels beyond it are not counted.
    ny : int
        Rows of a plane of the runs' volume.
    grey : ndarray of uint16, shape of at least `core`
        Conditioned grey.
    first_voxel : int
        Raster index of the core's first voxel in the whole volume.
    strides : tuple of int
        Raster index steps of one plane and one row in the whole volume.
    tallies : ndarray of int64, shape (n_bodies + 1, N_COLUMNS)
        Updated in place.
    """
    _tally_runs(
        runs.start, runs.stop, runs.phase, runs.row, body, core, ny, grey, first_voxel, strides,
        tallies,
    )  # fmt: skip


@njit(nogil=True, cache=True)
def _tally_runs(
    start: NDArray[np.int32],
    stop: NDArray[np.int32],
    phase: NDArray[np.uint8],
    row: NDArray[np.int64],
    body: NDArray[np.int32],
    core: Triple,
    ny: int,
    grey: NDArray[np.uint16],
    first_voxel: int,
    strides: tuple[int, int],
    tallies: NDArray[np.int64],
) -> None:
    for r in range(row.size - 1):
        z, y = r // ny, r % ny
        for i in range(row[r], row[r + 1]):
            b = body[i]
            if b == 0:
                continue
            t = tallies[b]
            t[PHASE] = phase[i]
            if z >= core[0] or y >= core[1] or start[i] >= core[2]:
                continue
            x0, x1 = start[i], min(stop[i], core[2])
            n = int(x1 - x0)
            # Sums over x0 .. x1 - 1 of x and x * x, exact in integers.
            sx = n * (x0 + x1 - 1) // 2
            sxx = _squares_below(x1) - _squares_below(x0)
            t[N] += n
            t[FIRST] = min(t[FIRST], first_voxel + z * strides[0] + y * strides[1] + x0)
            t[LOW] = min(t[LOW], z)
            t[LOW + 1] = min(t[LOW + 1], y)
            t[LOW + 2] = min(t[LOW + 2], x0)
            t[HIGH] = max(t[HIGH], z + 1)
            t[HIGH + 1] = max(t[HIGH + 1], y + 1)
            t[HIGH + 2] = max(t[HIGH + 2], x1)
            t[SUM] += n * z
            t[SUM + 1] += n * y
            t[SUM + 2] += sx
            t[SQUARE] += n * z * z
            t[SQUARE + 1] += n * y * y
            t[SQUARE + 2] += sxx
            t[MIXED] += n * z * y
            t[MIXED + 1] += sx * z
            t[MIXED + 2] += sx * y
            _add_grey(grey[z, y], x0, x1, t)


@njit(nogil=True, cache=True)
def _squares_below(n: int) -> np.int64:
    m = np.int64(n)
    return (m - 1) * m * (2 * m - 1) // 6


@njit(nogil=True, cache=True)
def _add_grey(row: NDArray[np.uint16], x0: int, x1: int, t: NDArray[np.int64]) -> None:
    total = np.int64(0)
    squares = np.int64(0)
    low = np.int64(65535)
    high = np.int64(0)
    for x in range(x0, x1):
        g = np.int64(row[x])
        total += g
        squares += g * g
        low = min(low, g)
        high = max(high, g)
    t[GREY] += total
    t[GREY_SQUARE] += squares
    t[GREY_MIN] = min(t[GREY_MIN], low)
    t[GREY_MAX] = max(t[GREY_MAX], high)


@njit(nogil=True, cache=True)
def tally_cells(
    labels: NDArray[np.uint32],
    phases: NDArray[np.uint8],
    first: Triple,
    component: NDArray[np.uint8],
    counts: NDArray[np.int64],
    tallies: NDArray[np.int64],
) -> None:
    """Add the boundary cells of a tile to the tallies of the bodies that meet in them.

    Parameters
    ----------
    labels : ndarray of uint32, shape (cz + 2, cy + 2, cx + 2)
        Bodies of the core with one layer below and above; the layer below is used only where
        `first` says so.
    phases : ndarray of uint8, same shape
        Phase map: `BEYOND` the volume, `pipeline.model.recipe.OUTSIDE` the specimen.
    first : tuple of int
        Lowest corner of the first cell on each axis: 0 where the tile begins the volume, else 1.
    component : ndarray of uint8, shape (256,)
        See `pipeline.kernels.cells.build_cell_tables`.
    counts : ndarray of int64, shape (256, N_CELL_COUNTS)
        See there.
    tallies : ndarray of int64, shape (n_bodies + 1, N_COLUMNS)
        Updated in place.
    """
    nz, ny, nx = labels.shape
    cell = np.zeros(8, np.uint32)
    for z in range(first[0], nz - 1):
        for y in range(first[1], ny - 1):
            a, b = labels[z, y], labels[z, y + 1]
            c, d = labels[z + 1, y], labels[z + 1, y + 1]
            x = first[2]
            left = a[x] | b[x] | c[x] | d[x]
            for x in range(first[2], nx - 1):
                right = a[x + 1] | b[x + 1] | c[x + 1] | d[x + 1]
                met = left | right
                left = right
                if met == 0:
                    continue
                same = a[x]
                if (
                    same == met
                    and same == b[x]
                    and same == c[x]
                    and same == d[x]
                    and same == a[x + 1]
                    and same == b[x + 1]
                    and same == c[x + 1]
                    and same == d[x + 1]
                ):
                    continue
                cell[0], cell[1] = a[x], a[x + 1]
                cell[2], cell[3] = b[x], b[x + 1]
                cell[4], cell[5] = c[x], c[x + 1]
                cell[6], cell[7] = d[x], d[x + 1]
                border, edge = _cell_edges(phases, z, y, x)
                _add_cell(cell, component, counts, border, edge, tallies)


@njit(nogil=True, cache=True)
def _cell_edges(phases: NDArray[np.uint8], z: int, y: int, x: int) -> tuple[bool, bool]:
    border = False
    edge = False
    for dz in range(2):
        for dy in range(2):
            for dx in range(2):
                p = phases[z + dz, y + dy, x + dx]
                border |= p == 254
                edge |= p == 255
    return border, edge


@njit(nogil=True, cache=True)
def _add_cell(
    cell: NDArray[np.uint32],
    component: NDArray[np.uint8],
    counts: NDArray[np.int64],
    border: bool,
    edge: bool,
    tallies: NDArray[np.int64],
) -> None:
    todo = 0
    for k in range(8):
        if cell[k]:
            todo |= 1 << k
    k = 0
    while todo:
        while not todo >> k & 1:
            k += 1
        body = cell[k]
        same = 0
        for j in range(k, 8):
            if cell[j] == body:
                same |= 1 << j
        todo &= ~same
        t = tallies[body]
        t[BORDER] += border
        t[EDGE] += edge
        while same:
            part = int(component[same])
            same &= ~part
            for i in range(N_CELL_COUNTS):
                t[CELL + i] += counts[part, i]
