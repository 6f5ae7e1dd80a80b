"""Voxels in doubt: those whose phase hangs on the noise, counted for the scan and by body.

The phase rule is asked three times: with the thresholds as they are, and with all of them lower
and higher by one standard deviation of the noise.  A voxel that answers otherwise is in doubt.
Counts are whole numbers, so those of tiles add up to those of the volume whatever the tiling.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.ndimage import gaussian_filter1d

from pipeline.errors import UsageError
from pipeline.model.recipe import OUTSIDE

Counts = npt.NDArray[np.int64]
Phases = npt.NDArray[np.uint8]

_FEWEST_VOXELS = 50
_FEW_LEVELS = 4.0
_QUARTER_WIDTH = 0.63727872792757


def fold_doubt(
    phases: Phases,
    lowered: Phases,
    raised: Phases,
    labels: npt.NDArray[np.uint32],
    n_bodies: int,
) -> tuple[int, Counts]:
    """Count the voxels of a tile's core that are in doubt.

    Parameters
    ----------
    phases, lowered, raised : numpy.ndarray
        uint8 (z, y, x): phases by the rule as it is, and with lower and higher thresholds;
        `OUTSIDE` outside the specimen.
    labels : numpy.ndarray
        uint32 of the same shape: local ids of bodies, 0 for none.
    n_bodies : int
        Largest local id.

    Returns
    -------
    n_in_doubt : int
        Voxels that get another phase by lower or by higher thresholds.
    lost : numpy.ndarray
        int64 (n_bodies + 1, 2): voxels of each body that get another phase by lower and by higher
        thresholds; row 0 belongs to none.

    Raises
    ------
    UsageError
        If the arrays differ in shape.

    Examples
    --------
    >>> row = lambda *v: np.array([[v]], np.uint8)
    >>> bodies = np.array([[[0, 1, 1]]], np.uint32)
    >>> n, lost = fold_doubt(row(0, 1, 1), row(1, 1, 1), row(0, 0, 1), bodies, 1)
    >>> n, lost.tolist()
    (2, [[0, 0], [0, 1]])
    """
    if not phases.shape == lowered.shape == raised.shape == labels.shape:
        raise UsageError(
            "doubt wants arrays of one shape, got "
            f"{phases.shape}, {lowered.shape}, {raised.shape} and {labels.shape}."
        )
    lost = np.zeros((n_bodies + 1, 2), np.int64)
    n = _fold_doubt(phases, lowered, raised, labels, lost)
    lost[0] = 0
    return int(n), lost


@njit(nogil=True, cache=True)
def _fold_doubt(
    phases: Phases,
    lowered: Phases,
    raised: Phases,
    labels: npt.NDArray[np.uint32],
    lost: Counts,
) -> int:
    n = 0
    nz, ny, nx = phases.shape
    for z in range(nz):
        for y in range(ny):
            now, low, high = phases[z, y], lowered[z, y], raised[z, y]
            # Most rows and most voxels are sure: a pass in vector instructions says so.
            unsure = np.uint8(0)
            for x in range(nx):
                unsure |= (now[x] ^ low[x]) | (now[x] ^ high[x])
            if unsure == 0:
                continue
            for x in range(nx):
                if now[x] == OUTSIDE or (now[x] == low[x] and now[x] == high[x]):
                    continue
                n += 1
                body = labels[z, y, x]
                lost[body, 0] += now[x] != low[x]
                lost[body, 1] += now[x] != high[x]
    return n


def mode_spread(histogram: Counts) -> float | None:
    """Return the standard deviation of the main mode of a histogram.

    Parameters
    ----------
    histogram : numpy.ndarray
        int64: voxels by grey level.

    Returns
    -------
    float or None
        Width of the shortest interval that holds a quarter of the voxels, over 0.637, which that is
        of a normal distribution of standard deviation 1: the mode's top, which partial volume does
        not reach.  For modes of few levels, from the curvature there.  None where
        fewer than 50 voxels were counted; 0 where one level holds all of them.

    Examples
    --------
    >>> grey = np.clip(np.random.default_rng(1).normal(500, 20, 10**5), 0, 999).astype(int)
    >>> 19 < mode_spread(np.bincount(grey, minlength=1000)) < 21
    True
    """
    n = int(histogram.sum())
    if n < _FEWEST_VOXELS:
        return None
    if int(histogram.max()) == n:
        return 0.0
    # Levels are taken as intervals that their voxels fill evenly, so that few of them tell too.
    below = np.concatenate([[0], np.cumsum(histogram)]).astype(np.float64)
    starts = np.flatnonzero(4 * below <= 3 * n)
    wanted = below[starts] + 0.25 * n
    last = np.searchsorted(below, wanted, side="left") - 1
    ends = last + (wanted - below[last]) / histogram[last]
    sd = float((ends - starts).min()) / _QUARTER_WIDTH
    return _narrow_spread(histogram, sd) if sd < _FEW_LEVELS else sd


def _narrow_spread(histogram: Counts, sd: float) -> float:
    """Return the spread of a mode of few levels from the curvature of its logarithm at the top."""
    top = int(np.argmax(histogram))
    near = histogram[max(top - 1, 0) : top + 2]
    if near.size < 3 or int(near.min()) == 0:
        return 0.0 if 2 * int(histogram[top]) >= int(histogram.sum()) else sd
    below, here, above = (math.log(int(n)) for n in near)
    curvature = 2 * here - below - above
    # A level's own extent widens the mode by 1/12.
    return math.sqrt(max(1 / curvature - 1 / 12, 0.0)) if curvature > 1e-3 else sd


def mode_level(histogram: Counts, spread: float) -> float | None:
    """Return the most frequent grey level, where it is a mode and no flank of something else.

    Parameters
    ----------
    histogram : numpy.ndarray
        int64: voxels by grey level, of one phase.
    spread : float
        Standard deviation of the noise: counts are smoothed by half of it.

    Returns
    -------
    float or None
        The level, from the first of `histogram`; None for fewer than 50 voxels, and where the
        counts do not fall by a tenth on both sides.

    Examples
    --------
    >>> flank, mode = np.arange(1, 100) ** 2, np.full(9, 10)
    >>> mode[4] = 90
    >>> mode_level(flank, 2.0), mode_level(mode, 0.0)
    (None, 4.0)
    """
    if int(histogram.sum()) < _FEWEST_VOXELS:
        return None
    used = np.flatnonzero(histogram)
    counts = histogram[used[0] : used[-1] + 1].astype(np.float64)
    if spread > 0.0:
        counts = gaussian_filter1d(counts, 0.5 * spread, mode="nearest")
    top = int(np.argmax(counts))
    clear = 0.9 * counts[top]
    if counts.size > 1 and (counts[: top + 1].min() > clear or counts[top:].min() > clear):
        return None
    return float(used[0] + top)
