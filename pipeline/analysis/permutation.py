"""Tests by rearranging sampling units: how often chance would part groups as far.

Nothing is assumed but that units could have been labelled otherwise.  All arrangements are taken
where they are few (the p-value is then exact), else random ones with the observed one among them
(Phipson & Smyth 2010), so that a p-value is never 0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Reals = NDArray[np.float64]

MOST_ARRANGEMENTS = 10_000
"""Arrangements beyond which random ones are drawn: a p-value of 5 % is then good to 0.2 %."""

TIES = 1e-9
"""Relative distance under which two statistics are equal: sums round with their order."""


@dataclass(frozen=True, slots=True)
class Arrangements:
    """Ways to label units, the observed one first.

    Parameters
    ----------
    weights : ndarray of float64, shape (n_arrangements, n_units)
        Independent groups: 1 for the first group, 0 for the second.  Pairs: 1 or -1.
    n_possible : int
        How many there are in all.
    paired : bool
        Whether units are pairs.
    """

    weights: Reals
    n_possible: int
    paired: bool

    @property
    def exact(self) -> bool:
        """Whether these are all."""
        return len(self.weights) == self.n_possible

    @property
    def least(self) -> float:
        """Least p-value that can come out: the observed arrangement and its mirror image."""
        mirrored = self.paired or 2 * int(self.weights[0].sum()) == self.weights.shape[1]
        if not self.exact:
            return 1.0 / len(self.weights)
        return (2.0 if mirrored else 1.0) / self.n_possible


def arrange_groups(
    n_first: int, n_second: int, seed: int, most: int = MOST_ARRANGEMENTS
) -> Arrangements:
    """Return the ways to split units into two groups of given sizes.

    Parameters
    ----------
    n_first, n_second : int
        Units of the groups; the observed first group comes first among the units.
    seed : int
        Of the random arrangements.
    most : int
        Arrangements that are taken at most.

    Returns
    -------
    Arrangements
        Of ``n_first + n_second`` units.

    Examples
    --------
    >>> arrange_groups(1, 2, seed=0).weights.tolist()
    [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    """
    n = n_first + n_second
    n_possible = math.comb(n, n_first)
    if n_possible <= most:
        weights = np.zeros((n_possible, n))
        for row, chosen in enumerate(combinations(range(n), n_first)):
            weights[row, list(chosen)] = 1.0
        return Arrangements(weights, n_possible, paired=False)
    weights = np.zeros((most, n))
    weights[:, :n_first] = 1.0
    weights[1:] = np.random.default_rng(seed).permuted(weights[1:], axis=1)
    return Arrangements(weights, n_possible, paired=False)


def arrange_signs(n: int, seed: int, most: int = MOST_ARRANGEMENTS) -> Arrangements:
    """Return the ways to swap the two members of each of `n` pairs.

    Examples
    --------
    >>> arrange_signs(2, seed=0).weights.tolist()
    [[1.0, 1.0], [1.0, -1.0], [-1.0, 1.0], [-1.0, -1.0]]
    """
    n_possible = 2**n
    if n_possible <= most:
        every = np.array(list(product((1.0, -1.0), repeat=n)), np.float64)
        return Arrangements(every, n_possible, paired=True)
    signs = np.random.default_rng(seed).choice(np.array([1.0, -1.0]), (most, n))
    signs[0] = 1.0
    return Arrangements(signs, n_possible, paired=True)


def mean_p_values(values: Reals, ways: Arrangements) -> Reals:
    """Return two-sided p-values for the difference of means.

    Groups are compared by Welch's t: with it, the test of equal means holds for many units also
    where the groups scatter differently (Janssen 1997).  Pairs are compared by the mean of their
    differences.

    Parameters
    ----------
    values : ndarray of float64, shape (n_units, n_quantities)
        Values of the units, the first group's first; for pairs their differences.
    ways : Arrangements
        Of these units.

    Returns
    -------
    ndarray of float64, shape (n_quantities,)
        p-values.

    Examples
    --------
    >>> values = np.array([[1.0], [2.0], [3.0], [7.0], [8.0], [9.0]])
    >>> mean_p_values(values, arrange_groups(3, 3, seed=0)).tolist()
    [0.1]
    """
    # Means that are large against their scatter would cost digits in the sums of squares.
    centred = values - (0.0 if ways.paired else values.mean(axis=0))
    found = np.empty(values.shape[1])
    step = max(1, 4_000_000 // len(ways.weights))
    for start in range(0, values.shape[1], step):
        part = centred[:, start : start + step]
        size = np.abs(ways.weights @ part) if ways.paired else _welch(part, ways.weights)
        found[start : start + step] = _rank(size)
    return found


def curve_p_value(curves: Reals, ways: Arrangements) -> tuple[Reals, float]:
    """Return the distance of the groups' mean curves and its p-value.

    The mean of quantile functions is the barycentre of distributions on a line, and the area
    between two quantile functions is their Wasserstein distance of order 1.

    Parameters
    ----------
    curves : ndarray of float64, shape (n_units, n_places)
        Quantiles of each unit at equally spaced shares, the first group's first; for pairs the
        differences.
    ways : Arrangements
        Of these units.

    Returns
    -------
    distances : ndarray of float64, shape (n_arrangements,)
        Mean absolute difference; the observed one first.
    p_value : float
        Share of the arrangements that part the groups as far.
    """
    weights = ways.weights
    if ways.paired:
        contrast = weights / weights.shape[1]
    else:
        first = weights.sum(axis=1, keepdims=True)
        contrast = weights / first - (1.0 - weights) / (weights.shape[1] - first)
    distances = np.abs(contrast @ curves).mean(axis=1)
    return distances, float(_rank(distances[:, None])[0])


def correct_p_values(rows: Sequence[dict[str, Any]]) -> None:
    """Add q-values: Benjamini-Hochberg over all tests, as a reader picks from all of them.

    Parameters
    ----------
    rows : sequence of dict
        Rows of one answer.  Those with a ``p_value`` get ``q_value`` and ``n_tests``.

    Examples
    --------
    >>> rows = [{"p_value": 0.04}, {"p_value": None}, {"p_value": 0.01}]
    >>> correct_p_values(rows)
    >>> [row.get("q_value") for row in rows]
    [0.04, None, 0.02]
    """
    tested = [row for row in rows if row.get("p_value") is not None]
    if tested:
        corrected = stats.false_discovery_control([row["p_value"] for row in tested])
        for row, q in zip(tested, corrected.tolist(), strict=True):
            row["q_value"], row["n_tests"] = float(f"{q:.10g}"), len(tested)


def _welch(values: Reals, weights: Reals) -> Reals:
    """Return |t| of each arrangement (rows) and quantity (columns)."""
    n_first = weights.sum(axis=1, keepdims=True)
    n_second = weights.shape[1] - n_first
    squares = values * values
    first, first_squares = weights @ values, weights @ squares
    second, second_squares = values.sum(axis=0) - first, squares.sum(axis=0) - first_squares
    spread = np.zeros_like(first)
    for n, total, total_squares in (
        (n_first, first, first_squares),
        (n_second, second, second_squares),
    ):
        rest = np.maximum(total_squares - total * total / n, 0.0)
        # What is left of equal values by rounding is no scatter.
        rest[rest <= 1e-13 * total_squares] = 0.0
        spread += rest / (n * np.maximum(n - 1.0, 1.0))
    difference = np.abs(first / n_first - second / n_second)
    difference[difference <= 1e-13 * np.abs(values).max(axis=0)] = 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        size = difference / np.sqrt(spread)
    return np.asarray(np.where(difference > 0.0, size, 0.0))


def _rank(sizes: Reals) -> Reals:
    """Return the share of arrangements whose statistic reaches that of the first."""
    return np.asarray((sizes >= sizes[0] * (1.0 - TIES)).mean(axis=0), np.float64)
