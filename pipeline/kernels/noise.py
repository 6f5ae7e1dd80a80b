"""Noise of a scan from pairs of voxels at fixed places, and the filter that it asks for.

Pairs are counted by their mean grey and by how far they differ, in integers, so that the counts of
tiles add up to those of the volume whatever the tiling.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from numba import njit

Grey = npt.NDArray[np.uint16]
Counts = npt.NDArray[np.int64]

PAIR_STEP_VX = 4
"""Pairs start at every fourth voxel of a row, in every second row of every second plane."""

PAIR_LAG_VX = 2
"""Neighbours share much of a scan's noise, which reconstruction smooths; two voxels on, less."""

GREY_BINS = 512
STEP_BINS = 208
"""Differences: exact below 32, then 16 bins an octave."""

_CLIP = 2.0
_CLIPPED_SHARE = 0.8796
"""Standard deviation of a standard normal variable that is known to lie within +-2."""

_NOISE_SPAN = 3.643
"""Middle 99 % of the mean of two independent voxels, in standard deviations of one."""

LEAST_PAIRS = 64

QUIET, MODERATE = 20.0, 14.0
"""Contrast over noise from which nothing, and from which a median, is the better filter."""

Choice = Literal["none", "median", "nlm"]


@dataclass(frozen=True, slots=True)
class Noise:
    """What pairs tell of a scan, in levels of the conditioned scale.

    Parameters
    ----------
    sd : float or None
        Standard deviation of the noise; None where there are too few pairs to tell.
    contrast : float or None
        Middle 99 % of the grey of the specimen, less what noise alone would spread.
    n_pairs : int
        Pairs of the specimen.
    """

    sd: float | None
    contrast: float | None
    n_pairs: int


def needs_more_columns(stop: int, width: int) -> int:
    """Return the columns beyond a tile's last one that its pairs reach into.

    Parameters
    ----------
    stop : int
        First column beyond the tile.
    width : int
        Columns of the volume.

    Examples
    --------
    >>> [needs_more_columns(stop, 100) for stop in (96, 97, 98, 99, 100)]
    [0, 2, 1, 0, 0]
    """
    beyond = (stop - 1) // PAIR_STEP_VX * PAIR_STEP_VX + PAIR_LAG_VX + 1 - stop
    return max(0, min(beyond, width - stop))


def fold_noise(grey: Grey, origin: tuple[int, int, int], top: int) -> Counts:
    """Count the pairs of a tile by mean grey and difference.

    Parameters
    ----------
    grey : numpy.ndarray
        uint16 (z, y, x): the tile with `needs_more_columns` at its end.
    origin : tuple of int
        Place of the first voxel in the volume.
    top : int
        Highest grey level of the source, 255 or 65535.  Pairs with a voxel of 0 or `top` are left
        out: there the noise is cut off.

    Returns
    -------
    numpy.ndarray
        int64 of shape (GREY_BINS, STEP_BINS).
    """
    counts = np.zeros((GREY_BINS, STEP_BINS), np.int64)
    z, y, x = origin
    part = grey[z % 2 :: 2, y % 2 :: 2, (-x) % PAIR_STEP_VX :]
    _fold_pairs(part, PAIR_STEP_VX, PAIR_LAG_VX, top, 8 if top > 255 else 0, counts)
    return counts


@njit(nogil=True, cache=True)
def _fold_pairs(grey: Grey, step: int, lag: int, top: int, shift: int, counts: Counts) -> None:
    nz, ny, nx = grey.shape
    for z in range(nz):
        for y in range(ny):
            for x in range(0, nx - lag, step):
                a, b = np.int64(grey[z, y, x]), np.int64(grey[z, y, x + lag])
                if min(a, b) == 0 or max(a, b) >= top:
                    continue
                change = abs(a - b)
                if change >= 32:
                    octave = 0
                    while change >= 32:
                        change >>= 1
                        octave += 1
                    change += 16 * octave
                counts[(a + b) >> shift, change] += 1


