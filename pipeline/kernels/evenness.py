"""How uneven the grey of the matrix is, how sure that is, and the correction that follows.

The specimen is cut in two halves, opposite quadrants each.  An artefact is the same in both; noise
and bodies are not.  The covariance of the halves is thus the variance of the artefact and their
difference tells the error, without any model of the noise: a correction is made only where the
artefact clearly exceeds the error, and shrunk by their ratio (Wiener 1949).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d, median_filter

from pipeline.kernels.flatten import (
    GAIN_BITS,
    RADIAL_STEPS,
    SHIFT_BITS,
    Correction,
    Counts,
    Geometry,
    plain_correction,
)
from pipeline.kernels.matrix import N_ZONES, Window
from pipeline.model.recipe import ARTEFACTS

Curve = npt.NDArray[np.float64]

LEAST_RATIO = 5.0
"""Variance of an artefact over that of its estimate's error, from which it is corrected: two halves
that share nothing reach it in less than one scan of 100."""

LEAST_SD = {"planes": 0.01, "radial": 0.03, "rings": 0.01}
"""Standard deviation of an artefact over that of the noise from which it is corrected.  Less moves
no threshold by anything that can be seen; and few large bodies, which pull at the matrix level of
whole zones in both halves, pass for cupping of up to 0.02."""

LEAST_SPREAD = 1.0
"""Grey levels that the matrix must spread over: in fewer, as in a binary volume, bodies next to it
cannot be told from it."""

_BIWEIGHT_SD = 2.0
_BIWEIGHT_STEPS = 20
_NORMAL_MAD = 1.4826
_FEWEST_VOXELS = 20
_MAX_DEGREE = 4
_FEWEST_OF_RING = 100
_RIM_SHARE = 0.2
_RING_WINDOW_VX = 31
_RING_SMOOTH_VX = 4.0


@dataclass(frozen=True, slots=True)
class Unevenness:
    """One artefact of a scan.

    Parameters
    ----------
    name : str
        One of `ARTEFACTS`.
    peak_to_valley : float
        Range of the matrix level that it makes, in levels of the conditioned scale.
    ratio : float
        Variance of the artefact over that of its error.
    corrected : bool
        Whether it is taken off.
    """

    name: str
    peak_to_valley: float
    ratio: float
    corrected: bool


@dataclass(frozen=True, slots=True)
class Evenness:
    """What was found, and the correction; None where nothing is corrected.

    Parameters
    ----------
    found : tuple of Unevenness
        Every artefact that was looked for.
    matrix : float or None
        Grey level of the matrix on the conditioned scale; None where too few voxels tell.
    air : float or None
        Grey level of air; None where the volume shows none.
    noise_sd : float
        Spread of grey about the matrix level.
    correction : Correction or None
        For `pipeline.kernels.flatten.flatten_grey`.
    """

    found: tuple[Unevenness, ...]
    matrix: float | None
    air: float | None
    noise_sd: float
    correction: Correction | None


@dataclass(frozen=True, slots=True)
class _Part:
    """One artefact: its curve, already shrunk, in units of the fit, and the evidence."""

    curve: Curve
    signal: float
    ratio: float


def measure_levels(counts: Counts, window: Window) -> tuple[Curve, Counts, float]:
    """Return the matrix level of every row of a table of counts.

    Parameters
    ----------
    counts : numpy.ndarray
        int64 (..., bins of the window).
    window : Window
        Their grey levels.

    Returns
    -------
    levels : numpy.ndarray
        float64 (...): Tukey's biweight location, which gives voxels three standard deviations off
        no weight; NaN for rows of fewer than 20 voxels.
    n_voxels : numpy.ndarray
        int64 (...).
    sd : float
        Spread about the level, from the median of absolute deviations, in grey levels.
    """
    n = counts.sum(axis=-1)
    bins = np.arange(counts.shape[-1], dtype=np.float64)
    enough = n >= _FEWEST_VOXELS
    rows = counts[enough].astype(np.float64)
    levels = np.full(n.shape, np.nan)
    if not rows.size:
        return levels, n, 0.0
    at = _medians(rows, np.broadcast_to(bins, rows.shape))
    away = np.abs(bins - at[:, None])
    order = np.argsort(away, axis=1, kind="stable")
    mads = _medians(np.take_along_axis(rows, order, 1), np.take_along_axis(away, order, 1))
    weight = n[enough]
    sd = max(_NORMAL_MAD * float((mads * weight).sum() / weight.sum()), 0.7)
    for _ in range(_BIWEIGHT_STEPS):
        shares = ((bins - at[:, None]) / (_BIWEIGHT_SD * sd)) ** 2
        weights = rows * np.maximum(1 - shares, 0.0) ** 2
        total = weights.sum(axis=1)
        moved = (weights * bins).sum(axis=1)
        at = np.where(total > 0, moved / np.maximum(total, 1e-300), at)
    first = float(window.centres[0])
    levels[enough] = first + window.width * at
    return levels, n, window.width * sd


def _medians(weights: Curve, values: Curve) -> Curve:
    """Return medians of ascending values by rows, interpolated within a value's unit width."""
    below = np.cumsum(weights, axis=1)
    half = 0.5 * below[:, -1:]
    place = np.argmax(below >= half, axis=1)[:, None]
    inside = np.take_along_axis(weights, place, 1)
    before = np.take_along_axis(below, place, 1) - inside
    step = (half - before) / np.maximum(inside, 1.0) - 0.5
    medians: Curve = (np.take_along_axis(values, place, 1) + step)[:, 0]
    return medians


