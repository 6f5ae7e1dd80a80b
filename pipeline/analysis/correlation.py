"""Which descriptor goes with a mechanical property: rank correlation over specimens."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import permutations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy import special, stats

from pipeline.analysis.bootstrap import seed_of
from pipeline.analysis.designs import Design
from pipeline.analysis.estimates import LEVEL
from pipeline.analysis.measures import Measured, Quantity
from pipeline.analysis.permutation import TIES, correct_p_values
from pipeline.model.records import CORRELATIONS

Reals = NDArray[np.float64]

FEWEST = 4
"""Specimens below which a rank correlation is not told: its least p-value is 1 / 3."""

MOST_ORDERS = 10_000
"""Orders of the specimens beyond which random ones are drawn."""

ALPHA = 0.05
_Z = float(special.ndtri(0.5 + LEVEL / 2.0))


@dataclass(frozen=True, slots=True)
class Ranked:
    """Rank correlations of many quantities with one property, shape (n_quantities,) each."""

    rho: Reals
    low: Reals
    high: Reals
    p_value: Reals
    exact: bool


def correlate_ranks(property_: Reals, values: Reals, seed: int) -> Ranked:
    """Return Spearman's rank correlations with intervals and two-sided p-values.

    Intervals are those of Bonett & Wright (2000).  p-values come from all orders of the specimens
    where these are at most `MOST_ORDERS`, else from random ones.

    Parameters
    ----------
    property_ : ndarray of float64, shape (n_units,)
        The property of each specimen.
    values : ndarray of float64, shape (n_units, n_quantities)
        The specimens' values; equal ones share a rank.
    seed : int
        Of the random orders.

    Returns
    -------
    Ranked
        NaN for quantities that are the same in all specimens.

    Examples
    --------
    >>> found = correlate_ranks(np.arange(5.0), np.array([[1.0], [2.0], [3.0], [5.0], [4.0]]), 0)
    >>> float(found.rho[0].round(12)), float(found.p_value[0].round(4))
    (0.9, 0.0833)
    """
    n = len(property_)
    orders, exact = _orders(n, seed)
    x = _standardise(stats.rankdata(property_)[:, None])[:, 0]
    y = _standardise(stats.rankdata(values, axis=0))
    rho = x @ y
    p_value = np.empty(len(rho))
    step = max(1, 4_000_000 // len(orders))
    for start in range(0, len(rho), step):
        part = slice(start, start + step)
        found = np.abs(x[orders] @ y[:, part])
        p_value[part] = (found >= np.abs(rho[part]) - TIES).mean(axis=0)
    p_value[~np.isfinite(rho)] = np.nan
    rho = np.clip(rho, -1.0, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        half = _Z * np.sqrt((1.0 + rho * rho / 2.0) / (n - 3.0))
        low, high = np.tanh(np.arctanh(rho) - half), np.tanh(np.arctanh(rho) + half)
    # At 1 the transform is infinite and the formula says nothing.
    whole = np.abs(rho) >= 1.0 - TIES
    low, high = np.where(whole, np.nan, low), np.where(whole, np.nan, high)
    return Ranked(rho, low, high, p_value, exact)


def correlate_property(design: Design, measured: Measured, name: str, property_: Reals) -> pa.Table:
    """Correlate every quantity with a property.

    Parameters
    ----------
    design : Design
        The specimens.
    measured : Measured
        A value for each specimen and quantity.
    name : str
        Column of the property.
    property_ : ndarray of float64, shape (n_units,)
        Its values, NaN where it was not measured.

    Returns
    -------
    pyarrow.Table
        Columns of `pipeline.model.records.CORRELATIONS`, a row a quantity and measure.
    """
    known = np.isfinite(property_)[:, None] & np.isfinite(measured.values)
    patterns: dict[bytes, list[int]] = {}
    for column in range(known.shape[1]):
        patterns.setdefault(known[:, column].tobytes(), []).append(column)
    rows: dict[Quantity, dict[str, object]] = {}
    for pattern, columns in patterns.items():
        chosen = np.flatnonzero(np.frombuffer(pattern, np.bool_))
        seed = seed_of(name, *(design.units[i].specimen for i in chosen))
        values = measured.values[chosen][:, columns]
        for quantity, row in zip(
            (measured.quantities[c] for c in columns),
            _rows(property_[chosen], values, seed),
            strict=True,
        ):
            rows[quantity] = row
    ordered = [
        {"property": name, **{f: getattr(q, f) for f in Quantity.__dataclass_fields__}, **rows[q]}
        for q in sorted(rows)
    ]
    correct_p_values(ordered)
    schema = CORRELATIONS.schema
    columns_ = [pa.array([row.get(f.name) for row in ordered], f.type) for f in schema]
    return pa.table(columns_, schema=schema)


def least_clear(n: int) -> float | None:
    """Return the least |rho| that n specimens tell from 0 at 5 %, None where none can.

    Exact for up to 7 specimens, else by Student's t.

    Examples
    --------
    >>> least_clear(4) is None, round(least_clear(5), 3), round(least_clear(10), 2)
    (True, 1.0, 0.63)
    """
    if n < FEWEST:
        return None
    if math.factorial(n) <= MOST_ORDERS:
        ranks = _standardise(np.arange(1.0, n + 1.0)[:, None])[:, 0]
        sizes = np.abs(ranks[_orders(n, 0)[0]] @ ranks)
        for size in sorted(set(sizes.round(9).tolist())):
            if float((sizes >= size - TIES).mean()) <= ALPHA:
                return float(size)
        return None
    t = float(special.stdtrit(n - 2.0, 1.0 - ALPHA / 2.0))
    return t / math.sqrt(n - 2.0 + t * t)


def _rows(property_: Reals, values: Reals, seed: int) -> list[dict[str, object]]:
    n = len(property_)
    empty: dict[str, object] = {"n": n, "p_value": None}
    if n < FEWEST:
        note = f"{n} specimens have both, wanted {FEWEST} or more"
        return [{**empty, "note": note} for _ in range(values.shape[1])]
    if len(np.unique(property_)) < 2:
        return [
            {**empty, "note": "the property is the same in all"} for _ in range(values.shape[1])
        ]
    found = correlate_ranks(property_, values, seed)
    rows = []
    for i in range(values.shape[1]):
        if not np.isfinite(found.rho[i]):
            rows.append({**empty, "note": "the quantity is the same in all specimens"})
            continue
        ends = (found.rho[i], found.low[i], found.high[i], found.p_value[i])
        rho, low, high, p = (float(f"{v:.10g}") if np.isfinite(v) else None for v in ends)
        note = "ranks agree wholly: no interval" if low is None else ""
        rows.append({"n": n, "rho": rho, "rho_low": low, "rho_high": high, "p_value": p,
                     "exact": found.exact, "note": note})  # fmt: skip
    return rows


def _orders(n: int, seed: int) -> tuple[NDArray[np.intp], bool]:
    """Return orders of n specimens, the observed one first, and whether these are all."""
    if math.factorial(n) <= MOST_ORDERS:
        return np.array(list(permutations(range(n))), np.intp), True
    orders = np.tile(np.arange(n), (MOST_ORDERS, 1))
    orders[1:] = np.random.default_rng(seed).permuted(orders[1:], axis=1)
    return orders.astype(np.intp), False


def _standardise(ranks: Reals) -> Reals:
    """Return columns of mean 0 and length 1; NaN for those that are constant."""
    centred = ranks - ranks.mean(axis=0)
    length = np.sqrt((centred * centred).sum(axis=0))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(length > 0.0, centred / length, np.nan), np.float64)
