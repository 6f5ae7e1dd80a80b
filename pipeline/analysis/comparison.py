"""Groups of specimens compared: values, differences, sizes of effects, p-values, numbers needed.

The specimen is the sampling unit throughout.  Taking particles for units instead would call
nearly every difference between two specimens significant: see `tests/benchmarks/comparison.py`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.analysis import effects
from pipeline.analysis.bootstrap import draw_units, mean_interval, seed_of
from pipeline.analysis.designs import Contrast, Design, make_contrast
from pipeline.analysis.measures import Measured, Quantity
from pipeline.analysis.permutation import (
    Arrangements,
    arrange_groups,
    arrange_signs,
    correct_p_values,
    curve_p_value,
    mean_p_values,
)
from pipeline.analysis.power import needed_units, shown_effect
from pipeline.model.records import COMPARISON

Reals = NDArray[np.float64]
Row = dict[str, object]

FEWEST = 2
"""Specimens of a group without which nothing tells the scatter between specimens."""

ALPHA = 0.05

_EFFECTS = {
    "difference": effects.difference,
    "ratio": effects.ratio,
    "hedges_g": effects.hedges_g,
    "cliffs_delta": effects.cliffs_delta,
}


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a comparison yields.

    Parameters
    ----------
    rows : pyarrow.Table
        Columns of `pipeline.model.records.COMPARISON`.
    cautions : tuple of str
        Those of the design, and what was left out of each contrast.
    """

    rows: pa.Table
    cautions: tuple[str, ...]


def compare_groups(design: Design, measured: Measured, change_percent: float) -> Comparison:
    """Compare the groups of a design.

    Parameters
    ----------
    design : Design
        Groups and units.
    measured : Measured
        A value for each unit and quantity.
    change_percent : float
        Change of the first group's value that `n_needed` is asked for.

    Returns
    -------
    Comparison
        A row for each contrast, quantity and measure.
    """
    rows: list[Row] = []
    cautions = list(design.cautions)
    for names in design.contrasts:
        contrast = make_contrast(design, *names)
        cautions += [f"{names[0]} against {names[1]}: {contrast.note}."] if contrast.note else []
        rows += _compare(design, measured, names, contrast, change_percent / 100.0)
    correct_p_values(rows)
    schema = COMPARISON.schema
    columns = [pa.array([row.get(f.name) for row in rows], f.type) for f in schema]
    return Comparison(pa.table(columns, schema=schema), tuple(cautions))


@dataclass(frozen=True, slots=True)
class _Ways:
    """Arrangements and draws of given units, made once for all quantities that have them."""

    first: NDArray[np.intp]
    second: NDArray[np.intp]
    arrangements: Arrangements
    draws: tuple[Reals, Reals]


def _compare(
    design: Design,
    measured: Measured,
    names: tuple[str, str],
    contrast: Contrast,
    change: float,
) -> Iterator[Row]:
    """Yield the rows of two groups; quantities that the same units have are done at once."""
    patterns: dict[bytes, list[int]] = {}
    for column in range(len(measured.quantities)):
        patterns.setdefault(_known(measured.values[:, column], contrast), []).append(column)
    ways: dict[bytes, _Ways] = {}
    found: dict[Quantity, Row] = {}
    for pattern, columns in patterns.items():
        first, second = _units(pattern, contrast)
        a, b = (measured.values[rows][:, columns] for rows in (first, second))
        numbers = _describe(design, ways, pattern, contrast, (a, b), change)
        for at, column in enumerate(columns):
            found[measured.quantities[column]] = {k: v[at] for k, v in numbers.items()}
    for quantity, curves in measured.curves.items():
        pattern = _known(curves[:, 0], contrast)
        found[quantity] = _describe_curve(design, ways, pattern, contrast, curves)
    for quantity in sorted(found):
        row: Row = {name: _plain(name, value) for name, value in found[quantity].items()}
        key = {name: getattr(quantity, name) for name in Quantity.__dataclass_fields__}
        kind = "paired" if contrast.paired else "independent"
        row |= {"group_a": names[0], "group_b": names[1], "design": kind, **key}
        yield row | {"note": _note(row)}


def _known(values: Reals, contrast: Contrast) -> bytes:
    """Return which units of both groups have a value; in pairs, both or neither."""
    first, second = np.isfinite(values[contrast.first]), np.isfinite(values[contrast.second])
    if contrast.paired:
        first = second = first & second
    return np.concatenate([first, second]).tobytes()


def _units(pattern: bytes, contrast: Contrast) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    known = np.frombuffer(pattern, np.bool_)
    n = len(contrast.first)
    return contrast.first[known[:n]], contrast.second[known[n:]]


def _find_ways(
    design: Design, ways: dict[bytes, _Ways], pattern: bytes, contrast: Contrast
) -> _Ways:
    """Return the arrangements of the units of a pattern; their seed follows from their names."""
    if pattern not in ways:
        first, second = _units(pattern, contrast)
        sides = [[f"{design.units[i].group}\0{design.units[i].specimen}" for i in side]
                 for side in (first, second)]  # fmt: skip
        seed = seed_of(design.by, *sides[0], "against", *sides[1])
        n_a, n_b = len(first), len(second)
        arranged = arrange_signs(n_a, seed) if contrast.paired else arrange_groups(n_a, n_b, seed)
        draws = (draw_units(n_a, seed_of(*sides[0])), draw_units(n_b, seed_of(*sides[1])))
        ways[pattern] = _Ways(first, second, arranged, draws)
    return ways[pattern]


