import math

import pytest

from pipeline.verify.findings import Finding, compare_values, gather_findings


def test_relative_difference_is_of_the_reference() -> None:
    finding = compare_values("v", "r", [1.1, 200.0], [1.0, 200.0], 0.05, "relative")
    assert finding.difference == pytest.approx(0.1)
    assert not finding.passed


def test_a_value_where_the_reference_is_zero_is_infinitely_far() -> None:
    finding = compare_values("v", "r", [0.0, 1e-30], [0.0, 0.0], 1.0, "relative")
    assert math.isinf(finding.difference)


@pytest.mark.parametrize("unit", ["relative", "um"])
def test_nan_never_passes(unit: str) -> None:
    assert not compare_values("v", "r", [1.0, math.nan], [1.0, 2.0], 10.0, unit).passed


def test_another_number_of_values_never_passes() -> None:
    assert not compare_values("v", "r", [1.0], [1.0, 1.0], 10.0, "um").passed


def test_nothing_compared_is_no_success() -> None:
    assert not compare_values("v", "r", [], [], 1.0, "um").passed


def test_gathering_adds_counts_and_keeps_the_worst() -> None:
    low = Finding("a", "r", 3, 0.1, 1.0, "um")
    high = Finding("a", "r", 4, 0.4, 1.0, "um")
    other = Finding("b", "r", 1, 0.0, 0.0, "um")
    first, second = gather_findings([("x", low), ("y", other), ("y", high), ("y", low)])
    assert (first.n_compared, first.difference, first.volumes) == (10, 0.4, ("x", "y"))
    assert second.volumes == ("y",)


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_gathering_keeps_a_nan(order: tuple[int, int]) -> None:
    pair = [Finding("a", "r", 1, d, 1.0, "um") for d in (math.nan, 0.5)]
    (gathered,) = gather_findings(("x", pair[i]) for i in order)
    assert not gathered.passed
