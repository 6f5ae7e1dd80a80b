"""Merge tallies of tiles into tallies of particles, exactly.

Sums of squares outgrow 64 bits on bodies of 10^9 voxels, so a merged tally holds each wide sum in
two words, ``high * 2**31 + low``, that are added separately.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.kernels.tally import (
    CELL,
    FIRST,
    GREY,
    GREY_MAX,
    GREY_MIN,
    GREY_SQUARE,
    HIGH,
    LOW,
    MIXED,
    N_COLUMNS,
    PHASE,
    SQUARE,
    SUM,
    N,
    new_tallies,
)
from pipeline.model.grid import Triple

WORD = 31
"""Bits of the low word of a wide sum."""

N_WIDE = 7
"""Wide sums: squares of z y x, products zy zx yx (both about the bounding box's low corner), grey
squares."""


@dataclass(frozen=True, slots=True)
class Census:
    """Which merged bodies are particles, and their ids.

    Parameters
    ----------
    row_of : ndarray of int64
        Row of each local id of all tiles; -1 for bodies that get none.
    phase : ndarray of uint8
        Phase of each row.
    particle_id : ndarray of int64
        Id of each row: from 1 by phase, in raster order of the first voxel.
    small_bodies, small_voxels : ndarray of int64, shape (256,)
        By phase: bodies under the smallest size, and their voxels.
    unsure_bodies, unsure_voxels : ndarray of int64, shape (256,)
        By phase: larger bodies that are not sure, and their voxels.
    """

    row_of: NDArray[np.int64]
    phase: NDArray[np.uint8]
    particle_id: NDArray[np.int64]
    small_bodies: NDArray[np.int64]
    small_voxels: NDArray[np.int64]
    unsure_bodies: NDArray[np.int64]
    unsure_voxels: NDArray[np.int64]

    def name_bodies(self) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        """Return particle id and phase of each local id; 0 and 255 for bodies without a row."""
        # Row -1 picks the appended last entry.
        ids = np.append(self.particle_id, np.int64(0))[self.row_of]
        return ids, np.append(self.phase, np.uint8(255))[self.row_of]


@njit(nogil=True, cache=True)
def sum_sizes(
    tallies: NDArray[np.int64],
    root: NDArray[np.int64],
    offset: int,
    size: NDArray[np.int64],
    first: NDArray[np.int64],
    phase: NDArray[np.uint8],
) -> None:
    """Add a tile's voxel counts to the roots of its bodies.

    Parameters
    ----------
    tallies : ndarray of int64, shape (n_bodies + 1, N_COLUMNS)
        Tallies of a tile.
    root : ndarray of int64
        Root of every local id of all tiles.
    offset : int
        Index in `root` of the tile's local id 1.
    size, first : ndarray of int64
        Voxels and raster index of the first voxel by root, updated in place.
    phase : ndarray of uint8
        Phase by root, updated in place.
    """
    for b in range(1, tallies.shape[0]):
        r = root[offset + b - 1]
        size[r] += tallies[b, N]
        first[r] = min(first[r], tallies[b, FIRST])
        phase[r] = tallies[b, PHASE]


def merge_extremes(
    tallies: NDArray[np.int64],
    root: NDArray[np.int64],
    offset: int,
    low: NDArray[np.int64],
    high: NDArray[np.int64],
) -> None:
    """Widen the range of grey of the roots by that of a tile's bodies.

    Parameters
    ----------
    tallies : ndarray of int64, shape (n_bodies + 1, N_COLUMNS)
        Tallies of a tile.
    root : ndarray of int64
        Root of every local id of all tiles.
    offset : int
        Index in `root` of the tile's local id 1.
    low, high : ndarray of int64
        Least and greatest grey by root, updated in place.
    """
    mine = root[offset : offset + len(tallies) - 1]
    np.minimum.at(low, mine, tallies[1:, GREY_MIN])
    np.maximum.at(high, mine, tallies[1:, GREY_MAX])


def take_census(
    root: NDArray[np.int64],
    size: NDArray[np.int64],
    first: NDArray[np.int64],
    phase: NDArray[np.uint8],
    smallest: NDArray[np.int64],
    sure: NDArray[np.bool_] | None = None,
) -> Census:
    """Give large enough bodies their ids, by phase, in raster order of their first voxel.

    Parameters
    ----------
    root, size, first : ndarray of int64
        Root of every local id; voxels and first voxel by root (see `sum_sizes`).
    phase : ndarray of uint8
        Phase by root.
    smallest : ndarray of int64, shape (256,)
        Fewest voxels of a particle by phase.
    sure : ndarray of bool, optional
        By root: whether the body gets a row if it is large enough.

    Returns
    -------
    Census
        Rows ordered by phase, then id.
    """
    bodies = np.flatnonzero(size > 0)
    large = size[bodies] >= smallest[phase[bodies]]
    kept, small = bodies[large], bodies[~large]
    doubted = kept[:0] if sure is None else kept[~sure[kept]]
    kept = kept if sure is None else kept[sure[kept]]
    kept = kept[np.lexsort((first[kept], phase[kept]))]
    row_of_root = np.full(root.size, -1, np.int64)
    row_of_root[kept] = np.arange(kept.size)
    kinds = phase[kept]
    starts = np.searchsorted(kinds, np.arange(256))
    return Census(
        row_of=row_of_root[root],
        phase=kinds,
        particle_id=np.arange(kept.size) - starts[kinds] + 1,
        small_bodies=np.bincount(phase[small], minlength=256),
        small_voxels=np.bincount(phase[small], size[small], minlength=256).astype(np.int64),
        unsure_bodies=np.bincount(phase[doubted], minlength=256),
        unsure_voxels=np.bincount(phase[doubted], size[doubted], minlength=256).astype(np.int64),
    )


@dataclass(frozen=True, slots=True)
class MergedTallies:
    """Tallies of particles; see `pipeline.kernels.tally` for the columns.

    Parameters
    ----------
    narrow : ndarray of int64, shape (n, N_COLUMNS)
        Sums of counts and cells as in a tile.  Bounding boxes in the volume's coordinates, sums of
        coordinates relative to the box's low corner; the columns of wide sums are not used.
    high, low : ndarray of int64, shape (n, N_WIDE)
        Words of the wide sums.
    """

    narrow: NDArray[np.int64]
    high: NDArray[np.int64]
    low: NDArray[np.int64]

    @classmethod
    def empty(cls, n: int) -> MergedTallies:
        """Return tallies of `n` particles without voxels."""
        words = np.zeros((n, N_WIDE), np.int64)
        return cls(new_tallies(n)[1:], words, words.copy())

    def wide(self) -> NDArray[np.float64]:
        """Return the wide sums, each rounded once."""
        return np.asarray(self.high * float(1 << WORD) + self.low)


def merge_boxes(merged: MergedTallies, tallies: NDArray[np.int64], rows: NDArray[np.int64],
                origin: Triple) -> None:  # fmt: skip
    """Widen the particles' bounding boxes by those of a tile's bodies: the first of two passes.

    Parameters
    ----------
    merged : MergedTallies
        Updated in place.
    tallies : ndarray of int64
        Tallies of a tile.
    rows : ndarray of int64
        Row of each local id from 1; -1 for none.
    origin : tuple of int
        First voxel of the tile's core.
    """
    _merge_boxes(merged.narrow, tallies, rows, origin)


def merge_sums(merged: MergedTallies, tallies: NDArray[np.int64], rows: NDArray[np.int64],
               origin: Triple) -> None:  # fmt: skip
    """Add a tile's sums, shifted to each particle's bounding box: the second pass.

    Parameters
    ----------
    merged : MergedTallies
        With complete bounding boxes; updated in place.
    tallies, rows : ndarray of int64
        As for `merge_boxes`.
    origin : tuple of int
        As for `merge_boxes`.
    """
    _merge_sums(merged.narrow, merged.high, merged.low, tallies, rows, origin)


@njit(nogil=True, cache=True)
def _merge_boxes(
    narrow: NDArray[np.int64], tallies: NDArray[np.int64], rows: NDArray[np.int64], origin: Triple
) -> None:
    for b in range(rows.size):
        r = rows[b]
        t = tallies[b + 1]
        if r < 0 or t[N] == 0:
            continue
        for axis in range(3):
            narrow[r, LOW + axis] = min(narrow[r, LOW + axis], t[LOW + axis] + origin[axis])
            narrow[r, HIGH + axis] = max(narrow[r, HIGH + axis], t[HIGH + axis] + origin[axis])


@njit(nogil=True, cache=True)
def _merge_sums(
    narrow: NDArray[np.int64],
    high: NDArray[np.int64],
    low: NDArray[np.int64],
    tallies: NDArray[np.int64],
    rows: NDArray[np.int64],
    origin: Triple,
) -> None:
    shift = np.zeros(3, np.int64)
    for b in range(rows.size):
        r = rows[b]
        if r < 0:
            continue
        t, m = tallies[b + 1], narrow[r]
        m[PHASE] = t[PHASE]
        m[N] += t[N]
        m[FIRST] = min(m[FIRST], t[FIRST])
        for i in range(CELL, N_COLUMNS):
            m[i] += t[i]
        if t[N] == 0:
            continue
        m[GREY] += t[GREY]
        m[GREY_MIN] = min(m[GREY_MIN], t[GREY_MIN])
        m[GREY_MAX] = max(m[GREY_MAX], t[GREY_MAX])
        _add_wide(high[r], low[r], 6, t[GREY_SQUARE])
        for i in range(3):
            shift[i] = origin[i] - m[LOW + i]
        for i in range(3):
            d, s = shift[i], t[SUM + i]
            m[SUM + i] += s + t[N] * d
            _add_wide(high[r], low[r], i, t[SQUARE + i] + 2 * d * s + t[N] * d * d)
            # Products in the order zy, zx, yx.
            p, q = (0, 1) if i == 0 else (0, 2) if i == 1 else (1, 2)
            product = t[MIXED + i] + shift[p] * t[SUM + q] + shift[q] * t[SUM + p]
            _add_wide(high[r], low[r], 3 + i, product + t[N] * shift[p] * shift[q])


@njit(nogil=True, cache=True)
def _add_wide(high: NDArray[np.int64], low: NDArray[np.int64], i: int, value: int) -> None:
    high[i] += value >> WORD
    low[i] += value & ((1 << WORD) - 1)
