"""Thresholds beside the matrix peak: how minority phases are found in a grey histogram.

The matrix of a cast alloy holds nine voxels in ten; pores, iron-rich and copper-rich bodies are
small bumps or mere shoulders in its tails, with partial volume between.  Variance between classes
does not see them.  Here the matrix peak is fitted and taken away, each phase's own pure level is
looked for in what is left, and a threshold stands midway between two pure levels, where a voxel
half filled by either lies, but not so near the matrix that its noise becomes particles.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks

from pipeline.errors import DataError, UsageError
from pipeline.kernels.naming import Guide, Level, expect_greys, name_side

Histogram = npt.NDArray[np.int64]
Curve = npt.NDArray[np.float64]

# Distances in standard deviations of the matrix.
_NEAREST_THRESHOLD_SD = 3.0  # at 3 sd the matrix sheds 1 voxel in 740 into each neighbour
_EMPTY_SD = 5.0  # at 5 sd 1 in 3.5 million: where the threshold of an absent phase stands
_NEAREST_LEVEL_SD = 3.0
_BINS_PER_SD = 8
_SMOOTHING_SD = 0.5  # no peak is narrower than the noise, so half of it costs no resolution

# Where too few modes of the matrix's width are seen: partial volume in thin bodies, and a filter
# that smooths them less, make wider ones, whose counts scatter in bins for narrow ones.
_WIDENINGS = (2.0, 4.0)

# A denoised voxel shares its noise with its neighbours: counts scatter as if there were this many
# times fewer voxels.
_VOXELS_PER_INDEPENDENT = 8.0
_SIGNIFICANCE_SD = 4.0
_FEWEST_VOXELS = 50
_LEAST_PROMINENCE = 0.1
_FAR = 1 << 30  # beyond any grey level
# A knee of the tail must rise above its chord by this factor to be taken for a level.
_KNEE_FACTOR = 1.6
# Pores are the voxels nearer to air than to the matrix, and this share of them, dark first, reaches
# their level.  It is darker the larger they are: the threshold gives small ones back what blur and
# filter, which move round surfaces inwards, take.  Measured on simulated scans, see
# tests/benchmarks/segmentation.py.
_PORE_SHARE = 0.4
# What merely trails off from the matrix has its level nearer to midway, in shares of the contrast.
_LEAST_PORE_CONTRAST = 0.65
# Beyond a mode, which uneven grey draws out, it must stand clear by this share of its contrast.
_KNEE_CLEAR = 0.5


@dataclass(frozen=True, slots=True)
class PhaseThresholds:
    """Thresholds between phases, and what they were derived from.

    Parameters
    ----------
    thresholds : tuple of int
        Ascending, one fewer than phases: a voxel of grey ``>= thresholds[i]`` belongs to phase
        ``i + 1`` or above.  Values outside 0..65535 part nothing, and a phase between two equal
        ones is empty.
    levels : tuple of float or None
        Pure grey level of every phase, dark to bright; None where the phase was not found.
    sd : tuple of float or None
        Standard deviation of grey about that level, None where it was not measured.
    method : str
        How the thresholds were found.
    notes : tuple of str
        What a reader of the result should know, such as phases that were not found.
    expected : tuple of float, optional
        Grey level of every phase that a guide expects.
    """

    thresholds: tuple[int, ...]
    levels: tuple[float | None, ...]
    sd: tuple[float | None, ...]
    method: str
    notes: tuple[str, ...]
    expected: tuple[float, ...] | None = None

    @property
    def found(self) -> tuple[bool, ...]:
        """Whether each phase was seen in the histogram."""
        return tuple(level is not None for level in self.levels)


@dataclass(frozen=True, slots=True)
class _Bins:
    """Counts of equally wide bins: bin i holds the grey levels about ``first + i width``."""

    first: float
    width: float
    counts: Curve

    def mirrored(self) -> _Bins:
        """Return the same with grey negated: what was dark is bright."""
        last = self.first + self.width * (self.counts.size - 1)
        return _Bins(-last, self.width, self.counts[::-1])

    @property
    def greys(self) -> Curve:
        return self.first + self.width * np.arange(self.counts.size, dtype=np.float64)


def threshold_peaks(
    histogram: Histogram,
    kinds: Sequence[str],
    guide: Guide | None = None,
    air: float | None = None,
) -> PhaseThresholds:
    """Find thresholds between the matrix and its minority phases.

    Parameters
    ----------
    histogram : numpy.ndarray
        int64 of length 65536: voxels of the specimen by grey level.
    kinds : sequence of str
        Kind of every phase, dark to bright; exactly one is ``background``, the matrix.
    guide : Guide, optional
        Names levels by attenuation; without it they are named by rank from the matrix.
    air : float, optional
        Grey of air, where the darkest phase is pores and nothing else is darker than the matrix.

    Returns
    -------
    PhaseThresholds
        Midway between pure levels, at least 3 standard deviations from the matrix.  Where a phase
        is not found its threshold stands where it is practically empty, and where a phase farther
        from the matrix is found, at the threshold of that one.

    Raises
    ------
    UsageError
        If not exactly one kind is ``background``, or the guide knows another number of phases.
    DataError
        If the histogram is empty.
    """
    if list(kinds).count("background") != 1:
        raise UsageError(f"peaks want exactly one phase of kind background, got {list(kinds)}.")
    if guide is not None and len(guide.attenuations) != len(kinds):
        raise UsageError(
            f"{len(kinds)} phases want as many attenuations, got {len(guide.attenuations)}."
        )
    matrix = list(kinds).index("background")
    bins, sd = _binned(histogram)
    mean, sd, height = _fit_matrix(bins, sd)
    seen_dark = _levels_above(bins.mirrored(), -mean, sd, height, matrix)
    if air is not None and matrix == 1 and air < mean:
        seen_dark = _pores(bins, mean, sd, seen_dark, air)
    seen_bright = _levels_above(bins, mean, sd, height, len(kinds) - 1 - matrix)
    greys = None
    if guide is not None:
        greys = expect_greys(guide, matrix, mean, [-p.grey for p in seen_dark])
    outward = range(matrix - 1, -1, -1), range(matrix + 1, len(kinds))
    dark = name_side(seen_dark, -mean, outward[0], guide, matrix, greys)
    bright = name_side(seen_bright, mean, outward[1], guide, matrix, greys)
    if air is not None and matrix == 1 and air < mean and dark.expected is None:
        dark = replace(dark, expected=[mean - air])
    above = _thresholds_above(mean, sd, bright.levels, bright.expected)
    below = [1 - t for t in _thresholds_above(-mean, sd, dark.levels, dark.expected)]
    notes = [
        f"{side.n_found} of {len(side.levels)} {word} levels were found: phases are named by rank "
        "from the matrix"
        for word, side in (("dark", dark), ("bright", bright))
        if 0 < side.n_found < len(side.levels) and not side.guided
    ]
    return PhaseThresholds(
        thresholds=(*reversed(below), *above),
        levels=(
            *[-p.grey if p else None for p in reversed(dark.levels)],
            mean,
            *[p.grey if p else None for p in bright.levels],
        ),
        sd=(
            *[p.sd if p else None for p in reversed(dark.levels)],
            sd,
            *[p.sd if p else None for p in bright.levels],
        ),
        method="peaks",
        notes=(*[f"dark side: {n}" for n in dark.notes], *bright.notes, *notes),
        expected=greys,
    )


def _binned(histogram: Histogram) -> tuple[_Bins, float]:
    """Return bins of an eighth of the matrix's standard deviation, and a first guess of it.

    The shortest interval that holds half of the voxels is blind to anything the other half does.
    """
    occupied = np.flatnonzero(histogram)
    if occupied.size == 0:
        raise DataError("the histogram is empty: no voxel lies inside the specimen.")
    low, high = int(occupied[0]), int(occupied[-1])
    # 8- or 12-bit data on a 16-bit scale leave regular gaps, which are no valleys.
    step = int(np.gcd.reduce(np.diff(occupied))) if occupied.size > 1 else 1
    counts = histogram[low : high + 1 : step]
    below = np.concatenate([[0], np.cumsum(counts)])
    half = -(-int(below[-1]) // 2)
    ends = np.searchsorted(below, below[:-1] + half, side="left")
    reach = ends <= counts.size
    shortest = int(np.min(ends[reach] - np.flatnonzero(reach)))
    sd = max(shortest * step / 1.349, 0.5 * step)
    group = max(1, round(sd / (_BINS_PER_SD * step)))
    padded = np.concatenate([counts, np.zeros(-counts.size % group, np.int64)])
    grouped = padded.reshape(-1, group).sum(axis=1).astype(np.float64)
    return _Bins(low + step * (group - 1) / 2, float(step * group), grouped), sd


def _fit_matrix(bins: _Bins, sd: float) -> tuple[float, float, float]:
    """Return mean, standard deviation and height of the main mode, from its inner flanks."""
    smooth = gaussian_filter1d(bins.counts, max(1.0, _SMOOTHING_SD * sd / bins.width))
    mean = float(bins.greys[int(np.argmax(smooth))])
    height = float(smooth.max())
    for _ in range(4):
        fit = _fit_gaussian(bins.greys, bins.counts, mean, 1.2 * sd)
        if fit is None:
            break
        mean, sd, height = fit
    return mean, max(sd, 0.5 * bins.width), height


def _fit_gaussian(
    greys: Curve, counts: Curve, centre: float, reach: float
) -> tuple[float, float, float] | None:
    """Fit a parabola to the logarithm of the counts within `reach`; None where it does not peak."""
    near = (np.abs(greys - centre) <= reach) & (counts > 0)
    if int(near.sum()) < 4:
        return None
    x, y, w = (greys[near] - centre) / reach, np.log(counts[near]), counts[near]
    moments = [float((w * x**k).sum()) for k in range(5)]
    normal = np.array([[moments[i + j] for j in range(3)] for i in range(3)])
    right = np.array([float((w * y * x**k).sum()) for k in range(3)])
    try:
        a, b, c = (float(v) for v in np.linalg.solve(normal, right))
    except np.linalg.LinAlgError:
        return None
    if c >= 0 or abs(b) > -2 * c:
        return None
    return (
        centre - reach * b / (2 * c),
        reach / math.sqrt(-2 * c),
        math.exp(a - b * b / (4 * c)),
    )


def _levels_above(bins: _Bins, mean: float, sd: float, height: float, n_wanted: int) -> list[Level]:
    """Return pure levels brighter than the matrix, nearest first.

    They are modes, and knees where these are fewer than `n_wanted`.
    """
    if n_wanted == 0:
        return []
    # A mode at the end of the grey range needs somewhere to fall to.
    room = math.ceil(8 * max(_WIDENINGS) * max(1.0, _SMOOTHING_SD * sd / bins.width))
    bins = _Bins(bins.first, bins.width, np.concatenate([bins.counts, np.zeros(room)]))
    tail = _tail(bins, mean, sd, height)
    levels = _modes(tail)
    for widening in _WIDENINGS:
        if len(levels) >= n_wanted:
            break
        reach = _NEAREST_LEVEL_SD * widening * sd
        levels += [
            level
            for level in _modes(_tail(bins, mean, sd, height, widening))
            if all(abs(level.grey - own.grey) > reach for own in levels)
        ]
    if len(levels) < n_wanted:
        levels += _knees(tail, mean, levels)
    return sorted(levels, key=lambda level: level.grey)


def _pores(bins: _Bins, mean: float, sd: float, seen: list[Level], air: float) -> list[Level]:
    """Return the level of pores on the negated scale; what was seen there where there are none.

    A mode on air's side of midway takes the place of air, whose grey may differ inside a specimen.
    """
    modes = [level for level in seen if level.sd is not None]
    own = [level for level in modes if -level.grey < 0.5 * (mean + air)]
    best = max(own, key=lambda level: level.rank, default=None)
    dark = air if best is None else -best.grey
    if mean - dark < 2 * _NEAREST_THRESHOLD_SD * sd:
        return seen
    counts = np.where(bins.greys < 0.5 * (mean + dark), bins.counts, 0.0)
    n_voxels = float(counts.sum())
    if n_voxels < _FEWEST_VOXELS:
        return modes
    place = int(np.searchsorted(np.cumsum(counts), _PORE_SHARE * n_voxels))
    level = float(bins.greys[place])
    if mean - level < _LEAST_PORE_CONTRAST * (mean - dark):
        return modes
    return [Level(-level, None if best is None else best.sd, (1, n_voxels))]


@dataclass(frozen=True, slots=True)
class _Tail:
    """Smoothed counts: all that is seen, the matrix's share, and the rest; `start` in bins."""

    greys: Curve
    seen: Curve
    rest: Curve
    matrix: Curve
    start: int
    spread: float
    sd: float

    @property
    def voxels_per_count(self) -> float:
        """How many voxels back a smoothed count of 1: the effective width of the smoothing."""
        return 2 * math.sqrt(math.pi) * self.spread


