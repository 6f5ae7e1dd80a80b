import numpy as np
import pytest
from scipy import stats

from pipeline.analysis.comparison import compare_groups
from pipeline.analysis.designs import Design, Unit
from pipeline.analysis.measures import Measured, Quantity, caution_particles, tabulate_units
from pipeline.model.records import COMPARISON
from tests.benchmarks.comparison import run as run_catalogues


def design_of(*sizes: int, paired: bool = False) -> Design:
    groups = tuple("ABC"[: len(sizes)])
    units = tuple(
        Unit(group, f"bar-{i}" if paired else f"bar-{group}{i}", (f"scan-{group}{i}",))
        for group, n in zip(groups, sizes, strict=True)
        for i in range(n)
    )
    return Design("temper", groups, units, "", "", ("a caution.",), ())


def quantity(name: str, measure: str = "mean") -> Quantity:
    return Quantity("descriptor", "pore", name, "", measure, "1")


def measured_of(values: np.ndarray) -> Measured:
    names = tuple(quantity(f"d{i}") for i in range(values.shape[1]))
    curve = values[:, :1] + np.linspace(0.0, 1.0, 39)
    return Measured(names, values, {quantity("d0", "distribution"): curve})


def rows_of(design: Design, values: np.ndarray) -> list[dict]:
    return compare_groups(design, measured_of(values), 10.0).rows.to_pylist()


def test_every_number_of_a_row():
    rng = np.random.default_rng(1)
    values = rng.normal(10.0, 1.0, size=(11, 2))
    values[5:, 0] += 4.0
    found = compare_groups(design_of(5, 6), measured_of(values), 10.0)
    assert found.rows.schema == COMPARISON.schema
    assert found.cautions == ("a caution.",)
    row = found.rows.to_pylist()[1]
    a, b = values[:5, 0], values[5:, 0]
    assert (row["quantity"], row["measure"], row["design"]) == ("d0", "mean", "independent")
    assert (row["n_a"], row["n_b"], row["exact"]) == (5, 6, True)
    assert row["value_a"] == pytest.approx(a.mean())
    assert row["sd_b"] == pytest.approx(b.std(ddof=1))
    assert row["difference"] == pytest.approx(b.mean() - a.mean())
    assert row["ratio_low"] < b.mean() / a.mean() < row["ratio_high"]
    assert row["p_value"] == row["p_least"] == pytest.approx(1 / 462)
    assert (row["q_value"], row["n_tests"]) == (pytest.approx(3 / 2 / 462), 3)
    assert row["cliffs_delta"] == 1.0
    assert row["hedges_g"] > 2
    assert row["n_needed"] >= 2
    assert row["note"] == ""
    curve = found.rows.to_pylist()[0]
    assert curve["measure"] == "distribution"
    assert curve["distance"] == pytest.approx(b.mean() - a.mean())
    assert curve["n_tests"] == 3


def test_few_particles_of_a_specimen_are_named():
    shares = quantity("under_resolved", "share")
    n = np.array([40, 3, 25, 60])
    measured = Measured((shares,), np.array([[0.1], [0.5], [0.0], [np.nan]]), {}, {shares.phase: n})
    design = design_of(2, 2)
    cut, told = caution_particles(design, measured, with_border=False)
    assert "left out" in cut
    assert told == (
        f"{shares.phase}: 3 to 60 particles a specimen, the fewest in {design.units[1].specimen}; "
        "up to 50 % of them under-resolved, of uncertain shape."
    )
    assert "what is seen" in next(iter(caution_particles(design, measured, True)))


def test_pairs_see_what_the_scatter_between_specimens_hides():
    rng = np.random.default_rng(2)
    own = rng.normal(10.0, 3.0, size=(7, 1))
    values = np.concatenate([own, own + 0.5 + rng.normal(0.0, 0.1, size=(7, 1))])
    paired = rows_of(design_of(7, 7, paired=True), values)[1]
    alone = rows_of(design_of(7, 7), values)[1]
    assert (paired["design"], paired["p_value"]) == ("paired", pytest.approx(2 / 128))
    assert alone["p_value"] > 0.3
    assert paired["n_needed"] < alone["n_needed"]


def test_one_specimen_a_group_gives_a_difference_and_the_reason_for_no_more():
    row = rows_of(design_of(1, 1), np.array([[2.0], [3.0]]))[1]
    assert (row["value_a"], row["value_b"], row["difference"], row["ratio"]) == (2, 3, 1, 1.5)
    for name in ("p_value", "q_value", "value_a_low", "difference_low", "hedges_g", "n_needed"):
        assert row[name] is None
    assert row["note"].startswith("no interval and no p-value: 1 and 1 specimens")


def test_few_specimens_are_told_what_they_cannot_show():
    rows = rows_of(design_of(3, 3), np.arange(6.0)[:, None] + 1)
    assert rows[1]["note"] == "3 and 3 specimens cannot give a p-value under 0.1"
    assert rows[1]["p_value"] == pytest.approx(0.1)


def test_specimens_without_a_value_are_left_out():
    values = np.random.default_rng(3).normal(5.0, 1.0, size=(8, 2))
    values[0, 1] = np.nan
    values[4:, 1] = np.nan
    rows = rows_of(design_of(4, 4), values)
    assert [(r["n_a"], r["n_b"]) for r in rows[1:]] == [(4, 4), (3, 0)]
    assert rows[2]["value_a"] == pytest.approx(values[1:4, 1].mean())
    assert rows[2]["difference"] is None
    # In pairs, a specimen that lacks one value has no pair.
    paired = rows_of(design_of(4, 4, paired=True), np.where(np.isnan(values), 1.0, values))
    assert paired[2]["n_a"] == 4
    values[4:, 1] = 2.0
    assert rows_of(design_of(4, 4, paired=True), values)[2]["n_a"] == 3


def test_q_values_are_over_all_contrasts_of_a_measure():
    values = np.random.default_rng(4).normal(5.0, 1.0, size=(12, 3))
    rows = [r for r in rows_of(design_of(4, 4, 4), values) if r["measure"] == "mean"]
    assert len(rows) == 9
    wanted = stats.false_discovery_control([r["p_value"] for r in rows])
    assert [r["q_value"] for r in rows] == pytest.approx(wanted.tolist())


def test_numbers_do_not_depend_on_what_else_is_compared():
    values = np.random.default_rng(5).normal(5.0, 1.0, size=(24, 3))
    together = rows_of(design_of(12, 12), values)
    alone = rows_of(design_of(12, 12), values[:, :1])
    for name in ("p_value", "value_a_low", "cliffs_delta_high"):
        assert together[1][name] == alone[1][name]
    assert together[1]["exact"] is False


def test_values_of_specimens_are_rows_too():
    values = np.array([[1.0, np.nan], [2.0, 3.0]])
    rows = tabulate_units(design_of(1, 1), measured_of(values)).to_pylist()
    assert [(r["specimen"], r["quantity"], r["value"]) for r in rows] == [
        ("bar-A0", "d0", 1.0),
        ("bar-A0", "d1", None),
        ("bar-B0", "d0", 2.0),
        ("bar-B0", "d1", 3.0),
    ]


def test_particles_taken_for_units_cry_wolf_and_specimens_do_not():
    found = run_catalogues("5 + 5", 1.0, 80, seed=3)
    rates = {name: (p <= 0.05).mean() for name, p in found.p_values.items()}
    for measure in ("mean", "q50", "q90", "distribution"):
        assert rates[measure] <= 0.125
    assert min(rates["particles, t"], rates["particles, KS"]) >= 0.4
    assert min(found.coverage.values()) >= 0.875
