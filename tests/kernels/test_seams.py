"""Seams: pairs read off shared layers, and the union of equivalent ids."""

from itertools import product

import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from pipeline.kernels.seams import cut_faces, flatten_forest, match_faces, merge_pairs
from pipeline.model.grid import TileGrid

STEPS = [step for step in product((0, 1), repeat=3) if any(step)]


def test_faces_lie_where_neighbours_look():
    labels = np.arange(5 * 6 * 7, dtype=np.uint32).reshape(5, 6, 7)
    faces = cut_faces(labels)
    assert np.array_equal(faces["low_z"], labels[1, 1:-1, 1:-1])
    assert np.array_equal(faces["low_y"], labels[1:-1, 1, 1:-1])
    assert np.array_equal(faces["low_x"], labels[1:-1, 1:-1, 1])
    assert np.array_equal(faces["high_z"], labels[-1, 1:, 1:])
    assert np.array_equal(faces["high_y"], labels[1:, -1, 1:])
    assert np.array_equal(faces["high_x"], labels[1:, 1:, -1])


@pytest.mark.parametrize("step", STEPS)
def test_pairs_are_the_ids_of_the_same_voxels(step):
    # Ids of two tiles drawn at random over the voxels that both may label.
    rng = np.random.default_rng(sum(s << i for i, s in enumerate(step)))
    grid = TileGrid((9, 11, 13), (5, 6, 7))
    mine, other = grid.tile(0), grid.tile(grid.number(step))
    volumes = []
    for tile in (mine, other):
        ids = np.zeros([n + 2 for n in tile.core.shape], np.uint32)
        box = tile.core.grow((0, 0, 0), (1, 1, 1)).clip(grid.shape)
        seen = tuple(slice(1, 1 + n) for n in box.shape)
        ids[seen] = rng.integers(0, 3, box.shape)
        volume = np.zeros(grid.shape, np.uint32)
        volume[box.slices] = ids[seen]
        volumes.append((ids, volume))
    a, b = volumes[0][1], volumes[1][1]
    owned = np.zeros(grid.shape, bool)
    owned[other.core.slices] = True
    both = (a > 0) & (b > 0) & owned
    wanted = sorted(set(zip(a[both].tolist(), b[both].tolist(), strict=True)))
    pairs = match_faces(step, cut_faces(volumes[0][0]), cut_faces(volumes[1][0]))
    assert pairs.dtype == np.uint32
    assert wanted
    assert [tuple(p) for p in pairs.tolist()] == wanted


def test_large_ids_survive_packing():
    face = np.full((1, 1), 2**32 - 1, np.uint32)
    high = np.full((2, 2), 2**32 - 1, np.uint32)
    pairs = match_faces((1, 0, 0), {"high_z": high}, {"low_z": face})
    assert pairs.tolist() == [[2**32 - 1, 2**32 - 1]]


@pytest.mark.parametrize("seed", range(5))
def test_union_equals_connected_components_in_any_order(seed):
    rng = np.random.default_rng(seed)
    n = 400
    pairs = rng.integers(1, n + 1, (260, 2)).astype(np.uint32)
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0] - 1, pairs[:, 1] - 1)), shape=(n, n))
    _, reference = connected_components(graph, directed=False)
    results = []
    for order in (np.arange(len(pairs)), rng.permutation(len(pairs))):
        parent = np.arange(n)
        for part in np.array_split(pairs[order], 7):
            merge_pairs(parent, part, -1, -1)
        flatten_forest(parent)
        results.append(parent)
    assert np.array_equal(results[0], results[1])
    for component in range(reference.max() + 1):
        members = np.flatnonzero(reference == component)
        assert (results[0][members] == members[0]).all()


def test_a_long_chain_is_flat_after_one_pass():
    n = 50_000
    parent = np.arange(n)
    links = np.arange(n, 1, -1, dtype=np.uint32)
    merge_pairs(parent, np.stack([links, links - 1], 1), -1, -1)
    flatten_forest(parent)
    assert not parent.any()