def step_levels() -> npt.NDArray[np.float64]:
    """Return the difference, in grey levels, in the middle of each bin.

    Examples
    --------
    >>> step_levels()[[0, 31, 32, 33, 48, 207]].tolist()
    [0.0, 31.0, 32.5, 34.5, 65.5, 64511.5]
    """
    bins = np.arange(STEP_BINS)
    octave = np.maximum(bins // 16 - 1, 0)
    low = (bins - 16 * octave) * 2.0**octave
    middle: npt.NDArray[np.float64] = low + (2.0**octave - 1) / 2
    return middle


def estimate_noise(counts: Counts, top: int, least_grey: int = 0) -> Noise:
    """Estimate noise and contrast of the specimen from counted pairs.

    Parameters
    ----------
    counts : numpy.ndarray
        Sum of `fold_noise` over all tiles.
    top : int
        Highest grey level of the source.
    least_grey : int, optional
        Pairs of a lower mean are air.

    Returns
    -------
    Noise
        In grey levels; noise is taken from the shortest range of mean grey that holds half of the
        pairs (the matrix, off the edges between phases), and there from the differences within two
        of their own standard deviations, so that texture and edges do not count as noise.
    """
    width = (2 * (top + 1)) // GREY_BINS
    middle = (np.arange(GREY_BINS) + 0.5) * width / 2
    inside = np.where((middle >= least_grey)[:, None], counts, 0)
    by_grey = inside.sum(axis=1)
    n_pairs = int(by_grey.sum())
    if n_pairs < LEAST_PAIRS:
        return Noise(None, None, n_pairs)
    first, last = _shortest_half(by_grey)
    sd = _clipped_sd(inside[first : last + 1].sum(axis=0)) / 2**0.5
    cumulative = np.cumsum(by_grey)
    low, high = np.searchsorted(cumulative, [0.005 * n_pairs, 0.995 * n_pairs])
    spread = float(middle[high] - middle[low])
    return Noise(sd, max(spread - _NOISE_SPAN * sd, 0.0), n_pairs)


def _shortest_half(by_grey: Counts) -> tuple[int, int]:
    """Return the first and last bin of the narrowest range with half of all, or of equals."""
    total = np.concatenate([[0], np.cumsum(by_grey)])
    last = np.searchsorted(total, total[:-1] + (total[-1] + 1) // 2) - 1
    width = np.where(last < by_grey.size, last - np.arange(by_grey.size), by_grey.size)
    first = int(np.argmin(width))
    return first, int(last[first])


def _clipped_sd(by_step: Counts) -> float:
    """Return the standard deviation of normal differences, from those within two of it."""
    levels = step_levels()
    middle = int(np.searchsorted(np.cumsum(by_step), by_step.sum() / 2))
    sd = max(float(levels[middle]) / 0.6745, 0.5)
    for _ in range(30):
        near = np.where(levels <= _CLIP * sd, by_step, 0)
        n = near.sum()
        new = float(((near * levels**2).sum() / n) ** 0.5 / _CLIPPED_SHARE) if n else 0.0
        if new < 0.5 or abs(new - sd) < 1e-3 * sd:
            return new
        sd = new
    return sd


def choose_filter(noise: Noise) -> Choice:
    """Return the filter that `auto` takes.

    The cheapest that serves: where the contrast is at least 20 noise standard deviations,
    thresholds need no help; at least 14, a median of 3^3 is enough, and non-local means would cost
    20 times as much; below, they keep edges that a median blurs and small bodies that it eats.
    Without an estimate it is the median.

    Examples
    --------
    >>> [choose_filter(Noise(1.0, c, 1000)) for c in (30.0, 16.0, 4.0)]
    ['none', 'median', 'nlm']
    """
    if noise.sd is None or noise.contrast is None:
        return "median"
    if noise.contrast >= QUIET * noise.sd:
        return "none"
    return "median" if noise.contrast >= MODERATE * noise.sd else "nlm"
