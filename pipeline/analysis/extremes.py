"""The largest particle to expect in a component: block maxima, and what distributions make of them.

ASTM E2283 takes the largest inclusion of each of n fields, fits a Gumbel distribution to them and
reads off the size that one field in T exceeds.  Here a field is a sub-volume of the scan.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

Counts = NDArray[np.int64]
Reals = NDArray[np.float64]

EULER_GAMMA = 0.57721566490153286

FEWEST_MAXIMA = 8
"""Fewest maxima that a distribution is fitted to (common practice, no source; E2283 takes 24)."""

FEWEST_A_BLOCK = 4
"""Mean number of particles of a block whose largest may pass for an extreme (common practice)."""

_FINEST = 8

_ANDERSON = ((0.474, 0.25), (0.637, 0.10), (0.757, 0.05), (0.877, 0.025), (1.038, 0.01))
"""Modified Anderson-Darling statistic of a fitted Gumbel distribution, and its upper tail
(D'Agostino & Stephens 1986, table 4.17)."""


@dataclass(frozen=True, slots=True)
class Gumbel:
    """Distribution exp(-exp(-(x - location) / scale)) of the maxima of n blocks."""

    location: float
    scale: float
    n: int

    def level(self, t: float) -> float:
        """Return the size that the largest of one block in `t` exceeds.

        Parameters
        ----------
        t : float
            Return period, above 1: component volume over block volume.
        """
        return self.location + self.scale * reduced_variate(t)

    def level_error(self, t: float) -> float:
        """Return the standard error of `level`: scale sqrt((1.109 + 0.514 y + 0.608 y^2) / n)."""
        y = reduced_variate(t)
        # 1 + 6 (1 - g)^2 / pi^2, 12 (1 - g) / pi^2 and 6 / pi^2, as the standard rounds them.
        return self.scale * math.sqrt((1.109 + 0.514 * y + 0.608 * y * y) / self.n)

    def log_likelihood(self, maxima: Reals) -> float:
        """Return the log-likelihood of maxima."""
        z = (maxima - self.location) / self.scale
        return float(-(z + np.exp(-z)).sum()) - maxima.size * math.log(self.scale)


@dataclass(frozen=True, slots=True)
class ExtremeValue:
    """Generalised extreme value distribution; shape 0 is Gumbel, below 0 it has an upper end."""

    location: float
    scale: float
    shape: float
    log_likelihood: float
    n: int

    def level(self, t: float) -> float:
        """Return the size that the largest of one block in `t` exceeds."""
        y = reduced_variate(t)
        if abs(self.shape) < 1e-9:
            return self.location + self.scale * y
        return self.location + self.scale * math.expm1(self.shape * y) / self.shape


def reduced_variate(t: float) -> float:
    """Return y = -ln(-ln(1 - 1/t)) of a return period.

    Examples
    --------
    >>> round(reduced_variate(1000.0), 6)
    6.907255
    """
    return -math.log(-math.log1p(-1.0 / t))


def block_maxima(
    values: Reals, position_um: Reals, searched: Counts, block_um: Reals
) -> tuple[Reals, float] | None:
    """Return the largest value in each block of a scan.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        A size of each particle.
    position_um : ndarray of float64, shape (n, 3)
        Centroids, (z, y, x).
    searched : ndarray of int64, shape (z, y, x)
        Voxels of the specimen by elementary block.
    block_um : ndarray of float64, shape (3,)
        Edges of an elementary block in um.

    Returns
    -------
    (ndarray of float64, float) or None
        Maxima of the blocks in raster order, and the mean number of elementary blocks' worth of
        specimen in one of them (in voxels).  The finest partition of at most 8 blocks an edge of
        which each that lies at least half in the specimen holds a particle, and 4 on average; None
        where that leaves fewer than `FEWEST_MAXIMA`.
    """
    n = np.array(searched.shape)
    place = np.clip((position_um / block_um).astype(np.int64), 0, n - 1)
    for k in range(min(_FINEST, int(n.max())), 1, -1):
        factor = -(-int(n.max()) // k)
        cells = -(-n // factor)
        voxels = searched.astype(np.int64)
        for axis in range(3):
            voxels = np.add.reduceat(voxels, np.arange(0, int(n[axis]), factor), axis)
        flat = np.ravel_multi_index(tuple((place // factor).T), tuple(cells.tolist()))
        full = (voxels >= 0.5 * voxels.max()).reshape(-1)
        held = np.bincount(flat, minlength=full.size)
        n_full = int(full.sum())
        if n_full < FEWEST_MAXIMA:
            return None
        if (held[full] > 0).all() and held[full].mean() >= FEWEST_A_BLOCK:
            largest = np.full(full.size, -np.inf)
            np.maximum.at(largest, flat, values)
            return largest[full], float(voxels.reshape(-1)[full].mean())
    return None


def fit_gumbel(maxima: Reals) -> Gumbel | None:
    """Fit a Gumbel distribution by maximum likelihood (ASTM E2283, 8.4).

    Parameters
    ----------
    maxima : ndarray of float64, shape (n,)
        Largest values of n blocks.

    Returns
    -------
    Gumbel or None
        None where the maxima are all the same.
    """
    spread = float(maxima.max() - maxima.min())
    if maxima.size < 2 or spread <= 0.0:
        return None
    low = maxima - maxima.min()
    mean = float(low.mean())

    def excess(scale: float) -> float:
        w = np.exp(-low / scale)
        return scale - mean + float((low * w).sum() / w.sum())

    # Where the scale is the whole spread the excess is positive; towards 0 it is negative.
    scale = float(optimize.brentq(excess, spread * 1e-9, spread * 2.0, xtol=1e-13 * spread))
    location = float(maxima.min()) - scale * math.log(float(np.exp(-low / scale).mean()))
    return Gumbel(location, scale, maxima.size)


def match_moments(maxima: Reals) -> Gumbel | None:
    """Fit a Gumbel distribution by moments: scale = s sqrt(6) / pi, location = mean - 0.5772 scale.

    Parameters
    ----------
    maxima : ndarray of float64, shape (n,)
        Largest values of n blocks.

    Returns
    -------
    Gumbel or None
        None where the maxima are all the same.
    """
    if maxima.size < 2 or float(maxima.max()) == float(maxima.min()):
        return None
    scale = float(np.std(maxima, ddof=1)) * math.sqrt(6.0) / math.pi
    return Gumbel(float(maxima.mean()) - EULER_GAMMA * scale, scale, maxima.size)


def fit_extreme_value(maxima: Reals) -> ExtremeValue | None:
    """Fit a generalised extreme value distribution by maximum likelihood.

    Parameters
    ----------
    maxima : ndarray of float64, shape (n,)
        Largest values of n blocks.

    Returns
    -------
    ExtremeValue or None
        The likelihood's maximum near the Gumbel fit, shape between -1 and 1; None where the maxima
        are all the same.
    """
    start = fit_gumbel(maxima)
    if start is None:
        return None
    x = (maxima - start.location) / start.scale

    def cost(p: Reals) -> float:
        if abs(p[2]) > 1.0:
            return math.inf
        return _minus_log_likelihood(x, p[0], math.exp(p[1]), p[2])

    found = optimize.minimize(
        cost,
        [0.0, 0.0, 0.0],
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000, "initial_simplex": _SIMPLEX},
    )
    shift, log_scale, shape = (float(v) for v in found.x)
    log_likelihood = -float(found.fun) - maxima.size * math.log(start.scale)
    return ExtremeValue(
        location=start.location + start.scale * shift,
        scale=start.scale * math.exp(log_scale),
        shape=shape,
        log_likelihood=log_likelihood,
        n=maxima.size,
    )


def _minus_log_likelihood(x: Reals, location: float, scale: float, shape: float) -> float:
    """Return that of values under the generalised extreme value distribution.

    scipy's `genextreme.logpdf`, whose shape has the opposite sign, gives the same; its checks of
    every argument cost thirty times the arithmetic, and a fit asks for it hundreds of times.
    """
    z = (x - location) / scale
    if abs(shape) < 1e-12:
        exponent = z
    else:
        inner = 1.0 + shape * z
        if float(inner.min()) <= 0.0:
            return math.inf
        exponent = np.log(inner) / shape
    total = float(((1.0 + shape) * exponent + np.exp(-exponent)).sum()) + x.size * math.log(scale)
    return total if math.isfinite(total) else math.inf


_SIMPLEX = np.array([[0.0, 0.0, 0.0], [0.2, 0.0, 0.0], [0.0, 0.2, 0.0], [0.0, 0.0, 0.1]])


def anderson_darling(maxima: Reals, fitted: Gumbel) -> tuple[float, float]:
    """Return how far maxima lie from a Gumbel distribution fitted to them by maximum likelihood.

    Parameters
    ----------
    maxima : ndarray of float64, shape (n,)
        Largest values of n blocks.
    fitted : Gumbel
        The fit.

    Returns
    -------
    statistic : float
        A^2 (1 + 0.2 / sqrt(n)) (Stephens 1977).
    p_value : float
        Its upper tail between 0.25 and 0.01, interpolated in the logarithm, clipped to these ends.
    """
    z = np.sort((maxima - fitted.location) / fitted.scale)
    n = z.size
    i = np.arange(1, n + 1)
    log_below = -np.exp(-z)
    log_above = np.log(-np.expm1(log_below))
    a2 = -n - float(((2 * i - 1) * (log_below + log_above[::-1])).sum()) / n
    statistic = a2 * (1.0 + 0.2 / math.sqrt(n))
    points, tails = zip(*_ANDERSON, strict=True)
    p_value = math.exp(float(np.interp(statistic, points, np.log(tails))))
    return statistic, p_value


def shape_test(gumbel: Gumbel, general: ExtremeValue, maxima: Reals) -> float:
    """Return the p-value of a shape of 0: likelihood ratio, chi-square with 1 degree of freedom."""
    ratio = 2.0 * (general.log_likelihood - gumbel.log_likelihood(maxima))
    return float(stats.chi2.sf(max(ratio, 0.0), 1))


def plotting_positions(maxima: Reals) -> tuple[Reals, Reals]:
    """Return sorted maxima and the reduced variates of i / (n + 1): a Gumbel line is straight."""
    n = maxima.size
    return np.sort(maxima), -np.log(-np.log(np.arange(1, n + 1) / (n + 1)))


def ellipsoid_shadow_um2(lengths_um: Reals, axes: Reals, direction: Reals) -> Reals:
    """Return the projected area of ellipsoids on the plane normal to a direction.

    Parameters
    ----------
    lengths_um : ndarray of float64, shape (n, 3)
        Full axes, longest first.
    axes : ndarray of float64, shape (n, 2, 3)
        Unit vectors of the longest and of the shortest axis.
    direction : ndarray of float64, shape (3,)
        Of any length.

    Returns
    -------
    ndarray of float64, shape (n,)
        pi a b c sqrt(sum (d_i / a_i)^2) for semi-axes a_i, exact.
    """
    unit = direction / math.sqrt(float((direction * direction).sum()))
    semi = lengths_um / 2.0
    along_major = (axes[:, 0] * unit).sum(1) ** 2
    along_minor = (axes[:, 1] * unit).sum(1) ** 2
    along_middle = np.maximum(1.0 - along_major - along_minor, 0.0)
    stretched = (
        along_major / semi[:, 0] ** 2
        + along_middle / semi[:, 1] ** 2
        + along_minor / semi[:, 2] ** 2
    )
    return np.asarray(math.pi * semi.prod(1) * np.sqrt(stretched))


MURAKAMI_FACTOR = {"surface": 1.43, "touching": 1.41, "interior": 1.56}
"""Factor of a defect at the surface, touching it from below, or inside (Murakami & Endo 1994)."""

STEEL_NOTE = "constants fitted to steels of 70 to 720 HV: a ranking, not a strength, for aluminium"


def fatigue_limit_mpa(
    sqrt_area_um: float, hardness_hv: float, place: str, stress_ratio: float = -1.0
) -> float:
    """Return Murakami's stress amplitude that a defect can bear without growing a crack.

    Parameters
    ----------
    sqrt_area_um : float
        Square root of the area projected on the plane normal to the load.
    hardness_hv : float
        Vickers hardness of the matrix in kgf/mm2.
    place : str
        surface, touching or interior.
    stress_ratio : float
        Least over greatest stress.

    Returns
    -------
    float
        C (HV + 120) / sqrt_area^(1/6) ((1 - R) / 2)^(0.226 + HV 1e-4).  The constants were fitted
        to steels; for other metals only ratios between defects mean anything.

    Examples
    --------
    >>> round(fatigue_limit_mpa(100.0, 100.0, "interior"), 2)
    159.3
    """
    exponent = 0.226 + hardness_hv * 1e-4
    load = ((1.0 - stress_ratio) / 2.0) ** exponent
    return MURAKAMI_FACTOR[place] * (hardness_hv + 120.0) / sqrt_area_um ** (1.0 / 6.0) * load
