"""Counts on blocks and over directions: against plain array arithmetic, for any tiling."""

import numpy as np
import pytest

from pipeline.kernels.cells import DIRECTIONS
from pipeline.kernels.samples import fold_samples
from pipeline.kernels.tally import BEYOND
from pipeline.model.grid import TileGrid

SHAPE, N_PHASES, BLOCK, WIDE = (37, 70, 41), 3, 4, 32


@pytest.fixture(scope="module")
def phases():
    rng = np.random.default_rng(5)
    volume = np.repeat(np.repeat(rng.integers(0, 3, (13, 24, 14)), 3, 0), 3, 1).repeat(3, 2)
    volume = volume[: SHAPE[0], : SHAPE[1], : SHAPE[2]].astype(np.uint8)
    volume[rng.random(SHAPE) < 0.03] = 255
    return volume


def fold(phases, tile_shape):
    """Sums over the tiles of a volume."""
    n_blocks = [-(-n // BLOCK) for n in phases.shape]
    n_wide = [-(-n // WIDE) for n in phases.shape]
    voxels = np.zeros((*n_blocks, N_PHASES), np.int64)
    contacts = np.zeros((*n_wide, N_PHASES, N_PHASES), np.int64)
    pairs = np.zeros((len(DIRECTIONS), N_PHASES, N_PHASES), np.int64)
    padded = np.pad(phases, 1, constant_values=BEYOND)
    for tile in TileGrid(phases.shape, tile_shape):
        seen = tuple(slice(s.start, s.stop + 2) for s in tile.core.slices)
        part = fold_samples(padded[seen], tile.core.start, BLOCK, WIDE, N_PHASES)
        for total, added, first in (
            (voxels, part.voxels, part.voxel_first),
            (contacts, part.contacts, part.contact_first),
        ):
            total[tuple(slice(a, a + n) for a, n in zip(first, added.shape, strict=False))] += added
        pairs += part.pairs
    return voxels, contacts, pairs


def test_blocks_hold_their_voxels(phases):
    voxels, _, _ = fold(phases, SHAPE)
    for phase in range(N_PHASES):
        wanted = (phases == phase).astype(np.int64)
        for axis in range(3):
            wanted = np.add.reduceat(wanted, np.arange(0, SHAPE[axis], BLOCK), axis)
        np.testing.assert_array_equal(voxels[..., phase], wanted)


def test_pairs_are_those_of_shifted_arrays(phases):
    _, contacts, pairs = fold(phases, SHAPE)
    for k, step in enumerate(DIRECTIONS):
        here = phases[
            tuple(slice(max(-s, 0), n - max(s, 0)) for s, n in zip(step, SHAPE, strict=True))
        ]
        there = phases[
            tuple(slice(max(s, 0), n + min(s, 0)) for s, n in zip(step, SHAPE, strict=True))
        ]
        wanted = [
            [int(((here == p) & (there == q)).sum()) for q in range(N_PHASES)]
            for p in range(N_PHASES)
        ]
        assert pairs[k].tolist() == wanted, step
    between = pairs[:3].sum(0)
    np.fill_diagonal(between, 0)
    np.testing.assert_array_equal(contacts.sum((0, 1, 2)), between)


@pytest.mark.parametrize("tile_shape", [(8, 8, 8), (5, 33, 11), (37, 7, 41), (1, 1, 64)])
def test_tiles_do_not_matter(phases, tile_shape):
    for whole, tiled in zip(fold(phases, SHAPE), fold(phases, tile_shape), strict=True):
        np.testing.assert_array_equal(tiled, whole)
