import math

import numpy as np
import pytest
from scipy import stats

from pipeline.analysis.permutation import (
    arrange_groups,
    arrange_signs,
    curve_p_value,
    mean_p_values,
)


def welch(x, y, axis):
    """|t| with unequal variances, as a statistic for SciPy's permutation test."""
    error = x.var(axis=axis, ddof=1) / x.shape[axis] + y.var(axis=axis, ddof=1) / y.shape[axis]
    return np.abs(x.mean(axis=axis) - y.mean(axis=axis)) / np.sqrt(error)


def test_exact_p_values_equal_scipys():
    rng = np.random.default_rng(1)
    a, b = rng.normal(size=(4, 6)), rng.normal(0.7, 2.0, size=(5, 6))
    ways = arrange_groups(4, 5, seed=0)
    assert ways.exact
    assert len(ways.weights) == ways.n_possible == math.comb(9, 4)
    wanted = stats.permutation_test(
        (a, b), welch, vectorized=True, alternative="greater", n_resamples=np.inf
    )
    assert mean_p_values(np.concatenate([a, b]), ways) == pytest.approx(wanted.pvalue)


def test_exact_p_values_of_pairs_equal_scipys():
    rng = np.random.default_rng(2)
    a, b = rng.normal(size=(7, 5)), rng.normal(0.5, 1.0, size=(7, 5))
    wanted = stats.permutation_test(
        (b - a,),
        lambda d, axis: np.abs(d.mean(axis=axis)),
        permutation_type="samples",
        vectorized=True,
        alternative="greater",
        n_resamples=np.inf,
    )
    got = mean_p_values(b - a, arrange_signs(7, seed=0))
    assert got == pytest.approx(wanted.pvalue)


def test_a_split_worked_by_hand():
    # 1 2 against 8 9: of the 6 ways to take two, only {1, 2} and {8, 9} part them as far.
    values = np.array([[1.0], [2.0], [8.0], [9.0]])
    ways = arrange_groups(2, 2, seed=0)
    assert mean_p_values(values, ways)[0] == pytest.approx(2 / 6)
    assert ways.least == pytest.approx(2 / 6)
    # Three differences of one sign: 2 of the 8 ways to sign them are as one-sided.
    signs = arrange_signs(3, seed=0)
    assert mean_p_values(np.array([[1.0], [2.0], [3.0]]), signs)[0] == pytest.approx(0.25)
    assert signs.least == pytest.approx(0.25)


def test_groups_of_unequal_size_have_no_mirror_image():
    ways = arrange_groups(2, 3, seed=0)
    assert ways.least == pytest.approx(1 / 10)
    values = np.array([[1.0], [2.0], [8.0], [9.0], [10.0]])
    assert mean_p_values(values, ways)[0] == pytest.approx(1 / 10)


def test_equal_values_are_no_difference():
    values = np.full((6, 1), 0.1)
    assert mean_p_values(values, arrange_groups(3, 3, seed=0)).tolist() == [1.0]


def test_many_units_take_random_arrangements_with_the_observed_one_among_them():
    ways = arrange_groups(12, 12, seed=3, most=500)
    assert not ways.exact
    assert ways.weights.shape == (500, 24)
    assert (ways.weights.sum(axis=1) == 12).all()
    assert ways.weights[0, :12].all()
    again = arrange_groups(12, 12, seed=3, most=500)
    assert np.array_equal(ways.weights, again.weights)
    far = np.concatenate([np.zeros(12), np.full(12, 9.0)]) + np.arange(24) * 1e-3
    assert mean_p_values(far[:, None], ways)[0] == pytest.approx(ways.least)
    assert arrange_signs(20, seed=1, most=300).weights.shape == (300, 20)


@pytest.mark.parametrize("sizes", [(4, 4), (5, 5), (4, 9)])
def test_the_rate_of_false_alarms_is_the_level(sizes):
    rng = np.random.default_rng(sizes[1])
    values = np.exp(rng.normal(size=(sum(sizes), 3000)))
    rate = (mean_p_values(values, arrange_groups(*sizes, seed=0)) <= 0.05).mean()
    # p-values are whole multiples of the least one.
    least = arrange_groups(*sizes, seed=0).least
    possible = np.floor(0.05 / least) * least
    assert rate == pytest.approx(possible, abs=0.013)


def test_distance_of_curves_is_scipys_wasserstein_distance():
    rng = np.random.default_rng(4)
    first, second = np.sort(rng.normal(size=50)), np.sort(rng.normal(1.0, 1.0, size=50))
    curves = np.stack([first, first, second, second])
    distances, p_value = curve_p_value(curves, arrange_groups(2, 2, seed=0))
    assert distances[0] == pytest.approx(stats.wasserstein_distance(first, second))
    assert p_value == pytest.approx(2 / 6)
    shifted, _ = curve_p_value(np.stack([second - first] * 3), arrange_signs(3, seed=0))
    assert shifted[0] == pytest.approx(distances[0])