def find_correction(
    planes: Counts,
    rings: Counts,
    window: Window,
    geometry: Geometry,
    air: int | None,
    wanted: Collection[str],
    sure_only: bool = True,
) -> Evenness:
    """Estimate the artefacts of a scan.

    Parameters
    ----------
    planes : numpy.ndarray
        int64 (z, sector, zone, bin), from `pipeline.kernels.matrix.fold_evenness`, of the volume.
    rings : numpy.ndarray
        int64 (sector, radius, bin), likewise.
    window : Window
        The grey bins.
    geometry : Geometry
        The axes.
    air : int or None
        Grey level of air, about which cupping and drift are gains; None where it is not known:
        then they are shifts.
    wanted : collection of str
        Those of `ARTEFACTS` to look for.
    sure_only : bool
        Correct only what exceeds its own error and matters; otherwise all that is wanted, shrunk
        by its error all the same.

    Returns
    -------
    Evenness
        What was found, and the correction.
    """
    levels, n, sd = measure_levels(planes, window)
    known = ~np.isnan(levels)
    if not known.any() or sd < LEAST_SPREAD:
        nothing = [Unevenness(name, 0.0, 0.0, False) for name in ARTEFACTS if name in wanted]
        return Evenness(tuple(nothing), None, air, sd, None)
    n = np.where(known, n, 0)
    matrix = float((np.where(known, levels, 0.0) * n).sum() / n.sum())
    frame = _Frame(matrix, sd, float(air) if air is not None and matrix - air > sd / 4 else None)
    drift, profile = _two_ways(frame.bend(np.where(known, levels, matrix)), n)
    ring_part = _rings_part(rings, window)
    if frame.is_clear("rings", ring_part):
        # Strong rings move the level of the zones that they lie in, which is no cupping.
        profile = profile - _by_zones(ring_part.curve, geometry) / frame.unit
    parts = {
        "planes": _planes_part(drift, n),
        "radial": _radial_part(profile, n),
        "rings": ring_part,
    }
    found: list[Unevenness] = []
    used: dict[str, Curve] = {}
    for name in ARTEFACTS:
        if name not in wanted:
            continue
        part = parts[name]
        corrected = bool(part.curve.any()) and (not sure_only or frame.is_clear(name, part))
        found.append(Unevenness(name, frame.range_of(name, part.curve), part.ratio, corrected))
        if corrected:
            used[name] = part.curve
    correction = _tabulate(used, frame, geometry, planes.shape[0]) if used else None
    return Evenness(tuple(found), matrix, air, sd, correction)


