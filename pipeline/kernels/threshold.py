"""The phase of every voxel: the number of thresholds that its grey level reaches."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.errors import UsageError
from pipeline.kernels.histograms import flat_mask, flat_voxels
from pipeline.model.recipe import OUTSIDE

_LEVELS = 65536


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
    flat = flat_voxels(grey, np.uint16)
    direct = target.flags.c_contiguous
    phases = target.reshape(-1) if direct else np.empty(flat.size, np.uint8)
    if mask is None:
        _look_up(flat, phase, phases)
    else:
        _look_up_inside(flat, flat_mask(mask, grey.shape), phase, phases)
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
    _count_phases(flat_voxels(phases, np.uint8), counts)
    return counts


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