def _tail(bins: _Bins, mean: float, sd: float, height: float, widening: float = 1.0) -> _Tail:
    """Return the counts beyond the matrix, smoothed for modes of its width or of a wider one."""
    matrix = height * np.exp(-0.5 * ((bins.greys - mean) / sd) ** 2)
    sd *= widening
    spread = max(1.0, _SMOOTHING_SD * sd / bins.width)
    return _Tail(
        greys=bins.greys,
        seen=gaussian_filter1d(bins.counts, spread),
        rest=np.maximum(gaussian_filter1d(bins.counts - matrix, spread), 0.0),
        matrix=gaussian_filter1d(matrix, spread),
        start=int(np.searchsorted(bins.greys, mean + (_NEAREST_LEVEL_SD - 0.5) * sd)),
        spread=spread,
        sd=sd,
    )


def _modes(tail: _Tail) -> list[Level]:
    """Find local maxima of the rest that stand out of the scatter of counts on both sides.

    Both sides are followed for 3 sd only: a mode falls off there, a plateau does not.
    """
    rest = tail.rest[tail.start :]
    if rest.size < 3:
        return []
    found, about = find_peaks(rest, prominence=0.0, wlen=max(3, round(6 * tail.sd / _width(tail))))
    levels = []
    for place, prominence in zip(found, about["prominences"], strict=True):
        i = tail.start + int(place)
        floor = max(float(rest[place] - prominence), 0.0)
        scatter = math.sqrt(
            (tail.seen[i] + floor) * _VOXELS_PER_INDEPENDENT / tail.voxels_per_count
        )
        n_voxels = float(prominence) * math.sqrt(2 * math.pi) * tail.sd / _width(tail)
        clear = max(_SIGNIFICANCE_SD * scatter, _LEAST_PROMINENCE * float(rest[place]))
        if prominence < clear or n_voxels < _FEWEST_VOXELS:
            continue
        # Where the matrix's share is the larger one, a poor fit of its flank makes such bumps.
        if tail.rest[i] < tail.matrix[i]:
            continue
        levels.append(_refined(tail, i, n_voxels))
    return levels


