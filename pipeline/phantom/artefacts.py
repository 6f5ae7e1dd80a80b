"""What a scanner adds to a scan: cupping, rings, drift from slice to slice, correlated noise.

All of it is keyed by place, in whole numbers, so that a voxel gets the same bits in any tile.
"""

from __future__ import annotations

import math
from typing import Any

import numba as nb
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from pipeline.model.grid import Box
from pipeline.phantom.exposure import (
    GREY_SCALE,
    WEIGHT_BITS,
    blur_,
    blur_weights,
    noise_,
    noise_key,
    noise_table,
)
from pipeline.phantom.specimen import SpecimenSpec

GAIN_BITS = 16
RING_EVERY = 5  # one radius in so many has a ring
KNOT_SLICES = 64  # the slow part of the drift wanders over so many slices
_WHITE_SD = 2.0**16  # of noise before it is smoothed: its tails fit the 20 bits that `blur_` takes
_ROOM = 64  # shifts coordinates, so that the halo beyond the first voxel has none below zero
RING_STREAM, _DRIFT_STREAM = 0x72696E67, 0x64726966


def normals(spec: SpecimenSpec, stream: int, n: int) -> NDArray[np.float64]:
    """Return the first normal numbers of a stream; the two tempers of a seed are two exposures."""
    philox = np.random.Philox(key=[spec.seed, stream], counter=[0, spec.temper == "T6", 0, 0])
    return ndtri((philox.random_raw(n) >> np.uint64(11)).astype(np.float64) * 2.0**-53 + 2.0**-54)


def ring_strengths(spec: SpecimenSpec) -> NDArray[np.float64]:
    """Return the grey of the ring at each whole radius, over the contrast of matrix and air."""
    n = math.ceil(spec.radius_vx) + 2
    draws = normals(spec, RING_STREAM, 2 * n).reshape(n, 2)
    there = draws[:, 1] < ndtri(1 / RING_EVERY)
    return np.where(there, spec.artefacts.rings * draws[:, 0], 0.0)


def slice_gains(spec: SpecimenSpec) -> NDArray[np.float64]:
    """Return the gain of each slice, 1 on average."""
    n = spec.size_vx[0]
    n_knots = n // KNOT_SLICES + 2
    knots = normals(spec, _DRIFT_STREAM, n_knots)
    jumps = normals(spec, _DRIFT_STREAM + 1, n)
    at = np.arange(n) / KNOT_SLICES
    low = at.astype(np.int64)
    share = 0.5 - 0.5 * np.cos(np.pi * (at - low))
    slow = (1 - share) * knots[low] + share * knots[low + 1]
    slow /= np.sqrt((1 - share) ** 2 + share**2)
    return np.asarray(1 + spec.artefacts.drift * math.sqrt(0.5) * (slow + jumps))


@nb.njit(nogil=True, cache=True)
def distort_(
    grey: NDArray[np.int32],
    start: NDArray[np.int64],
    air: int,
    axis_y: float,
    axis_x: float,
    radius: float,
    cupping: float,
    rings: NDArray[np.int32],
    gains: NDArray[np.int64],
) -> None:
    """Apply cupping, rings and drift to grey values, in place.

    Parameters
    ----------
    grey : (z, y, x) int32
        Grey values times `GREY_SCALE`.
    start : (3,) int64
        Global index of the first voxel.
    air : int
        Grey of air times `GREY_SCALE`: what the gains leave alone.
    axis_y, axis_x, radius : float
        The cylinder in voxels.
    cupping : float
        Relative loss at the axis.
    rings : (n,) int32
        What each whole distance from the axis adds, inside the cylinder.
    gains : (n,) int64
        Gain of each slice of the volume, times 2**16.
    """
    nz, ny, nx = grey.shape
    half = 1 << (GAIN_BITS - 1)
    for j in range(ny):
        dy = j + start[1] - axis_y
        for k in range(nx):
            dx = k + start[2] - axis_x
            square = dy * dy + dx * dx
            gain, ring = 1 << GAIN_BITS, 0
            if square < radius * radius:
                loss = cupping * (1.0 - square / (radius * radius))
                gain -= math.floor(loss * (1 << GAIN_BITS) + 0.5)
                ring = rings[math.floor(math.sqrt(square))]
            for i in range(nz):
                value = (np.int64(grey[i, j, k]) - air) * gain
                value = ((value + half) >> GAIN_BITS) + ring
                value = (value * gains[i + start[0]] + half) >> GAIN_BITS
                grey[i, j, k] = value + air


