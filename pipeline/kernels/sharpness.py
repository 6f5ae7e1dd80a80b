"""Sharpness of edges: how many voxels the grey takes from 10 to 90 % between two pure phases.

Along each axis, two neighbouring voxels on either side of the grey midway between matrix and
another phase mark a crossing, found on means over 3x3 voxels normal to the axis, where noise moves
it little.  It counts where grey rises nearly along that axis and both ends, 2 to 3 voxels away, are
pure.  The voxels about it are summed by their distance from the crossing,
so that the mean profile of many edges stands at quarters of a voxel with little noise.  Sums are
whole numbers: those of tiles add up to those of the volume whatever the tiling.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.errors import UsageError
from pipeline.model.grid import Box, Triple
from pipeline.model.recipe import OUTSIDE

Sums = npt.NDArray[np.int64]

BEFORE_VX, BEYOND_VX = 2, 3
"""Voxels that a crossing between a voxel and the next one reads below the former and above it."""

N_SAMPLES = BEFORE_VX + BEYOND_VX + 1
N_SHIFTS = 4
"""Places of a crossing between two voxels that are told apart."""

WIDTH_PER_SIGMA = 2.5631031310892007
"""10-90 % width of an edge blurred by a Gaussian, in its standard deviations: twice the 90 %
quantile of the normal distribution."""

FEWEST_EDGES = 100
_WIDEST_SIGMA_VX = 2.5
# Every other row is looked at: a scan has more edges than are needed.
_EVERY_ROW = 2
# Greys in parts of a level, so that the level midway need not be whole.
_PARTS = 8


def fold_edges(
    grey: npt.NDArray[np.uint16],
    phases: npt.NDArray[np.uint8],
    core: Box,
    shape: Triple,
    matrix: float,
    others: Sequence[float],
) -> Sums:
    """Sum up the profiles of the edges whose lower voxel lies in a tile's core.

    Parameters
    ----------
    grey : numpy.ndarray
        uint16 (z, y, x): the core with `BEFORE_VX` voxels around it, and one more above it where
        the volume goes on.
    phases : numpy.ndarray
        uint8 of the same shape; `OUTSIDE` outside the specimen, all else is inside.
    core : Box
        The tile's core in the volume.
    shape : tuple of int
        Shape of the volume: edges that read beyond it are left out.
    matrix : float
        Pure grey of the matrix.
    others : sequence of float
        Pure grey of each phase that may meet it.

    Returns
    -------
    numpy.ndarray
        int64 (n_others, 3, `N_SHIFTS`, 1 + `N_SAMPLES`): by phase, axis (z, y, x) and place of the
        crossing: edges, and sums of the grey of their voxels from the matrix on.

    Raises
    ------
    UsageError
        If arrays differ in shape or do not hold the core with its halo.
    """
    wanted = [
        n + 2 * BEFORE_VX + (b < m) for n, b, m in zip(core.shape, core.stop, shape, strict=True)
    ]
    if grey.shape != phases.shape or list(grey.shape) != wanted:
        raise UsageError(
            f"edges want {wanted} voxels about the core, got {grey.shape} of grey and "
            f"{phases.shape} of phases."
        )
    sums = np.zeros((len(others), 3, N_SHIFTS, 1 + N_SAMPLES), np.int64)
    if others:
        levels = np.rint(np.array([matrix, *others]) * _PARTS).astype(np.int64)
        _fold_edges(grey, phases, core.start, core.shape, shape, levels, sums)
    return sums


@njit(nogil=True, cache=True)
def _fold_edges(
    grey: npt.NDArray[np.uint16],
    phases: npt.NDArray[np.uint8],
    start: Triple,
    core: Triple,
    shape: Triple,
    levels: Sums,
    sums: Sums,
) -> None:
    # A crossing has one voxel above, one below the grey midway; noise may move either a little.
    bands = np.empty((levels.size - 1, 2), np.uint16)
    for p in range(levels.size - 1):
        middle, slack = levels[0] + levels[p + 1], abs(levels[p + 1] - levels[0]) // 4
        bands[p, 0] = min(max((middle - slack) // (2 * _PARTS), 0), 65535)
        bands[p, 1] = min(max((middle + slack) // (2 * _PARTS), 0), 65535)
    near = np.empty(grey.shape[2] - 1, np.uint8)
    for z in range(BEFORE_VX, BEFORE_VX + core[0]):
        for y in range(BEFORE_VX, BEFORE_VX + core[1]):
            if (start[0] + z + start[1] + y) % _EVERY_ROW:
                continue
            near[:] = 0
            for p in range(bands.shape[0]):
                low, high = bands[p, 0], bands[p, 1]
                _mark_crossings(grey[z, y], grey[z + 1, y], grey[z, y + 1], low, high, near)
            for x in range(BEFORE_VX, BEFORE_VX + core[2]):
                if near[x] == 0 or phases[z, y, x] == OUTSIDE:
                    continue
                for axis in range(3):
                    place = start[axis] - BEFORE_VX + (z if axis == 0 else y if axis == 1 else x)
                    if place >= BEFORE_VX and place + BEYOND_VX < shape[axis]:
                        _add_edge(grey, phases, z, y, x, axis, levels, sums)


@njit(nogil=True, cache=True)
def _mark_crossings(
    here: npt.NDArray[np.uint16],
    above: npt.NDArray[np.uint16],
    behind: npt.NDArray[np.uint16],
    low: np.uint16,
    high: np.uint16,
    near: npt.NDArray[np.uint8],
) -> None:
    """Mark voxels that with the next one on some axis span a band of grey; vector instructions."""
    for x in range(near.size):
        a, b, c, d = here[x], above[x], behind[x], here[x + 1]
        least = min(a, b, c, d)
        most = max(a, b, c, d)
        near[x] |= np.uint8((least < high) & (most > low))


@njit(nogil=True, cache=True)
def _add_edge(
    grey: npt.NDArray[np.uint16],
    phases: npt.NDArray[np.uint8],
    z: int,
    y: int,
    x: int,
    axis: int,
    levels: Sums,
    sums: Sums,
) -> None:
    dz, dy, dx = int(axis == 0), int(axis == 1), int(axis == 2)
    if phases[z + dz, y + dy, x + dx] == OUTSIDE:
        return
    both = (np.int64(grey[z, y, x]) + np.int64(grey[z + dz, y + dy, x + dx])) * _PARTS
    matrix = levels[0]
    for p in range(levels.size - 1):
        pure = levels[p + 1]
        contrast = abs(pure - matrix)
        middle = matrix + pure
        # Two voxels about the crossing lie midway together; most that do not are left here.
        if 5 * abs(both - middle) > 4 * contrast:
            continue
        a = _mean_about(grey, z, y, x, axis)
        b = _mean_about(grey, z + dz, y + dy, x + dx, axis)
        # All comparisons in whole numbers: 18 parts of the level midway.
        if (2 * a < 9 * middle) == (2 * b < 9 * middle):
            continue
        if not _along(grey, z, y, x, axis, b - a):
            continue
        # From the matrix to the phase: upwards along the axis where a is on the matrix's side.
        upwards = (2 * a < 9 * middle) == (matrix < pure)
        first, sign = (-BEFORE_VX, 1) if upwards else (BEYOND_VX, -1)
        last = first + sign * (N_SAMPLES - 1)
        start = _mean_about(grey, z + first * dz, y + first * dy, x + first * dx, axis)
        end = _mean_about(grey, z + last * dz, y + last * dy, x + last * dx, axis)
        if 10 * abs(start - 9 * matrix) > 27 * contrast or 10 * abs(end - 9 * pure) > 27 * contrast:
            continue
        near, far = (a, b) if upwards else (b, a)
        share = (9 * middle - 2 * near) * N_SHIFTS // (2 * (far - near))
        row = sums[p, axis, min(max(share, 0), N_SHIFTS - 1)]
        row[0] += 1
        for k in range(N_SAMPLES):
            at = first + sign * k
            row[1 + k] += np.int64(grey[z + at * dz, y + at * dy, x + at * dx])


@njit(nogil=True, cache=True)
def _mean_about(grey: npt.NDArray[np.uint16], z: int, y: int, x: int, axis: int) -> Any:
    """Return 9 parts of the mean over 3x3 voxels normal to the axis, where noise shifts less."""
    total = np.int64(0)
    for i in range(-1, 2):
        for j in range(-1, 2):
            if axis == 0:
                total += np.int64(grey[z, y + i, x + j])
            elif axis == 1:
                total += np.int64(grey[z + i, y, x + j])
            else:
                total += np.int64(grey[z + i, y + j, x])
    return total * _PARTS


@njit(nogil=True, cache=True)
def _along(grey: npt.NDArray[np.uint16], z: int, y: int, x: int, axis: int, rise: int) -> bool:
    """Whether grey rises along the axis, within a slope of a quarter to either side.

    `rise` is the rise over a voxel along the axis, in 9 `_PARTS` of a level.  It comes from means:
    noise in it would choose steep edges.
    """
    first, second = (1 if axis == 0 else 0), (1 if axis == 2 else 2)
    for aside, other in ((first, second), (second, first)):
        slope = np.int64(0)
        for n in range(2):
            for m in range(-1, 2):
                k = z + n * (axis == 0) + m * (other == 0)
                j = y + n * (axis == 1) + m * (other == 1)
                i = x + n * (axis == 2) + m * (other == 2)
                slope += np.int64(grey[k + (aside == 0), j + (aside == 1), i + (aside == 2)])
                slope -= np.int64(grey[k - (aside == 0), j - (aside == 1), i - (aside == 2)])
        # Six differences over two voxels each.
        if 4 * 9 * _PARTS * abs(slope) > 12 * abs(rise):
            return False
    return True


def edge_width(sums: Sums) -> float | None:
    """Return the 10-90 % width of a mean profile.

    Parameters
    ----------
    sums : numpy.ndarray
        int64 (`N_SHIFTS`, 1 + `N_SAMPLES`): one phase and axis of `fold_edges`, or a sum of such.

    Returns
    -------
    float or None
        Width in voxels: that of the Gaussian blur whose profile, sampled in the same way, shows the
        same width between its own two ends.  None for fewer than `FEWEST_EDGES` edges, and for
        edges wider than 6.4 voxels; above 5 voxels it is rough,
        under 1.3 all edges look alike.
    """
    n = sums[:, 0]
    if int(n.sum()) < FEWEST_EDGES or int(n.min()) == 0:
        return None
    # The shift of each place weighs alike, whatever the number of its edges.
    seen = _apparent_width(sums[:, 1:] / n[:, None])
    sigmas, widths = _calibration()
    if seen is None or seen > widths[-1]:
        return None
    return float(np.interp(seen, widths, sigmas)) * WIDTH_PER_SIGMA


def _apparent_width(profile: npt.NDArray[np.float64]) -> float | None:
    """Return the distance from 10 to 90 % between the ends of a profile (shifts, samples)."""
    shifts = (np.arange(N_SHIFTS) + 0.5) / N_SHIFTS
    places = (np.arange(N_SAMPLES) - BEFORE_VX)[None, :] - shifts[:, None]
    low, high = float(profile[:, 0].mean()), float(profile[:, -1].mean())
    if low == high:
        return None
    order = np.argsort(places.ravel())
    share = ((profile - low) / (high - low)).ravel()[order]
    # Means over a voxel's width: each holds all shifts, whose edges differ.
    window = np.full(N_SHIFTS, 1.0 / N_SHIFTS)
    share, at = (np.convolve(v, window, "valid") for v in (share, places.ravel()[order]))
    rising = np.maximum.accumulate(share)
    first, last = (_reach(rising, at, s) for s in (0.1, 0.9))
    return last - first


def _reach(rising: npt.NDArray[np.float64], places: npt.NDArray[np.float64], share: float) -> float:
    """Return where a rising profile first reaches a share, between the voxels about it."""
    i = max(1, int(np.searchsorted(rising, share, side="left")))
    step = float(rising[i] - rising[i - 1])
    part = (share - float(rising[i - 1])) / step if step > 0 else 1.0
    return float(places[i - 1]) + part * float(places[i] - places[i - 1])


@lru_cache(maxsize=1)
def _calibration() -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return blurs and the widths that profiles of them show when sampled as edges are."""
    sigmas = np.array([0.0, *np.arange(0.1, _WIDEST_SIGMA_VX + 0.01, 0.1)])
    widths = [_ideal_width(float(sigma)) for sigma in sigmas]
    # Below a third of a voxel all edges look alike; the order must still be strict.
    rising = np.maximum.accumulate(np.array(widths) + 1e-6 * sigmas)
    return sigmas, rising


def _ideal_width(sigma: float) -> float:
    """Return the width that an edge of a Gaussian blur shows, over all places in a voxel."""
    sums = np.zeros((N_SHIFTS, 1 + N_SAMPLES))
    for i in range(256):
        place = (i + 0.5) / 256
        grey = [_risen(k - BEFORE_VX - place, sigma) for k in range(N_SAMPLES)]
        a, b = grey[BEFORE_VX], grey[BEFORE_VX + 1]
        share = int((0.5 - a) / (b - a) * N_SHIFTS)
        sums[min(share, N_SHIFTS - 1)] += [1.0, *grey]
    seen = sums[:, 0] > 0
    profile = np.where(seen[:, None], sums[:, 1:] / np.maximum(sums[:, :1], 1.0), np.nan)
    if not seen.all():
        # A blur far under a voxel puts every crossing midway.
        profile = np.broadcast_to(np.nanmean(profile, axis=0), profile.shape)
    return _apparent_width(profile) or 0.0


def _risen(distance: float, sigma: float) -> float:
    """Return the share that an edge at 0 has risen to: an error function; a step without blur."""
    if sigma == 0.0:
        return float(distance > 0)
    return 0.5 * (1.0 + math.erf(distance / (sigma * math.sqrt(2.0))))