@dataclass(frozen=True, slots=True)
class _Frame:
    """What deviations are measured in: logarithms above air, or grey levels where none is seen.

    Rings are added to the grey and so are always in grey levels.
    """

    matrix: float
    sd: float
    air: float | None

    @property
    def unit(self) -> float:
        """Grey levels of a deviation of 1."""
        return 1.0 if self.air is None else self.matrix - self.air

    def bend(self, levels: Curve) -> Curve:
        """Return deviations of matrix levels."""
        if self.air is None:
            return levels - self.matrix
        bent: Curve = np.log(np.maximum(levels - self.air, 1e-3 * self.unit) / self.unit)
        return bent

    def range_of(self, name: str, curve: Curve) -> float:
        """Return the range of matrix levels of a curve, in grey levels."""
        if self.air is None or name == "rings":
            return float(np.ptp(curve))
        return float(np.ptp(np.exp(curve))) * self.unit

    def is_clear(self, name: str, part: _Part) -> bool:
        """Whether an artefact exceeds its error and matters beside the noise."""
        sd = part.signal**0.5 * (1.0 if name == "rings" else self.unit)
        return part.ratio >= LEAST_RATIO and sd >= LEAST_SD[name] * self.sd


def _two_ways(values: Curve, n: Counts) -> tuple[Curve, Curve]:
    """Return the deviation of every plane (z, sector) and of every zone (sector, zone).

    Their sum is fitted by turns: a specimen that tapers does not fill every zone in every plane.
    """
    profile = np.zeros(values.shape[1:])
    drift = np.zeros(values.shape[:2])
    for _ in range(4):
        profile = _weighted(values - drift.mean(axis=1)[:, None, None], n, 0)
        drift = _weighted(values - profile, n, 2)
    return drift, profile


def _weighted(values: Curve, n: Counts, axis: int) -> Curve:
    mean: Curve = (values * n).sum(axis=axis) / np.maximum(n.sum(axis=axis), 1)
    return mean


def _compare(halves: Curve, n: Curve) -> tuple[Curve, Curve, float, float]:
    """Return mean curve, its shrinkage, and the variances of artefact and error, of two halves."""
    total = max(float(n.sum()), 1.0)
    a, b = (h - float((h * n).sum()) / total for h in halves)
    signal = float((n * a * b).sum()) / total
    error = float((n * ((a - b) / 2) ** 2).sum()) / total
    own = error * total / max(int(np.count_nonzero(n)), 1) / np.maximum(n, 1.0)
    kept = max(signal, 0.0)
    shrink = np.where(n > 0, kept / np.maximum(kept + own, 1e-300), 0.0)
    return 0.5 * (a + b), shrink, signal, error


def _part(curve: Curve, signal: float, error: float) -> _Part:
    ratio = max(signal, 0.0) / max(error, 1e-12 * max(signal, 0.0), 1e-300)
    return _Part(curve, max(signal, 0.0), ratio)


def _planes_part(drift: Curve, n: Counts) -> _Part:
    # A plane counts by the emptier of its halves.
    weight = n.sum(axis=2).min(axis=1).astype(np.float64)
    mean, shrink, signal, error = _compare(drift.T, weight)
    return _part(mean * shrink, signal, error)


