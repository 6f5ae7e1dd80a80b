"""Numbers and sizes of particles, corrected for those that the border of the field cuts.

Large particles are cut more often than small ones, so the particles that lie wholly inside are too
few and too small.  Each counts for all the places where it would have been seen whole (Miles 1974;
Lantuejoul 1980; ISO 13322-1): its weight is one over the number of places where its bounding box
fits, which is unbiased for particles of any shape.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipeline.analysis.blocks import count_full_boxes
from pipeline.analysis.estimates import LEVEL

Counts = NDArray[np.int64]
Reals = NDArray[np.float64]
Triple = tuple[int, int, int]

CLASSES_PER_DECADE = 10
"""Size classes of equal ratio."""

FEWEST_WHOLE = 10
"""Whole particles below which no interval is told (common practice, no source)."""

BORDER_VX = 1
"""Voxels that must lie between a whole particle and the border: one that touches may go on."""


@dataclass(frozen=True, slots=True)
class Field:
    """Where particles are seen: the whole volume, or the blocks that lie wholly in the specimen.

    Parameters
    ----------
    shape : tuple of int
        Shape of the volume in voxels, (z, y, x).
    block : int
        Edge of a block in voxels.
    full : ndarray of bool, shape (z, y, x), or None
        Blocks of whole edge without a voxel outside the specimen; None where all are.
    """

    shape: Triple
    block: int = 1
    full: NDArray[np.bool_] | None = None
    _sums: Counts = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        full = np.zeros((0, 0, 0), np.bool_) if self.full is None else self.full
        sums = np.pad(full.astype(np.int64), [(1, 0)] * 3)
        for axis in range(3):
            sums = np.cumsum(sums, axis=axis)
        object.__setattr__(self, "_sums", sums)

    def count_places(self, size: Counts) -> Counts:
        """Return in how many places boxes fit into the field.

        Parameters
        ----------
        size : ndarray of int64, shape (n, 3)
            Voxels along (z, y, x), at least 1.

        Returns
        -------
        ndarray of int64, shape (n,)
            Whole-voxel shifts that keep the box inside.

        Examples
        --------
        >>> Field((10, 10, 10)).count_places(np.array([[1, 2, 10]])).tolist()
        [90]
        >>> full = np.ones((2, 2, 2), bool)
        >>> Field((10, 10, 10), 5, full).count_places(np.array([[1, 2, 10]])).tolist()
        [90]
        """
        if self.full is None:
            places = np.maximum(np.array(self.shape) - size + 1, 0)
            return np.asarray(places.prod(1), np.int64)
        unique, back = np.unique(size, axis=0, return_inverse=True)
        cache: dict[tuple[int, int], Counts] = {}
        places = np.array([self._places(s, cache) for s in unique.tolist()], np.int64)
        return places[back.reshape(-1)]

    def _places(self, size: Sequence[int], cache: dict[tuple[int, int], Counts]) -> int:
        # A box of q edges and r + 1 voxels meets q + 1 blocks from edge - r offsets, q + 2 from r.
        options = []
        for n in size:
            q, r = divmod(n - 1, self.block)
            options.append([(q + 1, self.block - r), *([(q + 2, r)] if r else [])])
        total = 0
        for (height, n_z), (width, n_y), (length, n_x) in product(*options):
            if (height, width) not in cache:
                cache[height, width] = count_full_boxes(self._sums, height, width)
            found = cache[height, width]
            if length < found.size:
                total += int(found[length]) * n_z * n_y * n_x
        return total

    def holds(self, start: Counts, stop: Counts) -> NDArray[np.bool_]:
        """Tell which boxes lie inside the field.

        Parameters
        ----------
        start, stop : ndarray of int64, shape (n, 3)
            First voxels inside and beyond, (z, y, x).

        Returns
        -------
        ndarray of bool, shape (n,)
            True for those.
        """
        within = ((start >= 0) & (stop <= np.array(self.shape))).all(1)
        if self.full is None:
            return np.asarray(within)
        low = np.clip(start // self.block, 0, np.array(self.full.shape))
        high = np.clip(-(-stop // self.block), 0, np.array(self.full.shape))
        met = np.zeros(len(start), np.int64)
        for corner in product((0, 1), repeat=3):
            place = tuple(np.where(c, high[:, i], low[:, i]) for i, c in enumerate(corner))
            met += (1 if sum(corner) % 2 else -1) * self._sums[place]
        fits = (high * self.block >= stop).all(1)
        return np.asarray(within & fits & (met == (high - low).prod(1)))


@dataclass(frozen=True, slots=True)
class Weighted:
    """Particles that were seen whole, each with the density that it stands for.

    Parameters
    ----------
    whole : ndarray of bool, shape (n,)
        Which of the particles were seen whole.
    weight : ndarray of float64, shape (n,)
        Particles per voxel that each stands for; 0 where not whole.
    n_too_large : int
        Particles too large to be seen whole anywhere: what they stand for is not known.
    """

    whole: NDArray[np.bool_]
    weight: Reals
    n_too_large: int


def weight_particles(seen: Field, start: Counts, stop: Counts) -> Weighted:
    """Weight particles by the places where each would have been seen whole.

    Parameters
    ----------
    seen : Field
        Where particles are seen.
    start, stop : ndarray of int64, shape (n, 3)
        Bounding boxes in voxels, (z, y, x).

    Returns
    -------
    Weighted
        Weights; their sum is the number per voxel.
    """
    low, high = start - BORDER_VX, stop + BORDER_VX
    places = seen.count_places(high - low)
    whole = seen.holds(low, high)
    weight = np.where(whole, 1.0 / np.maximum(places, 1), 0.0)
    return Weighted(whole, weight, int((places == 0).sum()))


@dataclass(frozen=True, slots=True)
class Interval:
    """A number with the ends of its 95 % interval; None for an end that is not told."""

    value: float
    low: float | None
    high: float | None


def estimate_density(weight: Reals, voxel_um3: float) -> Interval | None:
    """Return the number of particles per mm3.

    Parameters
    ----------
    weight : ndarray of float64, shape (n,)
        From `weight_particles`.
    voxel_um3 : float
        Volume of a voxel.

    Returns
    -------
    Interval or None
        Density, and the interval that it would have if particles lay independently of one
        another: the gamma interval of weighted Poisson counts (Fay & Feuer 1997), which for equal
        weights is the exact one; None without any whole particle.
    """
    total = float(weight.sum())
    if total <= 0.0:
        return None
    spread, most = float((weight * weight).sum()), float(weight.max())
    tail = (1.0 - LEVEL) / 2.0
    low = spread / (2.0 * total) * float(stats.chi2.ppf(tail, 2.0 * total * total / spread))
    above, wider = total + most, spread + most * most
    high = wider / (2.0 * above) * float(stats.chi2.isf(tail, 2.0 * above * above / wider))
    scale = 1.0 / (voxel_um3 * 1e-9)
    return Interval(total * scale, low * scale, high * scale)


def student_half(weight: Reals) -> float:
    """Return Student's quantile for as many particles as the weights are worth.

    Parameters
    ----------
    weight : ndarray of float64, shape (n,)
        At least two of them positive.

    Returns
    -------
    float
        At (sum w)^2 / sum w^2 - 1 degrees of freedom (Kish 1965), at least 1, and widened by
        sqrt(n / (n - 1)) for the mean that the scatter is taken about.

    Examples
    --------
    >>> round(student_half(np.ones(10)) / math.sqrt(10 / 9), 3)
    2.262
    """
    worth = max(float(weight.sum()) ** 2 / float((weight * weight).sum()), 2.0)
    t = float(stats.t.ppf(0.5 + LEVEL / 2, worth - 1.0))
    return t * math.sqrt(worth / (worth - 1.0))


def class_numbers(sizes: Reals) -> Counts:
    """Return the class of each positive size: class k reaches from 10^(k / 10) up to the next.

    Examples
    --------
    >>> class_numbers(np.array([0.99, 1.0, 1.3, 10.0])).tolist()
    [-1, 0, 1, 10]
    """
    # Nudged, so that a size that is a limit does not depend on the last bit of its logarithm.
    return np.asarray(np.floor(np.log10(sizes) * CLASSES_PER_DECADE + 1e-9), np.int64)


def class_limit(number: int) -> float:
    """Return the lower limit of a size class."""
    return float(10.0 ** (number / CLASSES_PER_DECADE))


def estimate_mean(values: Reals, weight: Reals) -> Interval | None:
    """Return a weighted mean with its interval by linearisation; None for fewer than 2 particles.

    Parameters
    ----------
    values, weight : ndarray of float64, shape (n,)
        What is averaged, and weights that are 0 for particles that do not count.

    Returns
    -------
    Interval or None
        The mean.
    """
    total = float(weight.sum())
    if int((weight > 0).sum()) < 2:
        return None
    mean = float((weight * values).sum()) / total
    share = weight / total
    sd = math.sqrt(float(((share * (values - mean)) ** 2).sum()))
    half = student_half(weight) * sd
    return Interval(mean, mean - half, mean + half)


def estimate_quantile(values: Reals, weight: Reals, share: float) -> Interval | None:
    """Return a weighted quantile with the interval of Woodruff (1952).

    Parameters
    ----------
    values, weight : ndarray of float64, shape (n,)
        As for `estimate_mean`.
    share : float
        Share of the weight below, between 0 and 1.

    Returns
    -------
    Interval or None
        The quantile; None for fewer than 2 particles.  An end that lies beyond the data is None:
        nothing is known of what is smaller than the least particle, or larger than the largest.

    Examples
    --------
    >>> estimate_quantile(np.arange(1.0, 102.0), np.ones(101), 0.5).value
    51.0
    """
    used = weight > 0
    if int(used.sum()) < 2:
        return None
    order = np.argsort(values[used], kind="stable")
    v, w = values[used][order], weight[used][order]
    places = (np.cumsum(w) - 0.5 * w) / w.sum()
    half = student_half(w) * math.sqrt(
        share * (1.0 - share) * float((w * w).sum()) / float(w.sum()) ** 2
    )
    middle, low, high = (
        float(q) for q in np.interp([share, share - half, share + half], places, v)
    )
    return Interval(
        middle,
        low if share - half >= places[0] else None,
        high if share + half <= places[-1] else None,
    )


def geometric_deviation(values: Reals, weight: Reals) -> float | None:
    """Return the geometric standard deviation of positive values; None for fewer than 2."""
    used = weight > 0
    if int(used.sum()) < 2:
        return None
    logs, w = np.log(values[used]), weight[used] / weight[used].sum()
    mean = float((w * logs).sum())
    return math.exp(math.sqrt(float((w * (logs - mean) ** 2).sum())))
