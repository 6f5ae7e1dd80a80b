"""Air and specimen among the block means of a volume: their grey levels, where it shows air at all.

Order statistics and counts of integers alone, so that the answer is exact.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pipeline.kernels.classes import threshold_multi_otsu
from pipeline.kernels.histograms import fold_histogram

Blocks = npt.NDArray[np.bool_]
Means = npt.NDArray[np.uint16]

CUBE = np.ones((3, 3, 3), np.bool_)
"""A block with the 26 about it."""

# What air must look like before a volume is said to show any.
_FEWEST_AIR = 0.002  # of the blocks, those that have air all round
_FEWEST_AIR_SIDE = 0.02  # of the blocks on the four side faces
_AIR_SPREAD = 0.2  # quartile range of air over the contrast to the specimen
_SPECIMEN_SPREAD = 0.6  # the same of the specimen, whose particles differ
_ONE_BODY = 0.6  # share of the bright blocks that hang together
# Where bright particles stand farther from the matrix than air does, they are what the first cut
# parts off; the next one looks among the rest.  There drift and rings may look like air but for
# this: between air and specimen, fewer blocks than so large a share of those at either level.
_CUTS = 3
_VALLEY = 0.5
_SHORTEST = 0.5  # of the volume, spanned along some axis: a scan is made of its specimen
_SMALLEST = 0.01  # share of the volume


def find_air(mean: Means) -> tuple[tuple[int, int] | None, int]:
    """Find the grey levels of air and specimen.

    Parameters
    ----------
    mean : numpy.ndarray
        uint16, the mean grey level of each block, axes (z, y, x).

    Returns
    -------
    levels : tuple of int or None
        Median grey of air and of specimen; None where the volume shows no air.
    dismissed : int
        Blocks of the largest bright body that was too small for a specimen; 0 for none.
    """
    histogram, dismissed = fold_histogram(mean), 0
    for n_before in range(_CUTS):
        if np.count_nonzero(histogram) < 2:
            break
        cut = threshold_multi_otsu(histogram, 2).thresholds[0]
        found = _levels_beside(mean, cut)
        if found is not None and (n_before == 0 or _has_valley(histogram, *found)):
            body = largest_body(mean >= cut)
            if not _is_small(body):
                return found, 0
            dismissed = max(dismissed, int(body.sum()))
        histogram[cut:] = 0
    return None, dismissed


def _has_valley(histogram: npt.NDArray[np.int64], air: int, specimen: int) -> bool:
    """Return whether few blocks lie midway, over a quarter of the contrast."""
    reach = (specimen - air) // 8
    at = [int(histogram[max(g - reach, 0) : g + reach + 1].sum()) for g in (air, specimen)]
    middle = (air + specimen) // 2
    between = int(histogram[middle - reach : middle + reach + 1].sum())
    return between < _VALLEY * min(at)


def _levels_beside(mean: Means, cut: int) -> tuple[int, int] | None:
    """Return the grey levels of air and specimen, or None where the cut does not part them."""
    dark = mean < cut
    air = _touching_sides(dark)
    if _side_share(air) < _FEWEST_AIR_SIDE:
        return None
    specimen = largest_body(~dark)
    if specimen.sum() < _ONE_BODY * np.count_nonzero(~dark):
        return None
    # Beyond the volume's faces air and specimen go on.
    in_air = ndimage.binary_erosion(air, CUBE, border_value=1)
    if np.count_nonzero(in_air) < max(8.0, _FEWEST_AIR * mean.size):
        return None
    within = ndimage.binary_erosion(specimen, CUBE, border_value=1)
    low, air_level, high = _quartiles(mean[in_air])
    bottom, specimen_level, top = _quartiles(mean[within if within.any() else specimen])
    contrast = specimen_level - air_level
    if high - low > _AIR_SPREAD * contrast or top - bottom > _SPECIMEN_SPREAD * contrast:
        return None
    return air_level, specimen_level


def _quartiles(values: Means) -> tuple[int, int, int]:
    """Return three order statistics: members of `values`, so that they are exact."""
    ranks = [values.size * q // 4 for q in (1, 2, 3)]
    ordered = np.partition(values, ranks)
    return int(ordered[ranks[0]]), int(ordered[ranks[1]]), int(ordered[ranks[2]])


def _touching_sides(dark: Blocks) -> Blocks:
    """Return the connected parts of `dark` that reach one of the four side faces."""
    labels, n = ndimage.label(dark)
    reaching = np.zeros(n + 1, np.bool_)
    for face in (labels[:, 0], labels[:, -1], labels[:, :, 0], labels[:, :, -1]):
        reaching[face] = True
    reaching[0] = False
    touching: Blocks = reaching[labels]
    return touching


def _side_share(air: Blocks) -> float:
    faces = (air[:, 0], air[:, -1], air[:, :, 0], air[:, :, -1])
    return sum(int(f.sum()) for f in faces) / sum(f.size for f in faces)


def largest_body(bright: Blocks) -> Blocks:
    """Return the largest connected body; of equal ones the first in raster order."""
    labels, n = ndimage.label(bright)
    if n == 0:
        return bright
    sizes = np.bincount(labels.reshape(-1), minlength=n + 1)
    sizes[0] = 0
    body: Blocks = labels == np.argmax(sizes)
    return body


def filled(body: Blocks) -> Blocks:
    """Return a body with its holes filled, also those that only a plane across z encloses."""
    whole: Blocks = ndimage.binary_fill_holes(body)
    for plane in whole:
        plane[:] = ndimage.binary_fill_holes(plane)
    return whole


def _is_small(body: Blocks) -> bool:
    """Tell whether a bright body is rather a particle in its matrix than a specimen in air."""
    spans = [int(body.any(tuple({0, 1, 2} - {axis})).sum()) for axis in range(3)]
    short = all(n < _SHORTEST * whole for n, whole in zip(spans, body.shape, strict=True))
    return short or int(body.sum()) < _SMALLEST * body.size