@nb.njit(nogil=True, cache=True)
def add_noise_(
    blurred: NDArray[np.int32], noise: NDArray[np.int32], scale: int, grey: NDArray[np.uint16]
) -> None:
    """Add smoothed noise and round to uint16.

    Parameters
    ----------
    blurred, noise : (z, y, x) int32
        Grey values times `GREY_SCALE`, and noise in units of choice.
    scale : int
        Turns a unit of noise into a unit of `blurred`, times 2**16.
    grey : (z, y, x) uint16
        Overwritten; values beyond the range of the type are cut off.
    """
    nz, ny, nx = blurred.shape
    half = np.int64(1 << (GAIN_BITS - 1))
    for i in range(nz):
        for j in range(ny):
            for k in range(nx):
                added = (np.int64(noise[i, j, k]) * scale + half) >> GAIN_BITS
                grey[i, j, k] = min(max((blurred[i, j, k] + added + 8) >> 4, 0), 65535)


class Distortion:
    """Cupping, rings and drift of one scan, ready to apply to any block.

    Parameters
    ----------
    spec : SpecimenSpec
        The scan.
    air, matrix : int
        Grey levels.
    """

    def __init__(self, spec: SpecimenSpec, air: int, matrix: int) -> None:
        self._spec, self._air = spec, air * GREY_SCALE
        rings = ring_strengths(spec) * (matrix - air) * GREY_SCALE
        self._rings = np.rint(rings).astype(np.int32)
        self._gains = np.rint(slice_gains(spec) * (1 << GAIN_BITS)).astype(np.int64)

    def apply_(self, grey: NDArray[np.int32], block: Box) -> None:
        """Distort the grey values of a block, in place."""
        y, x = self._spec.axis_vx
        distort_(
            grey,
            np.asarray(block.start, np.int64),
            self._air,
            y,
            x,
            self._spec.radius_vx,
            self._spec.artefacts.cupping,
            self._rings,
            self._gains,
        )


class CorrelatedNoise:
    """Noise smoothed by a Gaussian of finite support, of the strength that white noise would have.

    Parameters
    ----------
    spec : SpecimenSpec
        The scan.
    noise_sd : float
        Standard deviation in grey levels.
    """

    def __init__(self, spec: SpecimenSpec, noise_sd: float) -> None:
        self._key = noise_key(spec)
        self._weights = blur_weights(spec.artefacts.correlation_vx)
        self._table = noise_table(_WHITE_SD)
        squares = np.sum(self._weights.astype(np.float64) ** 2) / 4.0**WEIGHT_BITS
        left = _WHITE_SD * float(squares) ** 1.5
        self._scale = round(noise_sd * GREY_SCALE / left * (1 << GAIN_BITS))

    def expose_(self, blurred: NDArray[np.int32], block: Box, grey: NDArray[np.uint16]) -> None:
        """Add the noise of a block and round; `grey` is overwritten."""
        r = len(self._weights) // 2
        start = np.asarray(block.start, np.int64) - r + _ROOM
        noise: NDArray[Any] = np.empty([n + 2 * r for n in block.shape], np.int32)
        noise_(start, self._key, self._table, noise)
        for axis in range(3):
            shape = list(noise.shape)
            shape[axis] -= 2 * r
            target = np.empty(shape, np.int32)
            blur_(noise, self._weights, axis, target)
            noise = target
        add_noise_(blurred, noise, self._scale, grey)
