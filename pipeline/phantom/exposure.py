"""From ideal grey values to a scan: blur, noise and rounding, in whole numbers throughout.

Whole numbers add up the same in any order and in any vector width, so that a voxel gets the same
bits wherever it lies in a tile.  Grey values carry 4 binary places while they are blurred.
"""

from __future__ import annotations

import math
from typing import Any

import numba as nb
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from pipeline.phantom.specimen import SpecimenSpec

GREY_SCALE = 16  # internal units of one grey level
WEIGHT_BITS = 11  # 65535 * 16 * 2**11 still fits 31 bits
TABLE_BITS = 12
N_TERMS = 4  # table values summed to one noise value


def blur_weights(sigma_vx: float) -> NDArray[np.int32]:
    """Return Gaussian weights as whole numbers of sum 2**11, cut off at 4 sigma.

    Examples
    --------
    >>> [int(w) for w in blur_weights(0.5)]
    [1, 218, 1610, 218, 1]
    >>> [int(w) for w in blur_weights(0.0)]
    [2048]
    """
    total = 1 << WEIGHT_BITS
    if sigma_vx == 0:
        return np.array([total], np.int32)
    radius = math.ceil(4 * sigma_vx)
    x = np.arange(-radius, radius + 1)
    gauss = np.exp(-0.5 * (x / sigma_vx) ** 2)
    weights = np.rint(total * gauss / gauss.sum()).astype(np.int32)
    weights[radius] += total - weights.sum()
    # Outer weights that round to zero would only widen the halo.
    while len(weights) > 1 and weights[0] == 0:
        weights = weights[1:-1]
    return np.ascontiguousarray(weights)


@nb.njit(nogil=True, cache=True)
def blur_(
    source: NDArray[np.int32],
    weights: NDArray[np.int32],
    axis: int,
    target: NDArray[np.int32],
) -> None:
    """Correlate along one axis with whole-number weights of sum 2**11, rounding half up.

    Parameters
    ----------
    source : (z, y, x) int32
        Values of at most 2**20.
    weights : (n,) int32
        Non-negative, sum 2**11; n odd.
    axis : int
        0, 1 or 2.
    target : (z, y, x) int32
        Overwritten; n - 1 voxels shorter than `source` along `axis`, from its n // 2-th voxel on.
    """
    nz, ny, nx = target.shape
    for i in range(nz):
        for j in range(ny):
            out = target[i, j]
            for k in range(nx):
                out[k] = 1024
            for t in range(len(weights)):
                if axis == 0:
                    line = source[i + t, j]
                elif axis == 1:
                    line = source[i, j + t]
                else:
                    line = source[i, j, t:]
                weight = weights[t]
                for k in range(nx):
                    out[k] += weight * line[k]
            for k in range(nx):
                out[k] >>= 11


def noise_table(sd: float) -> NDArray[np.int32]:
    """Return normal quantiles, scaled so that the sum of four random ones has deviation `sd`.

    Four draws of 12 bits give a sum that no test of this project tells from normal, with tails to
    seven standard deviations; the table fits the first-level cache.

    Parameters
    ----------
    sd : float
        Standard deviation of the sum.

    Returns
    -------
    (4096,) int32
        Antisymmetric, so that the mean of the sum is exactly zero.
    """
    n = 1 << TABLE_BITS
    quantiles = ndtri((np.arange(n) + 0.5) / n)
    scale = sd / math.sqrt(N_TERMS * float(np.mean(quantiles**2)))
    table = np.rint(scale * quantiles).astype(np.int32)
    table[: n // 2] = -table[: n // 2 - 1 : -1]
    return table


@nb.njit(nogil=True, cache=True)
def _mix(x: Any) -> Any:
    """Return the finalising mix of SplitMix64 (Steele, Lea and Flood, OOPSLA 2014)."""
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


@nb.njit(nogil=True, cache=True)
def _row_bits(z: int, y: int, key: Any) -> Any:
    """Return where the stream of a row starts."""
    place = np.uint64(z) << np.uint64(32) | np.uint64(y)
    return _mix(_mix(place + np.uint64(0x9E3779B97F4A7C15)) ^ key)


@nb.njit(nogil=True, cache=True)
def _noise_at(row: Any, x: int, table: NDArray[np.int32]) -> int:
    """Return the noise of one voxel: four draws of the table from one step of its row's stream."""
    low = np.uint64(4095)
    bits = _mix(row + np.uint64(x + 1) * np.uint64(0x9E3779B97F4A7C15))
    value = table[bits & low] + table[bits >> np.uint64(12) & low]
    value += table[bits >> np.uint64(24) & low]
    return int(value + table[bits >> np.uint64(36) & low])


@nb.njit(nogil=True, cache=True)
def expose_(
    blurred: NDArray[np.int32],
    start: NDArray[np.int64],
    key: Any,
    table: NDArray[np.int32],
    grey: NDArray[np.uint16],
) -> None:
    """Add noise and round to uint16.

    The noise of a voxel is a hash of the key and of its global place: each row starts a stream of
    SplitMix64 of its own, in which x is the position.

    Parameters
    ----------
    blurred : (z, y, x) int32
        Grey values times `GREY_SCALE`.
    start : (3,) int64
        Global index of the first voxel; not negative.
    key : uint64
        Fixes the noise of the whole volume.
    table : (4096,) int32
        From `noise_table`, in the units of `blurred`.
    grey : (z, y, x) uint16
        Overwritten; values beyond the range of the type are cut off.
    """
    nz, ny, nx = blurred.shape
    for i in range(nz):
        for j in range(ny):
            row = _row_bits(i + start[0], j + start[1], key)
            for k in range(nx):
                value = blurred[i, j, k] + _noise_at(row, k + start[2], table)
                grey[i, j, k] = min(max((value + 8) >> 4, 0), 65535)


@nb.njit(nogil=True, cache=True)
def noise_(
    start: NDArray[np.int64], key: Any, table: NDArray[np.int32], noise: NDArray[np.int32]
) -> None:
    """Write white noise alone: that which `expose_` adds at the same place.

    Parameters
    ----------
    start : (3,) int64
        Global index of the first voxel; not negative.
    key : uint64
        Fixes the noise of the whole volume.
    table : (4096,) int32
        From `noise_table`.
    noise : (z, y, x) int32
        Overwritten.
    """
    nz, ny, nx = noise.shape
    for i in range(nz):
        for j in range(ny):
            row = _row_bits(i + start[0], j + start[1], key)
            for k in range(nx):
                noise[i, j, k] = _noise_at(row, k + start[2], table)


def noise_key(spec: SpecimenSpec) -> np.uint64:
    """Return the key of a scan's noise: tempers and poses of a specimen are exposures."""
    place = [0, spec.temper == "T6", spec.pose.code, 0]
    stream = np.random.Philox(key=[spec.seed, 0x6E6F697365], counter=place)
    return np.uint64(stream.random_raw())
