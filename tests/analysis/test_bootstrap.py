import numpy as np
import pytest
from scipy import stats

from pipeline.analysis.bootstrap import draw_units, mean_interval, seed_of


def test_draws_follow_from_the_seed_and_draw_every_unit_alike():
    draws = draw_units(6, seed_of("F", "bar-01"))
    assert np.array_equal(draws, draw_units(6, seed_of("F", "bar-01")))
    assert (draws.sum(axis=1) == 6).all()
    assert draws.mean(axis=0) == pytest.approx(np.ones(6), abs=0.1)


def test_the_bootstrap_error_is_scipys():
    values = np.random.default_rng(1).lognormal(size=12)
    ours = (draw_units(12, 0, 20_000) @ values / 12).std(ddof=1)
    theirs = stats.bootstrap((values,), np.mean, n_resamples=20_000, rng=2).standard_error
    assert ours == pytest.approx(theirs, rel=0.03)


def test_few_specimens_have_students_interval():
    values = np.array([[1.0], [2.0], [4.0]])
    low, high = mean_interval(values, draw_units(3, 0))
    wanted = stats.ttest_1samp(values[:, 0], 0.0).confidence_interval()
    assert (low[0], high[0]) == pytest.approx(tuple(wanted))


@pytest.mark.parametrize("n", [3, 5, 10])
def test_intervals_hold_the_truth(n):
    values = np.random.default_rng(n).normal(5.0, 1.0, size=(n, 2000))
    low, high = mean_interval(values, draw_units(n, 1))
    assert 0.93 <= ((low <= 5.0) & (high >= 5.0)).mean() <= 0.97


def test_values_without_scatter_have_a_point():
    low, high = mean_interval(np.full((6, 2), 3.0), draw_units(6, 0))
    assert low.tolist() == high.tolist() == [3.0, 3.0]
