"""Grey levels counted, thresholds between phases, and the phase of every voxel.

Histograms are integer sums over voxels: they are folded tile by tile in any order, and everything
that follows from them is the same for every tiling.  A voxel belongs to the phase whose position
is the number of thresholds that its grey level reaches.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.errors import DataError, UsageError
from pipeline.kernels.peaks import PhaseThresholds, threshold_peaks
from pipeline.model.recipe import OUTSIDE

__all__ = [
    "PhaseThresholds",
    "classify_phases",
    "float_grey_scale",
    "fold_float_histogram",
    "fold_histogram",
    "threshold_multi_otsu",
    "threshold_peaks",
]

Histogram = npt.NDArray[np.int64]

_LEVELS = 65536
_OTSU_BINS = 256
# Four histograms in turn: a counter that is raised twice in a row would wait for its own store.
_WAYS = 4
# Voxels counted before the 32-bit counters of the ways are added up.
_FOLD = 1 << 30


def fold_histogram(grey: npt.NDArray[np.uint16], mask: npt.NDArray[Any] | None = None) -> Histogram:
    """Count the voxels of every grey level.

    Parameters
    ----------
    grey : numpy.ndarray
        uint16 of any shape.
    mask : numpy.ndarray, optional
        uint8 or bool of the same shape; only voxels that are not 0 are counted.

    Returns
    -------
    numpy.ndarray
        int64 of length 65536.

    Examples
    --------
    >>> counts = fold_histogram(np.array([3, 3, 5], np.uint16), np.array([1, 1, 0], np.uint8))
    >>> int(counts[3]), int(counts.sum())
    (2, 2)
    """
    flat = _flat(grey, np.uint16)
    inside = None if mask is None else _mask(mask, grey.shape)
    counts = np.zeros(_LEVELS, np.int64)
    for start in range(0, flat.size, _FOLD):
        part = flat[start : start + _FOLD]
        if inside is None:
            _count(part, counts)
        else:
            _count_inside(part, inside[start : start + _FOLD], counts)
    return counts


def fold_float_histogram(volume: npt.NDArray[np.float32]) -> tuple[Histogram, int]:
    """Count float voxels by the upper half of their bits, in ascending order of value.

    Parameters
    ----------
    volume : numpy.ndarray
        float32 of any shape.

    Returns
    -------
    counts : numpy.ndarray
        int64 of length 65536: bin edges are the floats of 8 significant bits.
    n_nonfinite : int
        Voxels that are NaN or infinite; they are in no bin.
    """
    counts = np.zeros(_LEVELS, np.int64)
    n_nonfinite = _count_floats(_flat(volume, np.float32).view(np.uint32), counts)
    return counts, int(n_nonfinite)


def float_grey_scale(counts: Histogram, tail: float = 1e-5) -> tuple[float, float]:
    """Return the affine scale that spreads float voxels over 65536 grey levels.

    Parameters
    ----------
    counts : numpy.ndarray
        int64 of length 65536, from `fold_float_histogram`.
    tail : float
        Share of the voxels at either end that may be clipped.

    Returns
    -------
    gain : float
        Of ``grey = (value - offset) / gain``: the range from the quantile `tail` to ``1 - tail``,
        5 % wider on each side.
    offset : float
        Of the same.

    Raises
    ------
    DataError
        If no voxel was counted.
    """
    n = int(counts.sum())
    if n == 0:
        raise DataError(
            "no voxel holds a finite value.", "Check the reconstruction and the data set named."
        )
    rank = int(n * tail)
    ascending = np.cumsum(counts)
    first = int(np.searchsorted(ascending, rank, side="right"))
    last = int(np.searchsorted(ascending, n - rank, side="left"))
    low, high = _float_edge(first), _float_edge(last + 1)
    span = high - low
    # Only a volume of zeros is narrower; any scale serves it.
    if span < np.finfo(np.float32).tiny:
        return 1.0, low
    return 1.1 * span / (_LEVELS - 1), low - 0.05 * span


def classify_phases(
    grey: npt.NDArray[np.uint16],
    mask: npt.NDArray[Any] | None,
    thresholds: Sequence[int],
    out: npt.NDArray[np.uint8] | None = None,
) -> npt.NDArray[np.uint8]:
    """Give every voxel the position of its phase.

    Parameters
    ----------
    grey : numpy.ndarray
        uint16 (z, y, x).
    mask : numpy.ndarray or None
        uint8 or bool of the same shape, 0 outside the specimen; None where all is specimen.
    thresholds : sequence of int
        Ascending grey levels, one fewer than phases; a phase between two equal ones is empty.
    out : numpy.ndarray, optional
        uint8 array of the same shape to write to.

    Returns
    -------
    numpy.ndarray
        uint8: number of thresholds reached, `OUTSIDE` outside the specimen.

    Raises
    ------
    UsageError
        If thresholds descend or arrays do not fit.

    Examples
    --------
    >>> classify_phases(np.array([[[9, 10, 20]]], np.uint16), None, (10, 20)).tolist()
    [[[0, 1, 2]]]
    """
    if any(b < a for a, b in itertools.pairwise(thresholds)) or len(thresholds) >= OUTSIDE:
        raise UsageError(
            f"thresholds must ascend and number fewer than {OUTSIDE}, got {tuple(thresholds)}."
        )
    target = np.empty(grey.shape, np.uint8) if out is None else out
    if target.shape != grey.shape or target.dtype != np.uint8:
        raise UsageError(
            f"phases go to uint8 of shape {grey.shape}, got {target.dtype} {target.shape}."
        )
    levels = np.asarray(thresholds, np.int64)
    phase = np.searchsorted(levels, np.arange(_LEVELS), side="right").astype(np.uint8)
    flat = _flat(grey, np.uint16)
    direct = target.flags.c_contiguous
    phases = target.reshape(-1) if direct else np.empty(flat.size, np.uint8)
    if mask is None:
        _look_up(flat, phase, phases)
    else:
        _look_up_inside(flat, _mask(mask, grey.shape), phase, phases)
    if not direct:
        np.copyto(target, phases.reshape(grey.shape))
    return target


def count_phases(phases: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
    """Count the voxels of each phase.

    Parameters
    ----------
    phases : numpy.ndarray
        uint8 of any shape.

    Returns
    -------
    numpy.ndarray
        int64 of length 256.

    Examples
    --------
    >>> count_phases(np.array([[[1, 1, 255]]], np.uint8))[[0, 1, 255]].tolist()
    [0, 2, 1]
    """
    counts = np.zeros(256, np.int64)
    _count_phases(_flat(phases, np.uint8), counts)
    return counts


def threshold_multi_otsu(histogram: Histogram, n_classes: int) -> PhaseThresholds:
    """Find the thresholds that spread the class means furthest (Otsu 1979, Liao et al. 2001).

    Parameters
    ----------
    histogram : numpy.ndarray
        int64 of length 65536.
    n_classes : int
        Number of phases, at least 2.

    Returns
    -------
    PhaseThresholds
        The exact optimum on at most 256 bins of the occupied range; of equals the lowest.

    Raises
    ------
    DataError
        If the histogram occupies fewer bins than there are classes.

    Notes
    -----
    Minority phases of a few per cent hardly move the variance between classes: this method is for
    specimens with phases of similar share.
    """
    if n_classes < 2:
        raise UsageError(f"thresholds part at least 2 classes, got {n_classes}.")
    edges, counts = otsu_bins(histogram)
    n_occupied = int(np.count_nonzero(counts))
    if n_occupied < n_classes:
        raise DataError(
            f"the histogram occupies {n_occupied} bins, wanted at least {n_classes} for "
            f"{n_classes} phases.",
            "Name fewer phases, or give segment.method=manual with segment.thresholds.",
        )
    first = _best_partition(counts, n_classes)
    thresholds = tuple(int(edges[i]) for i in first[1:])
    levels: list[float | None] = []
    deviations: list[float | None] = []
    for a, b in itertools.pairwise((0, *thresholds, _LEVELS)):
        grey = np.arange(a, b, dtype=np.float64)
        n = int(histogram[a:b].sum())
        mean = float((histogram[a:b] * grey).sum()) / n
        variance = float((histogram[a:b] * (grey - mean) ** 2).sum()) / n
        levels.append(mean)
        deviations.append(variance**0.5)
    return PhaseThresholds(thresholds, tuple(levels), tuple(deviations), "multi-otsu", ())


def otsu_bins(histogram: Histogram) -> tuple[npt.NDArray[np.int64], Histogram]:
    """Return the first grey level of every bin and the voxels in it.

    Parameters
    ----------
    histogram : numpy.ndarray
        int64 of length 65536.

    Returns
    -------
    edges : numpy.ndarray
        int64, ascending.
    counts : numpy.ndarray
        int64 of the same length, at most 256.
    """
    occupied = np.flatnonzero(histogram)
    if occupied.size == 0:
        raise DataError("the histogram is empty: no voxel lies inside the specimen.")
    low, n_levels = int(occupied[0]), int(occupied[-1] - occupied[0]) + 1
    n_bins = min(_OTSU_BINS, n_levels)
    edges = low + -(-np.arange(n_bins, dtype=np.int64) * n_levels // n_bins)
    return edges, np.add.reduceat(histogram[: low + n_levels], edges)


def _best_partition(counts: Histogram, n_classes: int) -> list[int]:
    """Return the first bin of every class; dynamic programming over the last class's first bin."""
    n_bins = counts.size
    weight = np.concatenate([[0], np.cumsum(counts)]).astype(np.float64)
    moment = np.concatenate([[0], np.cumsum(counts * np.arange(n_bins))]).astype(np.float64)
    w = weight[None, :] - weight[:, None]
    s = moment[None, :] - moment[:, None]
    # gain[i, j]: a class of the bins i..j-1; classes without voxels are not allowed.
    gain = np.where(w > 0, s * s / np.where(w > 0, w, 1.0), -np.inf)
    best = gain[0]
    choices = []
    for _ in range(1, n_classes):
        total = best[:, None] + gain
        choices.append(np.argmax(total, axis=0))
        best = np.max(total, axis=0)
    first, end = [], n_bins
    for choice in reversed(choices):
        end = int(choice[end])
        first.append(end)
    return [0, *reversed(first)]


