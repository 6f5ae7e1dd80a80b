"""Merging of tallies: exact beyond 64 bits, in any order, numbered canonically."""

import numpy as np
import pytest

from pipeline.kernels.reduce import (
    MergedTallies,
    merge_boxes,
    merge_extremes,
    merge_sums,
    sum_sizes,
    take_census,
)
from pipeline.kernels.tally import (
    FIRST,
    GREY,
    GREY_MAX,
    GREY_MIN,
    GREY_SQUARE,
    HIGH,
    LOW,
    MIXED,
    NO_VOXEL,
    PHASE,
    SQUARE,
    SUM,
    N,
    new_tallies,
)


def smallest(least):
    out = np.zeros(256, np.int64)
    for phase, n in least.items():
        out[phase] = n
    return out


def test_census_numbers_by_phase_in_order_of_the_first_voxel():
    root = np.array([0, 1, 2, 3, 1, 5, 6])
    size = np.array([9, 3, 5, 8, 0, 1, 7])
    first = np.array([40, 30, 20, 10, 99, 5, 50])
    phase = np.array([3, 1, 1, 3, 1, 1, 3], np.uint8)
    census = take_census(root, size, first, phase, smallest({1: 2, 3: 8}))
    assert census.phase.tolist() == [1, 1, 3, 3]
    assert census.particle_id.tolist() == [1, 2, 1, 2]
    assert census.row_of.tolist() == [3, 1, 0, 2, 1, -1, -1]
    assert census.small_bodies[[1, 3]].tolist() == [1, 1]
    assert census.small_voxels[[1, 3]].tolist() == [1, 7]
    ids, phases = census.name_bodies()
    assert ids.tolist() == [2, 2, 1, 1, 2, 0, 0]
    assert phases.tolist() == [3, 1, 1, 3, 1, 255, 255]
    assert phases.dtype == np.uint8


def test_large_bodies_that_are_not_sure_get_no_row():
    root, first = np.arange(4), np.array([5, 6, 7, 8])
    size, phase = np.array([9, 9, 9, 2]), np.array([1, 1, 3, 3], np.uint8)
    sure = np.array([True, False, False, False])
    census = take_census(root, size, first, phase, smallest({1: 2, 3: 8}), sure)
    assert census.row_of.tolist() == [0, -1, -1, -1]
    assert census.unsure_bodies[[1, 3]].tolist() == [1, 1]
    assert census.unsure_voxels[[1, 3]].tolist() == [9, 9]
    # A small body is small, whether it is sure or not.
    assert census.small_bodies[[1, 3]].tolist() == [0, 1]


def test_ranges_of_grey_widen_at_the_roots():
    low, high = np.full(2, NO_VOXEL), np.zeros(2, np.int64)
    for greys in ([(20, 30), (5, 60)], [(15, 25), None]):
        tallies = new_tallies(2)
        for row, grey in zip(tallies[1:], greys, strict=True):
            if grey:
                row[GREY_MIN], row[GREY_MAX] = grey
        merge_extremes(tallies, np.array([9, 1, 1]), 1, low, high)
    assert (low.tolist(), high.tolist()) == ([NO_VOXEL, 5], [0, 60])


def test_census_of_nothing_and_of_small_bodies_only():
    none = np.zeros(0, np.int64)
    empty = take_census(none, none, none, none.astype(np.uint8), smallest({1: 1}))
    assert empty.particle_id.size == 0
    one = np.array([0])
    small = take_census(one, one + 2, one, (one + 1).astype(np.uint8), smallest({1: 9}))
    assert small.row_of.tolist() == [-1]
    assert [a.tolist() for a in small.name_bodies()] == [[0], [255]]


def test_sizes_add_up_at_the_roots():
    tallies = new_tallies(3)
    tallies[1:, N] = (4, 0, 6)
    tallies[1:, FIRST] = (70, np.iinfo(np.int64).max, 50)
    tallies[1:, PHASE] = 2
    root = np.array([9, 9, 9, 1, 1, 1, 0, 0, 0, 0])[3:6]
    size, first = np.zeros(4, np.int64), np.full(4, 1000)
    phase = np.zeros(4, np.uint8)
    sum_sizes(tallies, np.concatenate([[0], root]), 1, size, first, phase)
    assert size.tolist() == [0, 10, 0, 0]
    assert first.tolist() == [1000, 50, 1000, 1000]
    assert phase.tolist() == [0, 2, 0, 0]


