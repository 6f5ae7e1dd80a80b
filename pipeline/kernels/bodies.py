"""One tile from phase map to bodies with tallies: the whole label stage on arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.kernels.cavities import TileRegions, find_regions
from pipeline.kernels.cells import build_cell_tables
from pipeline.kernels.contacts import Contacts, count_contacts
from pipeline.kernels.label import Runs, find_runs, label_runs, paint_runs
from pipeline.kernels.outline import outline_runs
from pipeline.kernels.tally import PHASE, new_tallies, tally_cells, tally_runs
from pipeline.model.grid import Box, Triple


@dataclass(frozen=True, slots=True)
class TileBodies:
    """What one tile knows of its bodies.

    Parameters
    ----------
    labels : ndarray of uint32, shape (cz + 2, cy + 2, cx + 2)
        Local ids of the core with one layer around it; the low layer is empty, the high one is
        the layer shared with the next tiles.
    tallies : ndarray of int64, shape (n_bodies + 1, N_COLUMNS)
        Tally of each local id; row 0 belongs to none.
    small_bodies, small_voxels : ndarray of int64, shape (256,)
        By phase: bodies wholly inside this tile that are under the phase's smallest size, and
        their voxels.  They have no local id.
    hull_offsets : ndarray of int64, shape (n_bodies + 1,)
        Hull corners of body b are rows ``hull_offsets[b - 1]`` to ``hull_offsets[b]``.
    hull_corners : ndarray of int32, shape (k, 3)
        See `pipeline.kernels.outline.outline_runs`.
    contacts : Contacts
        Faces of local ids by what lies behind them.
    regions : TileRegions
        What the bodies leave free.
    """

    labels: NDArray[np.uint32]
    tallies: NDArray[np.int64]
    small_bodies: NDArray[np.int64]
    small_voxels: NDArray[np.int64]
    hull_offsets: NDArray[np.int64]
    hull_corners: NDArray[np.int32]
    contacts: Contacts
    regions: TileRegions


def label_tile(
    phases: NDArray[np.uint8],
    grey: NDArray[np.uint16],
    core: Box,
    shape: Triple,
    smallest: NDArray[np.int64],
    connectivity: int,
    pore: int = -1,
) -> TileBodies:
    """Find and tally the bodies of one tile.

    Parameters
    ----------
    phases : ndarray of uint8, shape (cz + 2, cy + 2, cx + 2)
        Phase map of the core with one layer around it; `pipeline.kernels.tally.BEYOND` where that
        leaves the volume.  The low layer is looked at only where it does.
    grey : ndarray of uint16
        Conditioned grey, starting at the core's first voxel.
    core : Box
        The tile's core in the volume.
    shape : tuple of int
        Shape of the volume.
    smallest : ndarray of int64, shape (256,)
        Fewest voxels of a particle by phase; 0 for a phase whose bodies are not wanted.
    connectivity : int
        6, 18 or 26.
    pore : int
        The pore phase, sought in cavities; -1 for none.

    Returns
    -------
    TileBodies
        Local ids and tallies; the same bodies whatever the tile, once merged across seams.
    """
    body_phases = phases[1:, 1:, 1:]
    ny = body_phases.shape[1]
    runs = find_runs(body_phases, smallest > 0)
    body, n_bodies = label_runs(runs, ny, connectivity)
    open_below = _open_below(core)
    small_bodies, small_voxels = np.zeros(256, np.int64), np.zeros(256, np.int64)
    n_bodies = _drop_small(
        runs.start,
        runs.stop,
        runs.phase,
        runs.row,
        ny,
        core.shape,
        open_below,
        smallest,
        body,
        n_bodies,
        small_bodies,
        small_voxels,
    )
    labels = np.zeros(phases.shape, np.uint32)
    paint_runs(runs.start, runs.stop, body, runs.row, ny, labels, 1)
    tallies = _tally(runs, body, n_bodies, grey, core, shape, ny)
    component, counts = build_cell_tables(connectivity)
    first = (int(open_below[0]), int(open_below[1]), int(open_below[2]))
    tally_cells(labels, phases, first, component, counts, tallies)
    hull_offsets, hull_corners = outline_runs(runs, body, n_bodies, core.shape, ny)
    contacts = count_contacts(labels, phases, first, tallies[:, PHASE].astype(np.uint8))
    wanted = np.flatnonzero(smallest > 0)
    regions = find_regions(runs, body, core, shape, wanted, connectivity, pore)
    return TileBodies(
        labels, tallies, small_bodies, small_voxels, hull_offsets, hull_corners, contacts, regions
    )


def _open_below(core: Box) -> tuple[bool, bool, bool]:
    """Return on which axes another tile lies below: bodies there may go on."""
    return (core.start[0] > 0, core.start[1] > 0, core.start[2] > 0)


def _tally(
    runs: Runs,
    body: NDArray[np.int32],
    n_bodies: int,
    grey: NDArray[np.uint16],
    core: Box,
    shape: Triple,
    ny: int,
) -> NDArray[np.int64]:
    tallies = new_tallies(n_bodies)
    strides = (shape[1] * shape[2], shape[2])
    first_voxel = core.start[0] * strides[0] + core.start[1] * strides[1] + core.start[2]
    tally_runs(runs, body, core.shape, ny, grey, first_voxel, strides, tallies)
    return tallies


@njit(nogil=True, cache=True)
def _drop_small(
    start: NDArray[np.int32],
    stop: NDArray[np.int32],
    phase: NDArray[np.uint8],
    row: NDArray[np.int64],
    ny: int,
    core: Triple,
    low: tuple[bool, bool, bool],
    smallest: NDArray[np.int64],
    body: NDArray[np.int32],
    n_bodies: int,
    small_bodies: NDArray[np.int64],
    small_voxels: NDArray[np.int64],
) -> int:
    """Take bodies under the smallest size that end inside the tile out of the numbering.

    Noise makes most bodies of a scan; leaving them out here keeps the seams and the reduction as
    small as what people ask for.
    """
    size = np.zeros(n_bodies + 1, np.int64)
    least = np.zeros(n_bodies + 1, np.int64)
    kind = np.zeros(n_bodies + 1, np.uint8)
    is_open = np.zeros(n_bodies + 1, np.bool_)
    for r in range(row.size - 1):
        z, y = r // ny, r % ny
        edge = z >= core[0] or y >= core[1] or (low[0] and z == 0) or (low[1] and y == 0)
        for i in range(row[r], row[r + 1]):
            b = body[i]
            size[b] += stop[i] - start[i]
            least[b] = smallest[phase[i]]
            kind[b] = phase[i]
            if edge or stop[i] > core[2] or (low[2] and start[i] == 0):
                is_open[b] = True
    number = np.zeros(n_bodies + 1, np.int32)
    n = 0
    for b in range(1, n_bodies + 1):
        if is_open[b] or size[b] >= least[b]:
            n += 1
            number[b] = n
        else:
            small_bodies[kind[b]] += 1
            small_voxels[kind[b]] += size[b]
    for i in range(body.size):
        body[i] = number[body[i]]
    return n
