"""How large a difference is: difference, ratio, Hedges' g and Cliff's delta, with 95 % intervals.

Every function takes one value for each sampling unit: arrays of shape (n_units, n_quantities).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pipeline.analysis.bootstrap import student_quantile
from pipeline.analysis.estimates import LEVEL

Reals = NDArray[np.float64]

_Z = float(special.ndtri(0.5 + LEVEL / 2.0))


@dataclass(frozen=True, slots=True)
class Effect:
    """Numbers with their intervals; NaN where there is none."""

    value: Reals
    low: Reals
    high: Reals


def difference(first: Reals, second: Reals, paired: bool) -> Effect:
    """Return second minus first, with Welch's interval or that of pairs.

    Parameters
    ----------
    first, second : ndarray of float64, shape (n_units, n_quantities)
        Values of the units of the two groups; for pairs, rows belong together.
    paired : bool
        Whether they do.

    Returns
    -------
    Effect
        In the unit of the values.
    """
    value = second.mean(axis=0) - first.mean(axis=0)
    error, freedom = _error(first, second, paired)
    half = student_quantile(freedom) * error
    return Effect(value, value - half, value + half)


def ratio(first: Reals, second: Reals, paired: bool) -> Effect:
    """Return the second group's mean over the first's; NaN unless all values are positive.

    The interval is that of the difference of logarithms of the means (delta method, Welch's
    degrees of freedom).
    """
    fits = (first > 0.0).all(axis=0) & (second > 0.0).all(axis=0)
    mean_first, mean_second = first.mean(axis=0), second.mean(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(fits, mean_second / mean_first, np.nan)
        error, freedom = _error(first / mean_first, second / mean_second, paired)
        spread = np.exp(student_quantile(freedom) * error)
        return Effect(value, value / spread, value * spread)


def hedges_g(first: Reals, second: Reals, paired: bool) -> Effect:
    """Return the difference over the pooled deviation, corrected for few units (Hedges 1981).

    Pairs: over the root mean square of the two groups' deviations (Cumming 2012, d_av), so that
    both designs tell the same size.  Intervals: Hedges & Olkin (1985) for groups; for pairs from
    the errors of mean and deviation likewise, with Student's quantile (held in simulations).
    """
    n_first, n_second = len(first), len(second)
    v_first, v_second = first.var(axis=0, ddof=1), second.var(axis=0, ddof=1)
    if paired:
        pooled, freedom = (v_first + v_second) / 2.0, n_first - 1.0
    else:
        freedom = n_first + n_second - 2.0
        pooled = ((n_first - 1) * v_first + (n_second - 1) * v_second) / freedom
    correction = 1.0 - 3.0 / (4.0 * freedom - 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        d = (second.mean(axis=0) - first.mean(axis=0)) / np.sqrt(pooled)
        g = np.where(pooled > 0.0, correction * d, np.nan)
        if paired:
            error = (second - first).var(axis=0, ddof=1) / n_first / pooled
            half = student_quantile(2.0 * freedom) * np.sqrt(error + g * g / (2.0 * freedom))
        else:
            error = 1.0 / n_first + 1.0 / n_second + g * g / (2.0 * (n_first + n_second))
            half = _Z * np.sqrt(error)
    return Effect(g, g - half, g + half)


def cliffs_delta(first: Reals, second: Reals, paired: bool) -> Effect:
    """Return how much more often the second group's value is the greater than the smaller one.

    -1 to 1.  Groups: over all pairs of units (Cliff 1993), with the asymmetric interval of
    Feng & Cliff (2004).  Pairs: within pairs, with Wilson's interval of the share.
    """
    if paired:
        return _within_pairs(first, second)
    ends = [_delta(first[:, i], second[:, i]) for i in range(first.shape[1])]
    value, low, high = np.array(ends, np.float64).reshape(-1, 3).T
    return Effect(value, low, high)


def _error(first: Reals, second: Reals, paired: bool) -> tuple[Reals, Reals]:
    """Return the standard error of the difference of means, and its degrees of freedom."""
    n_first, n_second = len(first), len(second)
    if paired:
        error = (second - first).std(axis=0, ddof=1) / np.sqrt(n_first)
        return error, np.full(error.shape, n_first - 1.0)
    a = first.var(axis=0, ddof=1) / n_first
    b = second.var(axis=0, ddof=1) / n_second
    with np.errstate(divide="ignore", invalid="ignore"):
        freedom = (a + b) ** 2 / (a * a / (n_first - 1) + b * b / (n_second - 1))
    # Without any scatter the interval is a point, whatever the degrees of freedom.
    return np.sqrt(a + b), np.where(a + b > 0.0, freedom, 1.0)


def _delta(first: Reals, second: Reals) -> tuple[float, float, float]:
    m, n = len(first), len(second)
    rows = _dominance(second, first)
    columns = -_dominance(first, second)
    d = float(rows.mean())
    if abs(d) == 1.0:
        bound = (min(m, n) - _Z**2) / (min(m, n) + _Z**2)
        return (d, bound, 1.0) if d > 0 else (d, -1.0, -bound)
    rest = m * n - _n_ties(first, second) - m * n * d * d
    # Columns are units of the first group (m of them), rows those of the second (n): each is
    # weighted by the square of the other group's size (Cliff 1993).
    s2 = n * n * float(((columns - d) ** 2).sum()) + m * m * float(((rows - d) ** 2).sum()) - rest
    s2 = max(s2 / (m * n * (m - 1) * (n - 1)), (1.0 - d * d) / (m * n - 1.0))
    half = _Z * np.sqrt(s2 * ((1.0 - d * d) ** 2 + _Z**2 * s2))
    scale = 1.0 - d * d + _Z**2 * s2
    return d, float((d - d**3 - half) / scale), float((d - d**3 + half) / scale)


def _n_ties(first: Reals, second: Reals) -> int:
    """Return how many pairs of a value of each are equal."""
    ordered = np.sort(second)
    stops, starts = (np.searchsorted(ordered, first, side=side) for side in ("right", "left"))
    return int((stops - starts).sum())


def _dominance(of: Reals, over: Reals) -> Reals:
    """Return for each value how much more of `over` lies below it than above."""
    ordered = np.sort(over)
    below = np.searchsorted(ordered, of, side="left")
    above = len(over) - np.searchsorted(ordered, of, side="right")
    return np.asarray((below - above) / len(over), np.float64)


def _within_pairs(first: Reals, second: Reals) -> Effect:
    n = len(first)
    value = np.sign(second - first).mean(axis=0)
    share = (value + 1.0) / 2.0
    middle = (share + _Z**2 / (2 * n)) / (1.0 + _Z**2 / n)
    half = _Z * np.sqrt(share * (1.0 - share) / n + _Z**2 / (4 * n * n)) / (1.0 + _Z**2 / n)
    return Effect(value, 2.0 * (middle - half) - 1.0, 2.0 * (middle + half) - 1.0)
