"""Weights of particles at the border: places counted by brute force, and an unbiased density."""

import numpy as np
import pytest
from scipy import stats

from pipeline.analysis.sizes import (
    Field,
    estimate_density,
    estimate_mean,
    estimate_quantile,
    geometric_deviation,
    weight_particles,
)


def disc(n_blocks=6, block=3):
    _, y, x = np.indices((4, n_blocks, n_blocks))
    full = np.hypot(y - 2.5, x - 2.5) < 2.6
    full[1, 2, 3] = False
    return Field((4 * block, n_blocks * block, n_blocks * block + 1), block, full)


def voxels_of(field):
    return field.full.repeat(field.block, 0).repeat(field.block, 1).repeat(field.block, 2)


@pytest.mark.parametrize(
    "size", [(1, 1, 1), (2, 3, 4), (3, 6, 3), (4, 7, 5), (12, 2, 2), (1, 9, 9)]
)
def test_places_in_a_field_of_blocks_are_those_found_one_by_one(size):
    field = disc()
    inside = voxels_of(field)
    places = [range(n - s + 1) for n, s in zip(inside.shape, size, strict=True)]
    starts = np.array([(z, y, x) for z in places[0] for y in places[1] for x in places[2]])
    starts = starts.reshape(-1, 3)
    fits = [
        inside[tuple(slice(a, a + n) for a, n in zip(start, size, strict=True))].all()
        for start in starts
    ]
    assert field.count_places(np.array([size]))[0] == sum(fits)
    stops = starts + np.array(size)
    np.testing.assert_array_equal(field.holds(starts, stops), fits)


def test_a_box_that_leaves_the_field_is_not_held():
    field = disc()
    starts = np.array([[-1, 6, 6], [0, 6, 6], [0, 6, 17], [10, 6, 6]])
    stops = starts + np.array([3, 3, 3])
    assert field.holds(starts, stops).tolist() == [False, True, False, False]
    box = Field((9, 9, 9))
    assert box.holds(starts, stops).tolist() == [False, True, False, False]
    assert box.count_places(np.array([[10, 1, 1], [9, 9, 9]])).tolist() == [0, 1]


def test_particles_that_touch_the_border_may_be_cut_and_do_not_count():
    start = np.array([[0, 4, 4], [1, 4, 4], [1, 1, 1], [0, 0, 0]])
    stop = np.array([[3, 6, 6], [3, 6, 6], [9, 9, 9], [10, 10, 10]])
    found = weight_particles(Field((10, 10, 10)), start, stop)
    assert found.whole.tolist() == [False, True, True, False]
    assert found.weight[1] == pytest.approx(1 / (7 * 7 * 7))
    assert found.weight[2] == 1.0
    assert found.n_too_large == 1


def test_density_and_mean_of_boxes_at_random_are_unbiased():
    rng = np.random.default_rng(1)
    shape, intensity = np.array((40, 40, 40)), 1e-3
    densities, lengths, counted = [], [], []
    for _ in range(150):
        n = rng.poisson(intensity * 80**3)
        edge = rng.choice([3, 25], n, p=[0.7, 0.3])
        start = rng.integers(-30, 50, (n, 3))
        stop = start + edge[:, None]
        met = ((stop > 0) & (start < shape)).all(1)
        cut = (np.maximum(start, 0)[met], np.minimum(stop, shape)[met])
        found = weight_particles(Field((40, 40, 40)), *cut)
        densities.append(estimate_density(found.weight, 1e9).value)
        lengths.append(float((found.weight * edge[met]).sum()))
        counted.append(found.whole.sum() / 40**3)
    error = np.std(densities) / np.sqrt(150)
    assert abs(np.mean(densities) - intensity) < 3 * error
    assert np.mean(counted) < 0.75 * intensity
    mean = np.mean(lengths) / np.mean(densities)
    assert mean == pytest.approx(0.7 * 3 + 0.3 * 25, rel=0.05)


def test_the_interval_of_a_mean_holds_it():
    rng = np.random.default_rng(3)
    held = []
    for _ in range(200):
        found = estimate_mean(rng.exponential(size=300), rng.uniform(0.5, 1.5, 300))
        held.append(found.low < 1.0 < found.high)
    assert 0.9 <= np.mean(held) <= 0.99


def test_the_interval_of_a_mean_of_ten_is_students():
    rng = np.random.default_rng(5)
    held = []
    for _ in range(1000):
        values = rng.normal(size=10)
        found = estimate_mean(values, np.ones(10))
        held.append(found.low < 0.0 < found.high)
    wanted = stats.t.interval(0.95, 9, values.mean(), stats.sem(values))
    assert (found.low, found.high) == pytest.approx(wanted)
    assert 0.93 <= np.mean(held) <= 0.97


def test_the_interval_of_a_density_is_that_of_counts():
    # Equal weights: Garwood's exact interval of a Poisson count, 10 of which hold 4.795 to 18.39.
    found = estimate_density(np.full(10, 0.1), 1e9)
    assert (found.value, found.low, found.high) == pytest.approx((1.0, 0.4795, 1.839), rel=1e-3)
    # Fay & Feuer (1997): a fifth of the particles stands for four times as many as the others.
    rng = np.random.default_rng(7)
    held = []
    for _ in range(800):
        n = rng.poisson([16.0, 4.0])
        found = estimate_density(np.repeat([1.0, 4.0], n), 1e9)
        held.append(found is not None and found.low <= 32.0 <= found.high)
    assert 0.94 <= np.mean(held) <= 0.995


def test_a_quantile_of_few_has_no_end_beyond_the_data():
    found = estimate_quantile(np.arange(1.0, 13.0), np.ones(12), 0.1)
    assert found.low is None
    assert found.value < found.high < 12.0
    median = estimate_quantile(np.arange(1.0, 13.0), np.ones(12), 0.5)
    assert 1.0 < median.low < 6.5 < median.high < 12.0


def test_quantiles_follow_weights_and_hold_the_truth():
    rng = np.random.default_rng(2)
    held = []
    for _ in range(200):
        values = rng.lognormal(2.0, 0.5, 400)
        weight = rng.uniform(0.5, 1.5, 400)
        found = estimate_quantile(values, weight, 0.9)
        held.append(found.low < np.exp(2.0 + 0.5 * 1.2815516) < found.high)
    assert 0.9 <= np.mean(held) <= 0.99
    doubled = estimate_quantile(np.array([1.0, 2.0, 3.0]), np.array([1.0, 1.0, 4.0]), 0.5)
    assert doubled.value > 2.0
    assert geometric_deviation(np.array([1.0, 4.0]), np.ones(2)) == pytest.approx(2.0)


def test_too_few_particles_give_no_number():
    assert estimate_density(np.zeros(3), 1.0) is None
    assert estimate_mean(np.array([1.0]), np.ones(1)) is None
    assert estimate_quantile(np.array([1.0, 2.0]), np.array([1.0, 0.0]), 0.5) is None
    assert geometric_deviation(np.empty(0), np.empty(0)) is None