def _refined(tail: _Tail, i: int, n_voxels: float) -> Level:
    grey = float(tail.greys[i])
    fit = _fit_gaussian(tail.greys, tail.rest, grey, tail.sd)
    if fit is None or abs(fit[0] - grey) > tail.sd:
        return Level(grey, tail.sd, (1, n_voxels))
    # The smoothing has widened the mode by a known amount.
    variance = fit[1] ** 2 - (tail.spread * _width(tail)) ** 2
    return Level(fit[0], math.sqrt(max(variance, 0.25 * tail.sd**2)), (1, n_voxels))


def _width(tail: _Tail) -> float:
    return float(tail.greys[1] - tail.greys[0])


def _knees(tail: _Tail, mean: float, modes: list[Level]) -> list[Level]:
    """Find where the rest stops running flat and falls: the level that thin bodies just reach.

    Between two levels (or beyond the last) the logarithm of the rest is compared with its chord;
    a concave knee stands above it, an exponential tail does not.
    """
    known = sorted(modes, key=lambda level: level.grey)
    matrix, end = Level(mean, tail.sd, (1, 0.0)), Level(math.inf, None, (0, 0.0))
    levels = []
    for one, other in itertools.pairwise([matrix, *known, end]):
        # The flank of a mode wider than the matrix is no part of what lies between.
        low, high = (_NEAREST_LEVEL_SD * max(tail.sd, own.sd or 0.0) for own in (one, other))
        clear = one.grey + max(low, _KNEE_CLEAR * (one.grey - mean))
        knee = _knee(tail, one.grey + low, other.grey - high)
        if knee is not None and knee.grey < clear:
            knee = _knee(tail, clear, other.grey - high)
        levels += [knee] if knee is not None else []
    return levels


