"""Cavities and tunnels of bodies, exactly, whatever their size and however tiles cut them.

What a phase's bodies leave free falls into *regions*, joined by the neighbours dual to those of the
bodies (6 for bodies of 18 or 26, 26 for bodies of 6).  Bodies and regions that share a face make a
tree whose root is the region around all (Kong & Rosenfeld 1989, Comput. Vision Graph. 48, 357): a
body touches one region on its outside and one for each of its cavities.  So cavities are counted,
not searched, and what lies behind a cavity is a branch of the tree.

Along x, the first voxel of a body or of a cavity with all that is in it has its surroundings to the
left; so the ends of runs alone find every edge of the tree.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order

from pipeline.kernels.label import Runs, label_runs
from pipeline.kernels.seams import flatten_forest, merge_pairs
from pipeline.kernels.tally import PHASE, N
from pipeline.model.grid import Box, Triple

Int64s = NDArray[np.int64]
Planes = dict[str, NDArray[np.uint32]]

FACES = ("low_z", "low_y", "low_x", "high_z", "high_y", "high_x")


@dataclass(frozen=True, slots=True)
class TileRegions:
    """Regions of one tile; ids count from 1 through all phases, in order of phase.

    Parameters
    ----------
    outside : ndarray of bool, shape (n,)
        Whether a region reaches beyond the volume.
    voxels, pores : ndarray of int64, shape (n,)
        Voxels of a region in the tile's core, and those of the pore phase among them.
    body, region : ndarray of uint32, shape (k,)
        Local ids of bodies and the regions that they touch, each pair once.
    faces : dict of str to ndarray of uint32
        Regions on the layers that neighbours also label, one plane a phase:
        `pipeline.kernels.seams.cut_faces` says which.
    """

    outside: NDArray[np.bool_]
    voxels: Int64s
    pores: Int64s
    body: NDArray[np.uint32]
    region: NDArray[np.uint32]
    faces: Planes


def find_regions(
    runs: Runs,
    body: NDArray[np.int32],
    core: Box,
    shape: Triple,
    phases: Iterable[int],
    connectivity: int,
    pore: int,
) -> TileRegions:
    """Find the regions between the bodies of a tile, phase by phase.

    Parameters
    ----------
    runs : Runs
        Runs of the core and the layer above that it shares.
    body : ndarray of int32
        Body of each run.  A run of body 0 counts as free: leaving out whole bodies changes nothing
        for the others.
    core : Box
        The tile's core.
    shape : tuple of int
        Shape of the volume.
    phases : iterable of int
        Phases of bodies.
    connectivity : int
        6, 18 or 26 neighbours of bodies.
    pore : int
        The pore phase, whose voxels are counted; -1 for none.

    Returns
    -------
    TileRegions
        The regions.
    """
    cz, cy, cx = core.shape
    wanted = list(phases)
    faces = {
        name: np.zeros((len(wanted), *edges), np.uint32)
        for name, edges in zip(
            FACES,
            ((cy, cx), (cz, cx), (cz, cy), (cy + 1, cx + 1), (cz + 1, cx + 1), (cz + 1, cy + 1)),
            strict=True,
        )
    }
    limits = np.array([np.equal(core.start, 0), np.equal(core.stop, shape)]).T.copy()
    parts = []
    first = 0
    for k, phase in enumerate(wanted):
        row, start, stop = _free_runs(
            runs.start, runs.stop, runs.phase, runs.row, body, phase, cx + 1
        )
        free = Runs(start, stop, np.zeros(start.size, np.uint8), row)
        region, n = label_runs(free, cy + 1, 26 if connectivity == 6 else 6)
        outside = np.zeros(n, np.bool_)
        counts = np.zeros((2, n), np.int64)
        _tally_free(
            start, stop, row, region, core.shape, limits, outside, counts[0], np.uint32(first),
            *(faces[name][k] for name in FACES),
        )  # fmt: skip
        _tally_pores(
            runs.start, runs.stop, runs.phase, runs.row, body, phase, pore, stop, row,
            region, core.shape, counts[1],
        )  # fmt: skip
        pairs = _touch(
            runs.start, runs.stop, runs.phase, runs.row, body, phase, cx + 1, row, region,
            int(body.max(initial=0)),
        )  # fmt: skip
        pairs = np.unique(pairs)
        parts.append((outside, counts, pairs >> np.int64(32), (pairs & 0xFFFFFFFF) + first))
        first += n
    joined = [np.concatenate(part, axis=-1) for part in zip(*parts, strict=True)]
    outside, counts, touching, touched = joined
    return TileRegions(
        outside, counts[0], counts[1], touching.astype(np.uint32), touched.astype(np.uint32), faces
    )


@njit(nogil=True, cache=True)
def _free_runs(
    start: NDArray[np.int32],
    stop: NDArray[np.int32],
    phase: NDArray[np.uint8],
    row: Int64s,
    body: NDArray[np.int32],
    wanted: int,
    nx: int,
) -> tuple[Int64s, NDArray[np.int32], NDArray[np.int32]]:
    """Return row, start and stop of the longest stretches without a body of a phase."""
    n = row.size - 1
    for i in range(body.size):
        n += phase[i] == wanted and body[i] > 0
    free_row = np.zeros(row.size, np.int64)
    free_start, free_stop = np.empty(n, np.int32), np.empty(n, np.int32)
    k = 0
    for r in range(row.size - 1):
        x = 0
        for i in range(row[r], row[r + 1]):
            if phase[i] != wanted or body[i] == 0:
                continue
            if start[i] > x:
                free_start[k], free_stop[k] = x, start[i]
                k += 1
            x = stop[i]
        if x < nx:
            free_start[k], free_stop[k] = x, nx
            k += 1
        free_row[r + 1] = k
    return free_row, free_start[:k], free_stop[:k]


@njit(nogil=True, cache=True)
def _tally_free(
    start: NDArray[np.int32],
    stop: NDArray[np.int32],
    row: Int64s,
    region: NDArray[np.int32],
    core: Triple,
    limits: NDArray[np.bool_],
    outside: NDArray[np.bool_],
    voxels: Int64s,
    first: np.uint32,
    low_z: NDArray[np.uint32],
    low_y: NDArray[np.uint32],
    low_x: NDArray[np.uint32],
    high_z: NDArray[np.uint32],
    high_y: NDArray[np.uint32],
    high_x: NDArray[np.uint32],
) -> None:
    """Count voxels, mark what reaches beyond the volume, and paint the layers that are shared."""
    cz, cy, cx = core
    ny = cy + 1
    for r in range(row.size - 1):
        z, y = r // ny, r % ny
        # A layer above the volume is free, and part of a region that reaches beyond.
        beyond = (
            (z == 0 and limits[0, 0])
            or (z == cz and limits[0, 1])
            or (y == 0 and limits[1, 0])
            or (y == cy and limits[1, 1])
        )
        inside = z < cz and y < cy
        for i in range(row[r], row[r + 1]):
            k = region[i] - 1
            a, b = start[i], stop[i]
            if beyond or (a == 0 and limits[2, 0]) or (b == cx + 1 and limits[2, 1]):
                outside[k] = True
            name = first + np.uint32(region[i])
            if inside:
                end = min(b, cx)
                voxels[k] += end - a if end > a else 0
                if z == 0:
                    low_z[y, a:end] = name
                if y == 0:
                    low_y[z, a:end] = name
                if a == 0:
                    low_x[z, y] = name
            if z == cz:
                high_z[y, a:b] = name
            if y == cy:
                high_y[z, a:b] = name
            if b == cx + 1:
                high_x[z, y] = name


@njit(nogil=True, cache=True)
def _tally_pores(
    start: NDArray[np.int32],
    stop: NDArray[np.int32],
    phase: NDArray[np.uint8],
    row: Int64s,
    body: NDArray[np.int32],
    wanted: int,
    pore: int,
    free_stop: NDArray[np.int32],
    free_row: Int64s,
    region: NDArray[np.int32],
    core: Triple,
    pores: Int64s,
) -> None:
    """Count the voxels of the pore phase in each region; each run lies within one free run."""
    ny = core[1] + 1
    for r in range(row.size - 1):
        if r // ny >= core[0] or r % ny >= core[1]:
            continue
        k = free_row[r]
        for i in range(row[r], row[r + 1]):
            if phase[i] != pore or (phase[i] == wanted and body[i] > 0):
                continue
            while free_stop[k] <= start[i]:
                k += 1
            end = min(stop[i], core[2])
            if end > start[i]:
                pores[region[k] - 1] += end - start[i]


@njit(nogil=True, cache=True)
def _touch(
    start: NDArray[np.int32],
    stop: NDArray[np.int32],
    phase: NDArray[np.uint8],
    row: Int64s,
    body: NDArray[np.int32],
    wanted: int,
    nx: int,
    free_row: Int64s,
    region: NDArray[np.int32],
    n_bodies: int,
) -> Int64s:
    """Return body * 2^32 + region for what lies at the ends of runs, few of them twice."""
    last = np.zeros(n_bodies + 1, np.int32)
    pairs = np.empty(2 * body.size, np.int64)
    n = 0
    for r in range(row.size - 1):
        k = free_row[r]
        x = 0
        for i in range(row[r], row[r + 1]):
            b = body[i]
            if phase[i] != wanted or b == 0:
                continue
            # Free runs and runs of this phase take turns; `x` is where the run before ended.
            if start[i] > x:
                if last[b] != region[k]:
                    last[b] = region[k]
                    pairs[n] = np.int64(b) << 32 | region[k]
                    n += 1
                k += 1
            x = stop[i]
            if x < nx and k < free_row[r + 1] and last[b] != region[k]:
                # Two runs of one phase never touch end to end, so what follows is free.
                last[b] = region[k]
                pairs[n] = np.int64(b) << 32 | region[k]
                n += 1
    return pairs[:n]


class RegionForest:
    """Regions of all tiles, joined across seams; 0 is the one that reaches beyond the volume.

    Parameters
    ----------
    counts : sequence of int
        Regions of each tile.
    """

    def __init__(self, counts: Sequence[int]) -> None:
        self.first = np.concatenate([[0], np.cumsum(counts, dtype=np.int64)])
        self.parent = np.arange(self.first[-1] + 1)

    def join(self, tile: int, other: int, pairs: NDArray[np.uint32]) -> None:
        """Join regions that two tiles found at the same voxels."""
        merge_pairs(self.parent, pairs, self.first[tile], self.first[other])

    def open(self, tile: int, outside: NDArray[np.bool_]) -> None:
        """Join the regions of a tile that reach beyond the volume with region 0."""
        reaching = np.flatnonzero(outside).astype(np.uint32) + np.uint32(1)
        pairs = np.stack([np.zeros_like(reaching), reaching], 1)
        merge_pairs(self.parent, pairs, 0, self.first[tile])

    def close(self) -> None:
        """Let every region know its root, after all have been joined."""
        flatten_forest(self.parent)

    def roots(self, tile: int, regions: NDArray[np.uint32] | None = None) -> Int64s:
        """Return the roots of some regions of a tile, or of all of them in order."""
        first, last = self.first[tile] + 1, self.first[tile + 1] + 1
        roots: Int64s = self.parent[first:last]
        return roots if regions is None else roots[regions.astype(np.int64) - 1]


@dataclass(frozen=True, slots=True)
class Enclosures:
    """What bodies enclose, by the root of each body.

    Parameters
    ----------
    cavities : ndarray of int64
        Enclosed regions that a body touches.
    voxels, pores : ndarray of int64
        Voxels behind its surface that are not its own, bodies of its phase included; and those of
        the pore phase among them.
    """

    cavities: Int64s
    voxels: Int64s
    pores: Int64s


def enclose_bodies(
    forest: RegionForest,
    tiles: Sequence[TileRegions],
    tallies: Sequence[Int64s],
    root: Int64s,
    offsets: Int64s,
    pore: int,
) -> Enclosures:
    """Count cavities and what lies in them, from the tree of bodies and regions.

    Parameters
    ----------
    forest : RegionForest
        Regions of the tiles, joined and closed.
    tiles : sequence of TileRegions
        Regions of each tile; their faces are not looked at.
    tallies : sequence of ndarray of int64
        Tallies of each tile; phases and voxels are enough.
    root, offsets : ndarray of int64
        Root of every local id of all tiles, and the index of each tile's first.
    pore : int
        The pore phase; -1 for none.

    Returns
    -------
    Enclosures
        By root of body.
    """
    n, m = root.size, forest.parent.size
    # Regions come first among the nodes of the tree, the one around all before them.
    voxels, pores = np.zeros(m + n, np.int64), np.zeros(m + n, np.int64)
    touching = []
    for tile, (found, tally) in enumerate(zip(tiles, tallies, strict=True)):
        own, regions = m + root[offsets[tile] : offsets[tile + 1]], forest.roots(tile)
        np.add.at(voxels, regions, found.voxels)
        np.add.at(pores, regions, found.pores)
        np.add.at(voxels, own, tally[1:, N])
        np.add.at(pores, own, np.where(tally[1:, PHASE] == pore, tally[1:, N], 0))
        body = own[found.body.astype(np.int64) - 1]
        touching.append(body * m + forest.roots(tile, found.region))
    body, region = np.divmod(np.unique(np.concatenate(touching)), m)
    graph = coo_array((np.ones(body.size, np.int8), (region, body)), shape=(m + n, m + n))
    order, above = breadth_first_order(graph.tocsr(), 0, directed=False)
    own_voxels, own_pores = voxels[m:].copy(), pores[m:].copy()
    _sum_branches(order, above, voxels, pores)
    cavities = np.maximum(np.bincount(body, minlength=m + n)[m:] - 1, 0)
    return Enclosures(cavities, voxels[m:] - own_voxels, pores[m:] - own_pores)


@njit(nogil=True, cache=True)
def _sum_branches(
    order: NDArray[np.int32], above: NDArray[np.int32], voxels: Int64s, pores: Int64s
) -> None:
    """Add every branch to what it grows on, the farthest from the root first."""
    for k in range(order.size - 1, 0, -1):
        voxels[above[order[k]]] += voxels[order[k]]
        pores[above[order[k]]] += pores[order[k]]
