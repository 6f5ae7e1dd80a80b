"""Overlap counts against whole-array NumPy, in whatever blocks."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.analysis.alignment import turn_by
from pipeline.kernels.overlap import count_overlaps, merge_overlaps, near_offsets
from pipeline.model.grid import Box, TileGrid
from pipeline.model.match import MatchedScan
from pipeline.model.similarity import Similarity
from pipeline.stages.match import index_move, other_box

SHAPE, OTHER = (30, 34, 37), (33, 36, 31)
RNG = np.random.default_rng(2)


def make_labels(shape, share):
    """Blobs, numbered."""
    smooth = ndimage.gaussian_filter(RNG.normal(size=shape), 1.5)
    return ndimage.label(smooth > np.quantile(smooth, 1 - share))[0].astype(np.uint32)


LABELS, THERE = make_labels(SHAPE, 0.15), make_labels(OTHER, 0.15)
PHASES = np.where(RNG.random(OTHER) < 0.1, 255, 1).astype(np.uint8)
MOVE = Similarity.of(turn_by(np.array([0.7, 0.2, -0.1])), [-9.0, 22.0, -3.0], 1.01)
SCANS = [
    MatchedScan(scan_id=n, census_job=n, shape=s, tile_shape=s, voxel_um=v)
    for n, s, v in (("a", SHAPE, (2.0, 2.0, 2.0)), ("b", OTHER, (2.0, 2.2, 2.1)))
]


def look_up(block_edge, tolerance_um, margin=0):
    """Count the whole volume in blocks."""
    matrix, shift = index_move(MOVE, *SCANS)
    offsets = near_offsets(tolerance_um, SCANS[1].voxel_um)
    parts = []
    for tile in TileGrid(SHAPE, (block_edge,) * 3):
        box = other_box(tile.core, matrix, shift, offsets, OTHER).grow((margin,) * 3).clip(OTHER)
        parts.append(
            count_overlaps(
                LABELS[tile.core.slices],
                np.asarray(tile.core.start),
                np.ascontiguousarray(THERE[box.slices]),
                np.ascontiguousarray(PHASES[box.slices]),
                box,
                matrix,
                shift,
                offsets,
            )
        )
    return merge_overlaps(parts[::-1])


def test_counts_are_those_of_whole_arrays():
    found = look_up(64, 2.0)
    place = np.argwhere(LABELS)
    own = LABELS[tuple(place.T)]
    there_um = MOVE.apply((place + 0.5) * SCANS[0].voxel_um)
    at = np.floor(there_um / SCANS[1].voxel_um).astype(int)
    inside = np.all((at >= 0) & (at < OTHER), axis=1)
    assert 0.3 < inside.mean() < 0.95
    phase, same = np.full(len(own), 255), np.zeros(len(own), int)
    phase[inside] = PHASES[tuple(at[inside].T)]
    same[inside] = THERE[tuple(at[inside].T)]
    assert found.ids.tolist() == np.unique(own).tolist()
    assert found.n_voxels.tolist() == np.bincount(own)[1:].tolist()
    n_ids = int(own.max()) + 1
    assert found.n_in_field.tolist() == np.bincount(own[phase != 255], minlength=n_ids)[1:].tolist()
    pairs, counts = np.unique(
        np.stack([own[same > 0], same[same > 0]], axis=1), axis=0, return_counts=True
    )
    known = {tuple(p): int(n) for p, n in zip(pairs.tolist(), counts, strict=True)}
    got = {tuple(p): int(n) for p, n in zip(found.pairs.tolist(), found.n_same, strict=True) if n}
    assert got == known
    # Near ones: within the tolerance of the voxel that a place falls into.
    near = ndimage.distance_transform_edt(np.pad(THERE, 3) == 0, sampling=SCANS[1].voxel_um)
    reach = np.all((at >= -3) & (at < np.asarray(OTHER) + 3), axis=1)
    meets = near[tuple((at[reach] + 3).T)] <= 2.0 + 1e-6
    assert found.n_near.sum() == meets.sum() > found.n_same.sum()


@pytest.mark.parametrize("edge", [7, 16])
def test_blocks_and_their_surroundings_change_nothing(edge):
    one, other = look_up(64, 3.2), look_up(edge, 3.2, margin=edge % 5)
    for name in ("ids", "n_voxels", "n_in_field", "pairs", "n_same", "n_near"):
        assert np.array_equal(getattr(one, name), getattr(other, name)), name


def test_nothing_to_look_up_is_nothing():
    assert merge_overlaps([]).ids.size == 0
    empty = np.zeros((3, 3, 3), np.uint32)
    box = Box((0, 0, 0), (3, 3, 3))
    found = count_overlaps(
        empty,
        np.zeros(3, int),
        empty,
        empty.astype(np.uint8),
        box,
        np.eye(3),
        np.ones(3),
        near_offsets(1.0, (1.0, 1.0, 1.0)),
    )
    assert found.ids.size == found.pairs.size == 0
    assert near_offsets(0.0, (1.0, 1.0, 1.0)).shape == (0, 3)
