"""Sizes of particles in classes of equal ratio."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from pipeline.analysis.sizes import CLASSES_PER_DECADE, class_numbers


@dataclass(frozen=True, slots=True)
class LogHistogram:
    """Particles by size class.

    Parameters
    ----------
    edges_um : ndarray, shape (n + 1,)
        Limits of the classes; each is the same multiple of the one before.
    counts : ndarray of int, shape (n,)
        Particles from a limit up to, and without, the next.
    volume_mm3 : float
        Volume that was searched.
    """

    edges_um: NDArray[np.float64]
    counts: NDArray[np.int64]
    volume_mm3: float

    @property
    def density_mm3(self) -> NDArray[np.float64]:
        """Particles of each class per mm3 that was searched."""
        return self.counts / self.volume_mm3

    @property
    def interval_mm3(self) -> NDArray[np.float64]:
        """Lower and upper end of each density, shape (2, n).

        The central 68.27 % confidence interval of a Poisson count (Garwood, Biometrika 28, 1936).
        """
        tail = 0.158655
        low = np.where(self.counts > 0, chi2.ppf(tail, 2 * np.maximum(self.counts, 1)), 0.0)
        high = chi2.ppf(1 - tail, 2 * self.counts + 2)
        return np.stack([low, high]) / (2 * self.volume_mm3)


def size_edges(sizes_um: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Return class limits that hold all of several sets of sizes.

    Parameters
    ----------
    sizes_um : sequence of ndarray
        Positive sizes of particles.

    Returns
    -------
    ndarray
        Whole multiples of a tenth of a decade, so that limits are the same for other scans.

    Examples
    --------
    >>> size_edges([np.array([1.0, 1.5])]).round(3).tolist()
    [1.0, 1.259, 1.585]
    """
    everything = np.concatenate([np.ravel(sizes) for sizes in sizes_um])
    if everything.size == 0:
        return np.array([1.0, 10.0 ** (1 / CLASSES_PER_DECADE)])
    numbers = class_numbers(everything)
    first, last = int(numbers.min()), int(numbers.max())
    return 10.0 ** (np.arange(first, last + 2) / CLASSES_PER_DECADE)


def count_sizes(
    sizes_um: NDArray[np.float64], edges_um: NDArray[np.float64], volume_um3: float
) -> LogHistogram:
    """Count particles by size class.

    Parameters
    ----------
    sizes_um : ndarray
        Sizes of particles.
    edges_um : ndarray
        Limits of the classes.
    volume_um3 : float
        Volume that was searched, in um3.

    Returns
    -------
    LogHistogram
        The counts.

    Examples
    --------
    >>> count_sizes(np.array([1.0, 1.2, 1.3]), np.array([1.0, 1.25, 1.5]), 1e9).counts.tolist()
    [2, 1]
    """
    counts, _ = np.histogram(sizes_um, edges_um)
    return LogHistogram(edges_um, counts.astype(np.int64), volume_um3 * 1e-9)