def _radial_part(profile: Curve, n: Counts) -> _Part:
    """Fit a low-order polynomial in the squared distance, of the degree that predicts best."""
    weight = n.sum(axis=0).min(axis=0).astype(np.float64)
    mean, _, signal, error = _compare(profile, weight)
    a, b = (h - (h * weight).sum() / max(weight.sum(), 1.0) for h in profile)
    at = (np.arange(N_ZONES) + 0.5) / N_ZONES
    steps = np.arange(RADIAL_STEPS + 1) / RADIAL_STEPS
    if np.count_nonzero(weight) < _MAX_DEGREE + 2:
        return _Part(np.zeros(RADIAL_STEPS + 1), 0.0, 0.0)
    misses = []
    for degree in range(1, _MAX_DEGREE + 1):
        miss = 0.0
        for one, other in ((a, b), (b, a)):
            fit = np.polynomial.Legendre.fit(at, one, degree, [0, 1], w=np.sqrt(weight))
            miss += float((weight * (fit(at) - other) ** 2).sum())
        misses.append(miss)
    degree = 1 + int(np.argmin(misses))
    fit = np.polynomial.Legendre.fit(at, mean, degree, [0, 1], w=np.sqrt(weight))
    # The skin is not measured: beyond the outermost zone the curve goes on straight.
    end = at[np.flatnonzero(weight)[-1]]
    slope = np.polynomial.Legendre.fit(at, mean, min(degree, 2), [0, 1], w=np.sqrt(weight)).deriv()
    curve = fit(np.minimum(steps, end)) + slope(end) * np.maximum(steps - end, 0.0)
    kept = max(signal, 0.0)
    shrink = kept / max(kept + error, 1e-300)
    return _part(curve * shrink, signal, error)


def _rings_part(rings: Counts, window: Window) -> _Part:
    """Take slow changes with the radius off: a ring differs from its neighbours."""
    levels, n, _ = measure_levels(rings, window)
    weight = n.min(axis=0).astype(np.float64)
    curve = np.zeros(rings.shape[1])
    # Few voxels at the rim, in a body or not, would bend the slow part of all radii within reach.
    well = np.flatnonzero(weight >= _FEWEST_OF_RING)
    full = np.flatnonzero(weight >= _RIM_SHARE * weight.max(initial=1.0))
    well = well[well <= full[-1]] if full.size else well[:0]
    if well.size < 8:
        return _Part(curve, 0.0, 0.0)
    inside = slice(int(well[0]), int(well[-1]) + 1)
    radii = np.arange(inside.start, inside.stop)
    weight = np.where(np.isin(radii, well), weight[inside], 0.0)
    fine = np.stack([np.interp(radii, well, half[well]) for half in levels])
    for half in fine:
        half -= np.polynomial.Legendre.fit(radii, half, min(6, well.size // 4), w=weight**0.5)(
            radii
        )
        slow = median_filter(half, _RING_WINDOW_VX, mode="nearest")
        half -= gaussian_filter1d(slow, _RING_SMOOTH_VX, mode="nearest")
    mean, shrink, signal, error = _compare(fine, weight)
    curve[inside] = mean * shrink
    return _part(curve, signal, error)


def _by_zones(rings: Curve, geometry: Geometry) -> Curve:
    """Return the mean of the rings over every zone; 0 where the axes stand apart."""
    apart = np.hypot(*np.subtract(geometry.axis, geometry.rotation))
    if apart > 1.0:
        return np.zeros(N_ZONES)
    fine = (np.arange(8 * rings.size) + 0.5) / 8
    inside = fine < geometry.radius_vx
    zone = (N_ZONES * (fine[inside] / geometry.radius_vx) ** 2).astype(np.int64)
    sums = np.bincount(zone, fine[inside] * np.repeat(rings, 8)[inside], N_ZONES)
    means: Curve = sums / np.maximum(np.bincount(zone, fine[inside], N_ZONES), 1e-300)
    return means


def _tabulate(
    used: dict[str, Curve], frame: _Frame, geometry: Geometry, n_planes: int
) -> Correction:
    """Round curves to the whole numbers that voxels are corrected by."""
    plain = plain_correction(geometry, n_planes, round(frame.air or 0.0))
    tables: dict[str, Any] = {}
    for name, table in (("planes", "plane"), ("radial", "radial")):
        if name not in used:
            continue
        if frame.air is None:
            tables[f"{table}_shift"] = _whole(used[name], SHIFT_BITS)
        else:
            tables[f"{table}_gain"] = _whole(np.exp(-used[name]), GAIN_BITS)
    if "rings" in used:
        tables["ring_shift"] = _whole(used["rings"], SHIFT_BITS)
    return replace(plain, **tables)


def _whole(values: Curve, bits: int) -> Counts:
    return np.rint(values * (1 << bits)).astype(np.int64)
