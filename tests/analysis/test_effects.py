import numpy as np
import pytest
from scipy import stats

from pipeline.analysis.effects import cliffs_delta, difference, hedges_g, ratio
from pipeline.analysis.power import needed_units, power_of, shown_effect


@pytest.fixture
def groups():
    rng = np.random.default_rng(5)
    return rng.normal(10.0, 1.0, size=(6, 4)), rng.normal(11.0, 2.0, size=(9, 4))


def test_difference_is_welchs(groups):
    a, b = groups
    got = difference(a, b, paired=False)
    for i in range(4):
        wanted = stats.ttest_ind(b[:, i], a[:, i], equal_var=False).confidence_interval()
        assert (got.low[i], got.high[i]) == pytest.approx(tuple(wanted))
    paired = difference(a, b[:6], paired=True)
    wanted = stats.ttest_rel(b[:6, 0], a[:, 0]).confidence_interval()
    assert (paired.low[0], paired.high[0]) == pytest.approx(tuple(wanted))


def test_ratio_and_its_interval(groups):
    a, b = groups
    got = ratio(a, b, paired=False)
    assert got.value == pytest.approx(b.mean(axis=0) / a.mean(axis=0))
    assert np.sqrt(got.low * got.high) == pytest.approx(got.value)
    # Ratios do not depend on units of measurement, and there is none with values of both signs.
    assert ratio(a * 7, b * 7, paired=False).low == pytest.approx(got.low)
    assert np.isnan(ratio(a - 10.0, b, paired=False).value).all()


def test_hedges_g_worked_by_hand():
    # Means 2 and 4, both deviations 1: d = 2; 4 degrees of freedom: 1 - 3 / 15 = 0.8.
    a, b = np.array([[1.0], [2.0], [3.0]]), np.array([[3.0], [4.0], [5.0]])
    got = hedges_g(a, b, paired=False)
    assert got.value[0] == pytest.approx(1.6)
    assert got.high[0] - got.value[0] == pytest.approx(1.959964 * np.sqrt(2 / 3 + 1.6**2 / 12))
    # Pairs: 2 degrees of freedom: 1 - 3 / 7.
    assert hedges_g(a, b, paired=True).value[0] == pytest.approx(2 * 4 / 7)


def test_cliffs_delta_worked_by_hand_and_by_scipys_u():
    # Of 9 pairs, 7 rise, 1 falls (3 to 2), 1 ties (3 and 3): 6 / 9.
    a, b = np.array([[1.0], [1.0], [3.0]]), np.array([[2.0], [3.0], [4.0]])
    assert cliffs_delta(a, b, paired=False).value[0] == pytest.approx(6 / 9)
    rng = np.random.default_rng(8)
    a, b = rng.integers(0, 9, (7, 5)) * 1.0, rng.integers(0, 9, (11, 5)) * 1.0
    got = cliffs_delta(a, b, paired=False)
    u = stats.mannwhitneyu(b, a).statistic
    assert got.value == pytest.approx(2 * u / 77 - 1)
    assert ((got.low <= got.value) & (got.value <= got.high)).all()


def test_cliffs_delta_of_groups_apart_and_of_pairs():
    a = np.arange(5.0)[:, None]
    apart = cliffs_delta(a, a + 10, paired=False)
    assert (apart.value[0], apart.high[0]) == (1.0, 1.0)
    assert 0 < apart.low[0] < 1
    assert cliffs_delta(a + 10, a, paired=False).low[0] == -1.0
    pairs = cliffs_delta(a, a + np.array([[1], [1], [1], [-1], [0]]), paired=True)
    assert pairs.value[0] == pytest.approx(2 / 5)
    low, high = stats.binomtest(4, 5).proportion_ci(method="wilson")
    four_of_five = cliffs_delta(a, a + np.array([[1], [1], [1], [1], [-1]]), paired=True)
    assert four_of_five.low[0] == pytest.approx(2 * low - 1)
    assert four_of_five.high[0] == pytest.approx(2 * high - 1)


def deltas_end(first, second):
    """Feng & Cliff (2004), equations 4 and 8, unit by unit, as printed (written from memory)."""
    d = np.sign(second[None, :] - first[:, None])
    m, n = d.shape
    mean = d.mean()
    by_first, by_second = d.mean(axis=1), d.mean(axis=0)
    s2 = n**2 * ((by_first - mean) ** 2).sum() + m**2 * ((by_second - mean) ** 2).sum()
    s2 = (s2 - ((d - mean) ** 2).sum()) / (m * n * (m - 1) * (n - 1))
    z = stats.norm.ppf(0.975)
    half = z * np.sqrt(s2) * np.sqrt((1 - mean**2) ** 2 + z**2 * s2)
    return ((mean - mean**3) + np.array([-half, half])) / (1 - mean**2 + z**2 * s2)


def test_cliffs_delta_of_unequal_groups_follows_the_printed_formula():
    rng = np.random.default_rng(4)
    a, b = rng.normal(0.0, 1.0, (4, 3)), rng.normal(0.8, 1.0, (30, 3))
    got, turned = cliffs_delta(a, b, paired=False), cliffs_delta(b, a, paired=False)
    for i in range(3):
        ends = deltas_end(a[:, i], b[:, i])
        assert (got.low[i], got.high[i]) == pytest.approx(tuple(ends))
    assert turned.low == pytest.approx(-got.high)


@pytest.mark.parametrize(("n_a", "n_b", "sd_a", "sd_b"), [(10, 50, 3, 1), (50, 10, 1, 3)])
def test_cliffs_interval_of_unequal_groups_holds_the_truth(n_a, n_b, sd_a, sd_b):
    rng = np.random.default_rng(n_a)
    a, b = rng.normal(0, sd_a, (n_a, 1500)), rng.normal(1, sd_b, (n_b, 1500))
    found = cliffs_delta(a, b, paired=False)
    truth = 2 * stats.norm.cdf(1 / np.sqrt(10)) - 1
    assert 0.93 <= ((found.low <= truth) & (truth <= found.high)).mean() <= 0.97


@pytest.mark.parametrize("n", [5, 10])
def test_intervals_of_effects_hold_the_truth(n):
    rng = np.random.default_rng(n)
    a, b = rng.normal(5, 1, size=(n, 3000)), rng.normal(6, 1, size=(n, 3000))
    delta = 2 * stats.norm.cdf(1 / np.sqrt(2)) - 1
    for measure, truth in ((difference, 1.0), (ratio, 1.2), (hedges_g, 1.0), (cliffs_delta, delta)):
        found = measure(a, b, False)
        held = ((found.low <= truth) & (truth <= found.high)).mean()
        assert 0.92 <= held <= 0.975, (measure, held)


def test_power_is_that_of_cohens_tables():
    # Cohen (1988), table 2.4.1: two-sided 5 %, power 0.80.
    effects = np.array([0.2, 0.5, 0.8])
    assert needed_units(effects, paired=False).tolist() == [394, 64, 26]
    # The same by simulation-free means: one-sample t, d = 0.5, n = 34 (power 0.808).
    assert needed_units(np.array([0.5]), paired=True).tolist() == [34]
    assert float(power_of(np.array(0.5), np.array(34.0), None)) == pytest.approx(0.808, abs=1e-3)
    assert shown_effect(64, 64) == pytest.approx(0.499, abs=1e-3)


def test_what_cannot_be_shown_needs_no_number():
    found = needed_units(np.array([0.0, np.nan, 1e-4, 50.0]), paired=False)
    assert np.isnan(found[:3]).all()
    assert found[3] == 2