def make_tile(rng, origin, n_voxels=50, edge=900):
    """A tally of random voxels of a tile, by closed forms in Python integers."""
    points = rng.integers(0, edge, (n_voxels, 3))
    grey = rng.integers(0, 65536, n_voxels)
    z, y, x = points.T
    t = new_tallies(1)
    t[1, PHASE], t[1, N], t[1, FIRST] = 1, n_voxels, rng.integers(10**12)
    t[1, LOW:HIGH], t[1, HIGH:SUM] = points.min(0), points.max(0) + 1
    t[1, SUM:SQUARE] = points.sum(0)
    t[1, SQUARE:MIXED] = (points**2).sum(0)
    t[1, MIXED:GREY] = (z * y).sum(), (z * x).sum(), (y * x).sum()
    t[1, GREY], t[1, GREY_SQUARE] = grey.sum(), (grey**2).sum()
    t[1, GREY_MIN], t[1, GREY_MAX] = grey.min(), grey.max()
    return t, points + np.array(origin), grey


@pytest.mark.parametrize("seed", range(4))
def test_shifted_sums_are_those_of_all_voxels(seed):
    rng = np.random.default_rng(seed)
    origins = [tuple(int(v) for v in rng.integers(0, 12_000, 3)) for _ in range(6)]
    tiles = [(*make_tile(rng, origin), origin) for origin in origins]
    results = []
    for order in (range(6), rng.permutation(6)):
        merged = MergedTallies.empty(1)
        for merge in (merge_boxes, merge_sums):
            for i in order:
                merge(merged, tiles[i][0], np.array([0]), tiles[i][3])
        results.append(merged)
    one, two = results
    for name in ("narrow", "high", "low"):
        assert np.array_equal(getattr(one, name), getattr(two, name))
    points = np.concatenate([t[1] for t in tiles]).astype(object)
    grey = np.concatenate([t[2] for t in tiles]).astype(object)
    low = points.min(0)
    assert one.narrow[0, LOW:HIGH].tolist() == low.tolist()
    assert one.narrow[0, HIGH:SUM].tolist() == (points.max(0) + 1).tolist()
    z, y, x = (points - low).T
    assert one.narrow[0, SUM:SQUARE].tolist() == [z.sum(), y.sum(), x.sum()]
    wide = [int(h) * 2**31 + int(v) for h, v in zip(one.high[0], one.low[0], strict=True)]
    assert wide == [
        *((v * v).sum() for v in (z, y, x)),
        (z * y).sum(),
        (z * x).sum(),
        (y * x).sum(),
        (grey * grey).sum(),
    ]
    np.testing.assert_allclose(one.wide()[0], [float(w) for w in wide], rtol=3e-16)
    assert one.narrow[0, GREY] == grey.sum()
    assert (one.narrow[0, GREY_MIN], one.narrow[0, GREY_MAX]) == (grey.min(), grey.max())


def test_wide_sums_outgrow_64_bits_exactly():
    # 64 tiles of 1024^3 voxels of the brightest grey: sum of squares near 2^68.
    tally = new_tallies(1)
    n = 1024**3
    tally[1, PHASE], tally[1, N] = 1, n
    tally[1, LOW:HIGH], tally[1, HIGH:SUM] = 0, 1024
    tally[1, SUM:SQUARE] = n * 1023 // 2
    tally[1, GREY_SQUARE] = n * 65535**2
    tally[1, SQUARE:MIXED] = n * 1023 * 2047 // 6
    merged = MergedTallies.empty(1)
    for merge in (merge_boxes, merge_sums):
        for k in range(64):
            merge(merged, tally, np.array([0]), (k * 1024, 0, 0))
    exact = [int(h) * 2**31 + int(v) for h, v in zip(merged.high[0], merged.low[0], strict=True)]
    assert exact[6] == 64 * n * 65535**2 > 2**63
    length = 64 * 1024
    assert exact[0] == 1024**2 * ((length - 1) * length * (2 * length - 1) // 6)


def test_rows_of_dropped_bodies_are_left_alone():
    tally, *_ = make_tile(np.random.default_rng(0), (0, 0, 0))
    merged = MergedTallies.empty(1)
    for merge in (merge_boxes, merge_sums):
        merge(merged, tally, np.array([-1]), (0, 0, 0))
    assert np.array_equal(merged.narrow, new_tallies(1)[1:])
    assert not merged.high.any()
