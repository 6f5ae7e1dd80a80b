"""Thresholds that part a grey histogram as a whole: Otsu's classes, edges, methods for two phases.

`pipeline.kernels.peaks` is for minority phases beside a matrix; these are for specimens whose
phases have like shares, and for comparison.  All work on at most 256 bins of the occupied range,
but for the edges.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks
from skimage.filters import threshold_isodata, threshold_minimum, threshold_yen

from pipeline.errors import DataError, UsageError
from pipeline.kernels.histograms import Histogram, grey_bins
from pipeline.kernels.peaks import PhaseThresholds

_LEVELS = 65536
_EDGE_BINS = 256
_EDGE_SMOOTHING = 3.0  # bins
# A bin with fewer voxels has no mean gradient to speak of.
_EDGE_FEWEST = 30
_EDGE_PROMINENCE = 0.05  # of the greatest mean gradient

_REMEDY = "Name fewer phases, or give segment.method=manual with segment.thresholds."


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
    edges, counts = grey_bins(histogram)
    n_occupied = int(np.count_nonzero(counts))
    if n_occupied < n_classes:
        raise DataError(
            f"the histogram occupies {n_occupied} bins, wanted at least {n_classes} for "
            f"{n_classes} phases.",
            _REMEDY,
        )
    first = _best_partition(counts, n_classes)
    thresholds = tuple(int(edges[i]) for i in first[1:])
    levels, deviations = _describe_classes(histogram, thresholds)
    return PhaseThresholds(thresholds, levels, deviations, "multi-otsu", ())


def threshold_edge(
    histogram: Histogram, sums: Histogram, counts: Histogram, n_classes: int
) -> PhaseThresholds:
    """Find the thresholds where grey is steepest: halfway up a blurred edge.

    Parameters
    ----------
    histogram : numpy.ndarray
        int64 of length 65536: voxels of the specimen by grey level.
    sums, counts : numpy.ndarray
        From `fold_gradients`, added up over all tiles.
    n_classes : int
        Number of phases, at least 2.

    Returns
    -------
    PhaseThresholds
        The `n_classes` - 1 most prominent maxima of the mean gradient over grey.

    Raises
    ------
    DataError
        If there are fewer maxima.
    """
    if n_classes < 2:
        raise UsageError(f"thresholds part at least 2 classes, got {n_classes}.")
    edges, n_voxels = grey_bins(counts, _EDGE_BINS)
    summed = np.add.reduceat(sums[: int(edges[0]) + _span(counts)], edges).astype(np.float64)
    weight = n_voxels.astype(np.float64)
    # Sums and counts are smoothed apart: a bin weighs as many voxels as it has.
    smooth = [gaussian_filter1d(v, _EDGE_SMOOTHING, mode="constant") for v in (summed, weight)]
    known = smooth[1] * 2 * _EDGE_SMOOTHING >= _EDGE_FEWEST
    mean = np.where(known, smooth[0] / np.where(known, smooth[1], 1.0), 0.0)
    found, about = find_peaks(mean, prominence=_EDGE_PROMINENCE * float(mean.max()))
    if found.size < n_classes - 1:
        raise DataError(
            f"the gradient is greatest at {found.size} grey levels, wanted {n_classes - 1} for "
            f"{n_classes} phases.",
            "Name fewer phases, lower the noise (condition.denoise), or take segment.method=peaks.",
        )
    order = np.lexsort((found, -about["prominences"]))[: n_classes - 1]
    thresholds = tuple(sorted(int(edges[i]) for i in found[order]))
    notes: tuple[str, ...] = ()
    if found.size > n_classes - 1:
        notes = (
            f"the gradient has {found.size} maxima, the {n_classes - 1} most prominent were taken",
        )
    levels, deviations = _describe_classes(histogram, thresholds)
    return PhaseThresholds(thresholds, levels, deviations, "edge", notes)


def threshold_two(histogram: Histogram, method: str) -> PhaseThresholds:
    """Part two phases by a method of the literature.

    Parameters
    ----------
    histogram : numpy.ndarray
        int64 of length 65536.
    method : str
        ``otsu`` (1979), ``li`` (Li and Tam 1998), ``yen`` (1995), ``isodata`` (Ridler and Calvard
        1978), ``triangle`` (Zack 1977) or ``minimum`` (Prewitt and Mendelsohn 1966).

    Returns
    -------
    PhaseThresholds
        One threshold.

    Raises
    ------
    DataError
        If the histogram has a single grey level, or no valley (``minimum``).

    Examples
    --------
    >>> counts = np.zeros(65536, np.int64)
    >>> counts[[10, 11, 12, 40, 41]] = 50, 90, 50, 20, 20
    >>> threshold_two(counts, "isodata").thresholds
    (26,)
    """
    if method == "otsu":
        return threshold_multi_otsu(histogram, 2)
    if method not in _TWO:
        raise UsageError(f"method {method!r} parts no two phases, wanted otsu or {list(_TWO)}.")
    edges, counts = grey_bins(histogram)
    if np.count_nonzero(counts) < 2:
        raise DataError("the specimen has a single grey level: nothing parts it.", _REMEDY)
    try:
        last = _TWO[method](counts)
    except RuntimeError:
        raise DataError(
            f"segment.method={method} finds no valley between two maxima of the histogram.",
            "Take segment.method=otsu, or lower the noise (condition.denoise).",
        ) from None
    at = min(max(last + 1, 1), edges.size - 1)
    thresholds = (int(edges[at]),)
    levels, deviations = _describe_classes(histogram, thresholds)
    return PhaseThresholds(thresholds, levels, deviations, method, ())


def _span(counts: Histogram) -> int:
    occupied = np.flatnonzero(counts)
    return int(occupied[-1] - occupied[0]) + 1


def _describe_classes(
    histogram: Histogram, thresholds: Sequence[int]
) -> tuple[tuple[float | None, ...], tuple[float | None, ...]]:
    """Return mean and standard deviation of grey in every class, None for one without voxels."""
    levels: list[float | None] = []
    deviations: list[float | None] = []
    for a, b in itertools.pairwise((0, *thresholds, _LEVELS)):
        grey = np.arange(a, b, dtype=np.float64)
        n = int(histogram[a:b].sum())
        if n == 0:
            levels.append(None)
            deviations.append(None)
            continue
        mean = float((histogram[a:b] * grey).sum()) / n
        variance = float((histogram[a:b] * (grey - mean) ** 2).sum()) / n
        levels.append(mean)
        deviations.append(variance**0.5)
    return tuple(levels), tuple(deviations)


def _of_scikit_image(method: Callable[..., Any]) -> Callable[[Histogram], int]:
    """Return a method of scikit-image as one from counts to the last bin of the darker phase."""

    def last_bin(counts: Histogram) -> int:
        return int(method(hist=(counts, np.arange(counts.size))))

    return last_bin


def _last_li(counts: Histogram) -> int:
    """Minimise the cross entropy between counts and the two means by fixed-point iteration."""
    grey = np.arange(counts.size, dtype=np.float64) + 1.0  # logarithms want means above 0
    at = float((counts * grey).sum() / counts.sum())
    for _ in range(1000):
        dark = grey <= at
        n_dark, n_bright = int(counts[dark].sum()), int(counts[~dark].sum())
        if n_dark == 0 or n_bright == 0:
            break
        low = float((counts * grey)[dark].sum()) / n_dark
        high = float((counts * grey)[~dark].sum()) / n_bright
        new = (high - low) / (np.log(high) - np.log(low))
        if abs(new - at) < 1e-3:
            break
        at = new
    return int(np.floor(at)) - 1


def _last_triangle(counts: Histogram) -> int:
    """Take the bin farthest from the line between the peak and the farther end of the range."""
    peak, last = int(np.argmax(counts)), counts.size - 1
    mirrored = peak > last - peak
    c = (counts[::-1] if mirrored else counts).astype(np.float64)
    start = last - peak if mirrored else peak
    along = np.arange(c.size - start)
    # Distances from the line share a factor, which does not move the largest.
    below = c[start] - (c[start] - c[-1]) * along / max(along[-1], 1) - c[start:]
    at = start + int(np.argmax(below))
    return last - at - 1 if mirrored else at


_TWO: dict[str, Callable[[Histogram], int]] = {
    "li": _last_li,
    "yen": _of_scikit_image(threshold_yen),
    "isodata": _of_scikit_image(threshold_isodata),
    "triangle": _last_triangle,
    "minimum": _of_scikit_image(threshold_minimum),
}


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