def _describe(
    design: Design,
    ways: dict[bytes, _Ways],
    pattern: bytes,
    contrast: Contrast,
    groups: tuple[Reals, Reals],
    change: float,
) -> dict[str, Reals]:
    """Return the columns of quantities that the same units have, shape (n_quantities,) each."""
    n = groups[0].shape[1]
    numbers: dict[str, Reals] = {}
    for side, values in zip("ab", groups, strict=True):
        numbers[f"n_{side}"] = np.full(n, float(len(values)))
        if len(values):
            numbers[f"value_{side}"] = values.mean(axis=0)
    if not len(groups[0]) or not len(groups[1]):
        return numbers
    if min(len(values) for values in groups) < FEWEST:
        numbers["difference"] = numbers["value_b"] - numbers["value_a"]
        with np.errstate(divide="ignore", invalid="ignore"):
            quotient = numbers["value_b"] / numbers["value_a"]
        positive = (groups[0] > 0).all(axis=0) & (groups[1] > 0).all(axis=0)
        numbers["ratio"] = np.where(positive, quotient, np.nan)
        return numbers
    drawn = _find_ways(design, ways, pattern, contrast)
    for side, values, draws in zip("ab", groups, drawn.draws, strict=True):
        low, high = mean_interval(values, draws)
        numbers[f"value_{side}_low"], numbers[f"value_{side}_high"] = low, high
        numbers[f"sd_{side}"] = values.std(axis=0, ddof=1)
    for name, measure in _EFFECTS.items():
        effect = measure(*groups, contrast.paired)
        numbers[name], numbers[f"{name}_low"] = effect.value, effect.low
        numbers[f"{name}_high"] = effect.high
    tested = groups[1] - groups[0] if contrast.paired else np.concatenate(groups)
    numbers["p_value"] = mean_p_values(tested, drawn.arrangements)
    numbers |= {k: np.full(n, v) for k, v in _about(drawn.arrangements).items()}
    return numbers | _plan(groups, contrast.paired, change)


def _plan(groups: tuple[Reals, Reals], paired: bool, change: float) -> dict[str, Reals]:
    """Return how many units would show a change, and which change these numbers show."""
    first, second = groups
    n_a, n_b = len(first), len(second)
    if paired:
        sd = (second - first).std(axis=0, ddof=1)
    else:
        v_a, v_b = first.var(axis=0, ddof=1), second.var(axis=0, ddof=1)
        sd = np.sqrt(((n_a - 1) * v_a + (n_b - 1) * v_b) / (n_a + n_b - 2))
    size = np.abs(first.mean(axis=0))
    with np.errstate(divide="ignore", invalid="ignore"):
        wanted = np.where((sd > 0) & (size > 0), change * size / sd, np.nan)
        shown = np.where(size > 0, 100.0 * shown_effect(n_a, None if paired else n_b) * sd / size,
                         np.nan)  # fmt: skip
    return {"n_needed": needed_units(wanted, paired), "shown_percent": shown}


def _describe_curve(
    design: Design, ways: dict[bytes, _Ways], pattern: bytes, contrast: Contrast, curves: Reals
) -> Row:
    first, second = _units(pattern, contrast)
    row: Row = {"n_a": len(first), "n_b": len(second)}
    if not len(first) or not len(second):
        return row
    a, b = curves[first], curves[second]
    if min(len(first), len(second)) < FEWEST:
        return row | {"distance": float(np.abs(b.mean(axis=0) - a.mean(axis=0)).mean())}
    drawn = _find_ways(design, ways, pattern, contrast)
    tested = b - a if contrast.paired else np.concatenate([a, b])
    distances, p_value = curve_p_value(tested, drawn.arrangements)
    return row | {"distance": float(distances[0]), "p_value": p_value} | _about(drawn.arrangements)


def _about(arrangements: Arrangements) -> dict[str, float]:
    return {"p_least": arrangements.least, "exact": float(arrangements.exact)}


def _note(row: Row) -> str:
    """Return why numbers are absent or weak."""
    n_a, n_b = int(str(row["n_a"])), int(str(row["n_b"]))
    pairs = "1 pair" if n_a == 1 else f"{n_a} pairs"
    of = pairs if row["design"] == "paired" else f"{n_a} and {n_b} specimens"
    if min(n_a, n_b) < FEWEST:
        return f"no interval and no p-value: {of}, wanted {FEWEST} or more to tell their scatter"
    least = row.get("p_least")
    if isinstance(least, float) and least > ALPHA:
        return f"{of} cannot give a p-value under {least:.2g}"
    return ""


def _plain(name: str, value: object) -> object:
    """Return a number as it stands in a table: ten digits, None for what is not finite."""
    number = float(value)  # type: ignore[arg-type]
    if not np.isfinite(number):
        return None
    kind = COMPARISON.column(name).type
    if pa.types.is_boolean(kind):
        return bool(number)
    return int(number) if pa.types.is_integer(kind) else float(f"{number:.10g}")
