import numpy as np
import pytest
from scipy import stats

from pipeline.analysis.correlation import correlate_property, correlate_ranks, least_clear
from pipeline.analysis.designs import Design, Unit
from pipeline.analysis.measures import Measured, Quantity
from pipeline.model.records import CORRELATIONS


def test_rho_is_scipys_with_ties_and_without():
    rng = np.random.default_rng(1)
    x, values = rng.normal(size=12), rng.integers(0, 6, (12, 5)) * 1.0
    got = correlate_ranks(x, values, seed=1)
    for i in range(5):
        assert got.rho[i] == pytest.approx(stats.spearmanr(x, values[:, i]).statistic)
    assert not got.exact


def test_exact_p_values_are_scipys_permutation_test():
    rng = np.random.default_rng(2)
    x, y = rng.normal(size=6), rng.normal(size=(6, 1))
    wanted = stats.permutation_test(
        (x,),
        lambda v: abs(stats.spearmanr(v, y[:, 0]).statistic),
        permutation_type="pairings",
        alternative="greater",
        n_resamples=np.inf,
    )
    got = correlate_ranks(x, y, seed=0)
    assert got.exact
    assert got.p_value[0] == pytest.approx(wanted.pvalue)


def test_critical_values_of_the_table():
    # Two-sided 5 % of Spearman's rank correlation (Zar 1984, table B.20): n = 5, 6, 7.
    assert [round(least_clear(n), 3) for n in (5, 6, 7)] == [1.0, 0.886, 0.786]
    assert least_clear(4) is None
    assert least_clear(2) is None


@pytest.mark.parametrize("n", [8, 20])
def test_false_alarms_and_coverage(n):
    rng = np.random.default_rng(n)
    x = rng.normal(size=n)
    null = correlate_ranks(x, rng.normal(size=(n, 1500)), seed=1)
    assert 0.03 <= (null.p_value <= 0.05).mean() <= 0.07
    assert 0.92 <= ((null.low <= 0) & (null.high >= 0)).mean() <= 0.98


def design(n):
    return Design(
        "", ("",), tuple(Unit("", f"bar-{i}", (f"s{i}",)) for i in range(n)), "", "", (), ()
    )


def test_rows_of_a_property():
    names = tuple(Quantity("descriptor", "pore", f"d{i}", "", "mean", "1") for i in range(4))
    values = np.random.default_rng(3).normal(size=(7, 4))
    values[:, 1] = np.arange(7.0)
    values[:, 2] = 5.0
    values[3:, 3] = np.nan
    property_ = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, np.nan])
    table = correlate_property(
        design(7), Measured(names, values, {}), "elongation_percent", property_
    )
    assert table.schema == CORRELATIONS.schema
    rows = table.to_pylist()
    assert [row["n"] for row in rows] == [6, 6, 6, 3]
    assert (rows[1]["rho"], rows[1]["rho_low"]) == (pytest.approx(1.0), None)
    assert rows[1]["p_value"] == pytest.approx(2 / 720)
    assert rows[1]["q_value"] == pytest.approx(4 / 720)
    assert rows[0]["rho_low"] < rows[0]["rho"] < rows[0]["rho_high"]
    assert rows[2]["note"] == "the quantity is the same in all specimens"
    assert rows[3]["note"] == "3 specimens have both, wanted 4 or more"