def _float_edge(key: int) -> float:
    """Return the lowest float of a bin; the bin after the last finite one starts at infinity."""
    bits = (key << 16) & 0xFFFFFFFF
    bits = bits & 0x7FFFFFFF if bits & 0x80000000 else ~bits & 0xFFFFFFFF
    value = float(np.array([bits], np.uint32).view(np.float32)[0])
    limit = float(np.finfo(np.float32).max)
    return min(max(value, -limit), limit)


def _flat(values: npt.NDArray[Any], dtype: type[np.generic]) -> npt.NDArray[Any]:
    if values.dtype != dtype:
        raise UsageError(f"voxels of {np.dtype(dtype).name} are wanted, got {values.dtype}.")
    return np.ascontiguousarray(values).reshape(-1)


def _mask(mask: npt.NDArray[Any], shape: tuple[int, ...]) -> npt.NDArray[np.uint8]:
    if mask.shape != shape or mask.dtype not in (np.dtype(np.bool_), np.dtype(np.uint8)):
        raise UsageError(
            f"the mask is uint8 or bool of shape {shape}, got {mask.dtype} of shape {mask.shape}."
        )
    return np.ascontiguousarray(mask).reshape(-1).view(np.uint8)


@njit(nogil=True, cache=True)
def _count(grey: npt.NDArray[np.uint16], counts: Histogram) -> None:
    ways = np.zeros((_WAYS, _LEVELS), np.uint32)
    a, b, c, d = ways[0], ways[1], ways[2], ways[3]
    whole = grey.size // _WAYS * _WAYS
    for i in range(0, whole, _WAYS):
        a[grey[i]] += np.uint32(1)
        b[grey[i + 1]] += np.uint32(1)
        c[grey[i + 2]] += np.uint32(1)
        d[grey[i + 3]] += np.uint32(1)
    for i in range(whole, grey.size):
        a[grey[i]] += np.uint32(1)
    for level in range(_LEVELS):
        for way in range(_WAYS):
            counts[level] += np.int64(ways[way, level])


