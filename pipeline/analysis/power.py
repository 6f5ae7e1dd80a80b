"""How many specimens it takes to show a change, and which change given numbers would show.

Power of the two-sided t test by the noncentral t distribution (Cohen 1988); a permutation test of
means has nearly the same.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

Reals = NDArray[np.float64]

POWER = 0.8
ALPHA = 0.05
MOST_SPECIMENS = 100_000
"""A number beyond which a change is not to be shown."""


def power_of(effect: Reals, n_first: Reals, n_second: Reals | None) -> Reals:
    """Return the chance that a two-sided test at `ALPHA` shows an effect.

    Parameters
    ----------
    effect : ndarray of float64
        Difference over the deviation between units (of differences, for pairs).
    n_first, n_second : ndarray of float64
        Units of the groups; `n_second` None for pairs.

    Returns
    -------
    ndarray of float64
        Power, 0 to 1.

    Examples
    --------
    >>> float(power_of(np.array(0.5), np.array(64.0), np.array(64.0)).round(3))  # Cohen 1988
    0.801
    """
    if n_second is None:
        freedom, shift = n_first - 1.0, effect * np.sqrt(n_first)
    else:
        freedom = n_first + n_second - 2.0
        shift = effect / np.sqrt(1.0 / n_first + 1.0 / n_second)
    bound = special.stdtrit(freedom, 1.0 - ALPHA / 2.0)
    upper = 1.0 - special.nctdtr(freedom, shift, bound)
    lower = special.nctdtr(freedom, shift, -bound)
    return np.asarray(np.nan_to_num(upper, nan=1.0) + np.nan_to_num(lower, nan=0.0), np.float64)


def needed_units(effect: Reals, paired: bool) -> Reals:
    """Return the units that each group (or how many pairs) needs for a power of 80 %.

    Parameters
    ----------
    effect : ndarray of float64, shape (n,)
        Difference over the deviation; NaN where it is not known.
    paired : bool
        Whether units are pairs.

    Returns
    -------
    ndarray of float64, shape (n,)
        Whole numbers from 2; NaN where more than `MOST_SPECIMENS` would do, or where the effect
        is not known.

    Examples
    --------
    >>> needed_units(np.array([0.2, 0.5, 0.8]), paired=False).tolist()  # Cohen 1988, table 2.4
    [394.0, 64.0, 26.0]
    """
    size = np.abs(np.asarray(effect, np.float64))
    low, high = np.full(size.shape, 1.0), np.full(size.shape, float(MOST_SPECIMENS))
    while (high - low > 1.0).any():
        middle = np.floor((low + high) / 2.0).clip(2.0)
        enough = power_of(size, middle, None if paired else middle) >= POWER
        high = np.where(enough, middle, high)
        low = np.where(enough, np.minimum(low, middle - 1.0), middle)
    reached = np.isfinite(size) & (size > 0.0) & (high < MOST_SPECIMENS)
    return np.where(reached, high, np.nan)


def shown_effect(n_first: int, n_second: int | None) -> float:
    """Return the least effect that given numbers of units show with a power of 80 %.

    Parameters
    ----------
    n_first, n_second : int
        Units of the groups, 2 or more; `n_second` None for pairs.

    Returns
    -------
    float
        Difference over the deviation.

    Examples
    --------
    >>> round(shown_effect(64, 64), 2)
    0.5
    """
    low, high = 0.0, 1e3
    second = None if n_second is None else np.array(float(n_second))
    while high - low > 1e-6 * high:
        middle = (low + high) / 2.0
        shown = power_of(np.array(middle), np.array(float(n_first)), second) >= POWER
        low, high = (low, middle) if shown else (middle, high)
    return high
