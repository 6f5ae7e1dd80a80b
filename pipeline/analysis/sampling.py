"""How well a scan samples its material: fractions with their interval, and the size they ask for.

Blocks of voxels are counted by phase (`pipeline.kernels.samples`).  The scatter between blocks says
how far the fraction of the whole volume may be off, without any model of the structure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipeline.analysis.estimates import LEVEL

Counts = NDArray[np.int64]
Reals = NDArray[np.float64]

BLOCKS_AN_EDGE = 8
"""Blocks along the longest axis between which the scatter is taken."""

FULL_SHARE = 0.5
"""Share of a block that must lie in the specimen for the block to be a sub-volume of its own."""


@dataclass(frozen=True, slots=True)
class Share:
    """A ratio of two sums over blocks.

    Parameters
    ----------
    value : float
        The ratio.
    sd : float or None
        Its standard error; None where fewer than two blocks tell.
    low, high : float or None
        Ends of the 95 % interval, by Student's t on the scale of log(p / (1 - p)) for a fraction
        and of log(p) for a ratio.
    n_blocks : int
        Blocks that hold any specimen.
    freedom : float
        Degrees of freedom of `sd`.
    """

    value: float
    sd: float | None
    low: float | None
    high: float | None
    n_blocks: int
    freedom: float


def merge_blocks(counts: Counts, factor: int) -> Counts:
    """Add up blocks into blocks of `factor` times their edge; the last ones may be smaller.

    Parameters
    ----------
    counts : ndarray of int64, shape (z, y, x, ...)
        Sums by block.
    factor : int
        How many blocks along each axis make a new one.

    Returns
    -------
    ndarray of int64
        The same total on fewer blocks.

    Examples
    --------
    >>> merge_blocks(np.ones((3, 2, 1), np.int64), 2)[:, 0, 0].tolist()
    [4, 2]
    """
    for axis in range(3):
        counts = np.add.reduceat(counts, np.arange(0, counts.shape[axis], factor), axis=axis)
    return counts


def scatter_factor(shape: Sequence[int]) -> int:
    """Return how many blocks to merge so that about `BLOCKS_AN_EDGE` lie along the longest axis."""
    return max(1, -(-max(shape[:3]) // BLOCKS_AN_EDGE))


def estimate_share(hits: Counts, searched: Counts, fraction: bool = True) -> Share:
    """Return the ratio of two sums over blocks, with the error that the blocks' scatter tells.

    Parameters
    ----------
    hits, searched : ndarray of int64, shape (z, y, x)
        Numerator and denominator by block, on blocks wide enough that only neighbours are alike.
    fraction : bool
        Whether the ratio lies between 0 and 1.

    Returns
    -------
    Share
        Ratio and interval.

    Raises
    ------
    ZeroDivisionError
        If nothing was searched.

    Notes
    -----
    With e = hits - p searched, the variance of p is the sum of e_i e_j over all pairs of blocks
    that are equal or touch, over (M^2 - sum of searched_i searched_j over the same pairs); M is all
    that was searched.  The subtraction makes up for p being estimated from the same blocks.  Where
    bodies reach across a block's face, the usual s / sqrt(n) over blocks is up to half too small.
    The larger of the two is taken.  The degrees of freedom are those of a quadratic form in
    independent blocks (Satterthwaite 1946).
    """
    total = int(searched.sum())
    value = int(hits.sum()) / total
    used = searched > 0
    n_blocks = int(used.sum())
    m = searched / total
    e = (hits - value * searched) / total
    near = 1.0 - float((m * touching_sums(m)).sum())
    apart = 1.0 - float((m * m).sum())
    if n_blocks < 2 or apart <= 0.0:
        return Share(value, None, None, None, n_blocks, 0.0)
    plain = float((e * e).sum()) / apart
    squares = m * m
    freedom = float(squares.sum()) ** 2 / float((squares * touching_sums(squares)).sum())
    # Fewer than three blocks along every axis all touch one another: only s / sqrt(n) is left.
    if near > 1e-9:
        variance = max(plain, float((e * touching_sums(e)).sum()) / near)
    else:
        variance, freedom = plain, n_blocks - 1.0
    sd = math.sqrt(variance)
    freedom = max(freedom, 1.0)
    low, high = _interval(value, sd, freedom, fraction)
    return Share(value, sd, low, high, n_blocks, freedom)


def touching_sums(values: Reals) -> Reals:
    """Return the sum over the 27 blocks about each block, itself included."""
    for axis in range(3):
        widths = [(1, 1) if k == axis else (0, 0) for k in range(3)]
        padded = np.pad(values, widths)
        n = values.shape[axis]
        parts = [np.take(padded, np.arange(i, i + n), axis) for i in range(3)]
        values = parts[0] + parts[1] + parts[2]
    return values


def _interval(
    value: float, sd: float, freedom: float, fraction: bool
) -> tuple[float | None, float | None]:
    if value <= 0.0 or (fraction and value >= 1.0):
        return None, None
    t = float(stats.t.ppf(0.5 + LEVEL / 2, freedom))
    if fraction:
        half = t * sd / (value * (1.0 - value))
        odds = value / (1.0 - value)
        low, high = odds * math.exp(-min(half, 700.0)), odds * math.exp(min(half, 600.0))
        return low / (1.0 + low), high / (1.0 + high)
    half = min(t * sd / value, 600.0)
    return value * math.exp(-half), value * math.exp(half)


@dataclass(frozen=True, slots=True)
class FieldCount:
    """What ASTM E562 reports of a set of fields: mean, 95 % interval, relative accuracy in %."""

    mean: float
    ci95: float
    relative_accuracy_percent: float | None


def count_fields(fractions: Reals) -> FieldCount:
    """Return the arithmetic of ASTM E562 for the fractions of n fields.

    Parameters
    ----------
    fractions : ndarray of float64, shape (n,)
        Fraction in each field, n at least 2.

    Returns
    -------
    FieldCount
        Mean, CI = t s / sqrt(n) with Student's two-sided t, and % RA = 100 CI / mean (None for a
        mean of 0).

    Raises
    ------
    ValueError
        For fewer than two fields.

    Examples
    --------
    >>> count_fields(np.array([0.10, 0.12, 0.08, 0.11, 0.09]))
    FieldCount(mean=0.1, ci95=0.0196..., relative_accuracy_percent=19.6...)
    """
    n = fractions.size
    if n < 2:
        raise ValueError(f"ASTM E562 wants at least two fields, got {n}")
    mean = float(np.mean(fractions))
    ci95 = float(stats.t.ppf(0.975, n - 1) * np.std(fractions, ddof=1) / math.sqrt(n))
    return FieldCount(mean, ci95, 100.0 * ci95 / mean if mean > 0.0 else None)


@dataclass(frozen=True, slots=True)
class ScatterPoint:
    """Scatter of the fraction between sub-volumes of one size.

    Parameters
    ----------
    volume_um3 : float
        Mean volume of a sub-volume inside the specimen.
    relative_sd : float
        Standard deviation between sub-volumes over the fraction of all.
    n : int
        Sub-volumes.
    """

    volume_um3: float
    relative_sd: float
    n: int


def scatter_curve(hits: Counts, searched: Counts, voxel_um3: float) -> list[ScatterPoint]:
    """Return the scatter of the fraction against the size of sub-volumes.

    Parameters
    ----------
    hits, searched : ndarray of int64, shape (z, y, x)
        Voxels of the phase, and of the specimen, by block.
    voxel_um3 : float
        Volume of a voxel.

    Returns
    -------
    list of ScatterPoint
        One a size, smallest first, doubling the edge; sizes with fewer than 8 sub-volumes of which
        at least half lies in the specimen are left out.
    """
    points: list[ScatterPoint] = []
    total, found = int(searched.sum()), int(hits.sum())
    if total == 0 or found == 0:
        return points
    mean = found / total
    while True:
        largest = int(searched.max())
        full = searched >= FULL_SHARE * largest
        n = int(full.sum())
        if n < 8:
            return points
        m = searched[full].astype(np.float64)
        residual = hits[full] - mean * m
        variance = float((residual * residual).sum()) / (n - 1) / float(m.mean()) ** 2
        points.append(ScatterPoint(float(m.mean()) * voxel_um3, math.sqrt(variance) / mean, n))
        if max(searched.shape) < 4:
            return points
        hits, searched = merge_blocks(hits, 2), merge_blocks(searched, 2)


def integral_range(share: Share, searched_um3: float) -> float | None:
    """Return the integral range A: variance = p (1 - p) A / V for a large volume V (Matheron 1971).

    Parameters
    ----------
    share : Share
        Fraction of the whole volume with its standard error.
    searched_um3 : float
        The volume V.

    Returns
    -------
    float or None
        A in um3; None without a standard error, or for a fraction of 0 or 1.
    """
    if share.sd is None or not 0.0 < share.value < 1.0:
        return None
    return share.sd**2 * searched_um3 / (share.value * (1.0 - share.value))


def representative_volume(fraction: float, range_um3: float, wanted_error: float) -> float:
    """Return the volume in which a fraction is known to a wanted relative error.

    Parameters
    ----------
    fraction : float
        Fraction of the phase, above 0.
    range_um3 : float
        Integral range.
    wanted_error : float
        Half-width of the 95 % interval over the fraction.

    Returns
    -------
    float
        Volume in um3 (Kanit et al., Int. J. Solids Struct. 40, 2003, 3647).

    Examples
    --------
    >>> round(representative_volume(0.5, 1.0, 0.1))
    384
    """
    z = float(stats.norm.ppf(0.5 + LEVEL / 2))
    return range_um3 * (1.0 - fraction) / fraction * (z / wanted_error) ** 2


def particles_needed(sigma_ratio: float, wanted_error: float) -> float:
    """Return how many particles a volume-mean diameter asks for, if sizes are lognormal.

    Parameters
    ----------
    sigma_ratio : float
        Geometric standard deviation of the diameters, above 1.
    wanted_error : float
        Half-width of the 95 % interval over the mean diameter.

    Returns
    -------
    float
        Number of particles.

    Notes
    -----
    The mean diameter by volume is exp(m + 3.5 s^2), and m and s^2 found from n particles have
    variances s^2 / n and 2 s^4 / n (Masuda & Iinoya 1971, on which ISO 13322-1 rests).

    Examples
    --------
    >>> round(particles_needed(1.6, 0.03)), round(particles_needed(1.6, 0.05))
    (6046, 2177)
    """
    s2 = math.log(sigma_ratio) ** 2
    z = float(stats.norm.ppf(0.5 + LEVEL / 2))
    return (z / wanted_error) ** 2 * s2 * (1.0 + 2.0 * 3.5**2 * s2)


def shift_thresholds(
    histogram: Counts, levels: Sequence[int], shift: float
) -> list[tuple[float, float, float]]:
    """Return what plain thresholds would make of the phases' fractions if they all moved.

    Parameters
    ----------
    histogram : ndarray of int64
        Voxels of the specimen by grey level.
    levels : sequence of int
        Ascending; a voxel of grey >= ``levels[i]`` belongs to phase i + 1 or a brighter one.
    shift : float
        Grey levels by which thresholds move, down and up.

    Returns
    -------
    list of (float, float, float)
        By phase: fraction now, and the least and the greatest of the fractions if any threshold
        moves down or up by `shift`, each on its own.

    Examples
    --------
    >>> shift_thresholds(np.array([6, 1, 1, 2]), [2], 1.0)
    [(0.7, 0.6, 0.8), (0.3, 0.2, 0.4)]
    """
    above = np.concatenate([np.cumsum(histogram[::-1])[::-1], [0]]).astype(np.float64)
    n = above[0]
    places = np.arange(above.size)

    def share(level: float) -> float:
        return float(np.interp(level, places, above)) / n

    bounds = [[1.0] * 3, *([share(t), share(t + shift), share(t - shift)] for t in levels)]
    bounds.append([0.0] * 3)
    found = []
    for lower, upper in pairwise(bounds):
        every = [a - b for a in lower for b in upper if a == lower[0] or b == upper[0]]
        now = lower[0] - upper[0]
        found.append(tuple(round(float(v), 15) for v in (now, max(min(every), 0.0), max(every))))
    return [(a, b, c) for a, b, c in found]