@njit(nogil=True, cache=True)
def _count_inside(
    grey: npt.NDArray[np.uint16], mask: npt.NDArray[np.uint8], counts: Histogram
) -> None:
    ways = np.zeros((_WAYS, _LEVELS), np.uint32)
    a, b, c, d = ways[0], ways[1], ways[2], ways[3]
    whole = grey.size // _WAYS * _WAYS
    for i in range(0, whole, _WAYS):
        a[grey[i]] += np.uint32(mask[i] != 0)
        b[grey[i + 1]] += np.uint32(mask[i + 1] != 0)
        c[grey[i + 2]] += np.uint32(mask[i + 2] != 0)
        d[grey[i + 3]] += np.uint32(mask[i + 3] != 0)
    for i in range(whole, grey.size):
        a[grey[i]] += np.uint32(mask[i] != 0)
    for level in range(_LEVELS):
        for way in range(_WAYS):
            counts[level] += np.int64(ways[way, level])


@njit(nogil=True, cache=True)
def _count_floats(bits: npt.NDArray[np.uint32], counts: Histogram) -> int:
    n_nonfinite = 0
    ways = np.zeros((2, _LEVELS), np.int64)
    for i in range(bits.size):
        word = np.uint32(bits[i])
        if (word & np.uint32(0x7F800000)) == np.uint32(0x7F800000):
            n_nonfinite += 1
            continue
        # Negative floats descend as integers ascend: all bits flip; of the others only the sign.
        flip = np.uint32(0xFFFFFFFF) if word >> np.uint32(31) else np.uint32(0x80000000)
        ways[i & 1, (word ^ flip) >> np.uint32(16)] += 1
    for level in range(_LEVELS):
        counts[level] += ways[0, level] + ways[1, level]
    return n_nonfinite


@njit(nogil=True, cache=True)
def _look_up(
    grey: npt.NDArray[np.uint16], phase: npt.NDArray[np.uint8], phases: npt.NDArray[np.uint8]
) -> None:
    for i in range(grey.size):
        phases[i] = phase[grey[i]]


@njit(nogil=True, cache=True)
def _look_up_inside(
    grey: npt.NDArray[np.uint16],
    mask: npt.NDArray[np.uint8],
    phase: npt.NDArray[np.uint8],
    phases: npt.NDArray[np.uint8],
) -> None:
    for i in range(grey.size):
        found = phase[grey[i]]
        phases[i] = found if mask[i] != 0 else np.uint8(OUTSIDE)


@njit(nogil=True, cache=True)
def _count_phases(phases: npt.NDArray[np.uint8], counts: npt.NDArray[np.int64]) -> None:
    # A run of one phase is one addition: most of a scan is matrix.
    last = phases[0] if phases.size else np.uint8(0)
    since = 0
    for i in range(phases.size):
        if phases[i] != last:
            counts[last] += i - since
            last = phases[i]
            since = i
    counts[last] += phases.size - since