def _knee(tail: _Tail, low: float, high: float) -> Level | None:
    """Return the knee between two greys, None where the rest falls evenly."""
    enough = _FEWEST_VOXELS / tail.voxels_per_count
    inside = (tail.greys >= low) & (tail.greys <= high)
    places = np.flatnonzero(inside & (tail.rest > np.maximum(tail.matrix, enough)))
    if places.size < 2 * _BINS_PER_SD:
        return None
    first, last = int(places[0]), int(places[-1])
    log = np.log(np.maximum(tail.rest[first : last + 1], enough))
    chord = np.linspace(log[0], log[-1], log.size)
    place = int(np.argmax(log - chord))
    if log[place] - chord[place] < math.log(_KNEE_FACTOR):
        return None
    n_voxels = float(tail.rest[first : last + 1].sum())
    return Level(float(tail.greys[first + place]), None, (0, n_voxels))


def _thresholds_above(
    mean: float, sd: float, levels: Sequence[Level | None], expected: Sequence[float] | None
) -> list[int]:
    """Return ascending thresholds from the matrix outwards; a voxel at a threshold is beyond it.

    An absent phase before one that was found lies between two equal thresholds: it is empty.
    """
    thresholds: list[int] = []
    inner, pure = mean, mean
    nearest = mean + _NEAREST_THRESHOLD_SD * sd
    for i, level in enumerate(levels):
        if level is not None:
            at = max(0.5 * (inner + level.grey), nearest)
            inner = pure = level.grey
        elif any(levels[i:]):
            continue
        else:
            # Half a contrast beyond the last level found: bodies of one phase differ in grey too.
            at = inner + max(_EMPTY_SD * sd, 0.5 * (inner - mean))
            if expected is not None:
                at = max(at, 0.5 * (pure + mean + expected[i]))
                pure = mean + expected[i]
            inner = at
        wanted = max(math.ceil(at), thresholds[-1] + 1 if thresholds else -_FAR)
        thresholds += [wanted] * (i + 1 - len(thresholds))
    return thresholds
