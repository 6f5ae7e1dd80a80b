"""Grey noise lowered before segmentation: exact integer filters of finite support.

Every filter takes a tile with its halo, writes the tile without it, and works in integers alone, so
that a voxel gets the same bits wherever it lies in a tile.  At a face of the volume the caller
pads by repeating the edge voxel, which is the ``nearest`` mode of `scipy.ndimage`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.errors import UsageError
from pipeline.kernels.median import median_3, median_by_bits

Grey = npt.NDArray[np.uint16]

GREY_MAX = 65535

_RADIUS_MAX = 19
"""The voxels of the median's cube are counted in 16 bits: 39**3 fits, 41**3 does not."""

_WEIGHT_BITS = 16
"""Gaussian weights are whole multiples of 2**-16: three passes over 16 bits just fill 64."""


def denoise_halo_vx(
    method: str, *, radius_vx: int | None = None, sigma_vx: float | None = None
) -> int:
    """Return how far a filter reads beyond the voxels that it writes.

    Parameters
    ----------
    method : str
        ``none``, ``gaussian`` or ``median``.
    radius_vx : int, optional
        Half edge of the median's cube; needed for ``median``.
    sigma_vx : float, optional
        Standard deviation of the Gaussian; needed for ``gaussian``.

    Returns
    -------
    int
        Voxels of halo on every side.

    Raises
    ------
    UsageError
        If the method is unknown or its parameter is missing or out of range.

    Examples
    --------
    >>> denoise_halo_vx("median", radius_vx=1), denoise_halo_vx("gaussian", sigma_vx=0.8)
    (1, 4)
    """
    if method == "none":
        return 0
    if method == "median":
        if radius_vx is None or not 1 <= radius_vx <= _RADIUS_MAX:
            raise UsageError(f"a median wants radius_vx from 1 to {_RADIUS_MAX}, got {radius_vx}.")
        return radius_vx
    if method == "gaussian":
        if sigma_vx is None or not (math.isfinite(sigma_vx) and sigma_vx > 0):
            raise UsageError(f"a Gaussian wants a positive sigma_vx, got {sigma_vx}.")
        return math.ceil(4 * sigma_vx)
    raise UsageError(f"denoise method {method!r} is unknown, wanted none, gaussian or median.")


def denoise_median(padded: Grey, radius_vx: int, out: Grey | None = None) -> Grey:
    """Return the median of the cube around every voxel.

    Parameters
    ----------
    padded : numpy.ndarray
        uint16 (z, y, x), the voxels wanted and a halo of `radius_vx` on every side.
    radius_vx : int
        Half edge of the cube: 1 means 3x3x3.
    out : numpy.ndarray, optional
        uint16 array of the shape of `padded` less twice the radius, to write to.

    Returns
    -------
    numpy.ndarray
        `out`, or a new array: exactly `scipy.ndimage.median_filter` of size ``2 r + 1``.

    Raises
    ------
    UsageError
        If type or shapes do not fit.

    Notes
    -----
    Radius 1 runs a selection network of 102 minima and maxima a voxel: triples sorted along z,
    then along y (both shared between neighbours), then along x; of the 27 values in the resulting
    threefold sorted cube 8 can never be the median and the other 19 take 36 comparisons.  Larger
    cubes find the 16 bits of the median one by one by counting, which costs 16 (2 r + 1)^3
    comparisons a voxel, also in vector instructions.
    """
    halo = denoise_halo_vx("median", radius_vx=radius_vx)
    source, target = _arrays(padded, halo, out)
    if radius_vx == 1:
        median_3(source, target)
    else:
        median_by_bits(source, radius_vx, target)
    return _returned(target, out)


def denoise_gaussian(padded: Grey, sigma_vx: float, out: Grey | None = None) -> Grey:
    """Return the volume smoothed by a Gaussian cut off at four standard deviations.

    Parameters
    ----------
    padded : numpy.ndarray
        uint16 (z, y, x), the voxels wanted and a halo of ``ceil(4 sigma_vx)`` on every side.
    sigma_vx : float
        Standard deviation in voxels.
    out : numpy.ndarray, optional
        uint16 array of the shape of `padded` less twice the halo, to write to.

    Returns
    -------
    numpy.ndarray
        `out`, or a new array; rounded once, after three exact integer passes.

    Raises
    ------
    UsageError
        If type or shapes do not fit, or `sigma_vx` is not positive.
    """
    halo = denoise_halo_vx("gaussian", sigma_vx=sigma_vx)
    source, target = _arrays(padded, halo, out)
    _gaussian(source, gaussian_weights(sigma_vx), target)
    return _returned(target, out)


def gaussian_weights(sigma_vx: float) -> npt.NDArray[np.uint32]:
    """Return one half of a Gaussian's weights as integers, centre first.

    Parameters
    ----------
    sigma_vx : float
        Standard deviation in voxels.

    Returns
    -------
    numpy.ndarray
        uint32 of length ``ceil(4 sigma_vx) + 1``; the centre plus twice the others is 2**16.

    Examples
    --------
    >>> w = gaussian_weights(0.5)
    >>> w.tolist(), int(w[0] + 2 * w[1:].sum()) == 2**16
    ([51550, 6976, 17], True)
    """
    radius = denoise_halo_vx("gaussian", sigma_vx=sigma_vx)
    exact = [math.exp(-0.5 * (i / sigma_vx) ** 2) for i in range(radius + 1)]
    total = exact[0] + 2 * math.fsum(exact[1:])
    weights = [round(w / total * 2**_WEIGHT_BITS) for w in exact]
    # What rounding leaves over goes to the centre, so that a constant volume stays as it is.
    weights[0] = 2**_WEIGHT_BITS - 2 * sum(weights[1:])
    return np.array(weights, np.uint32)


def quantise_grey(
    volume: npt.NDArray[Any], gain: float, offset: float, out: Grey | None = None
) -> Grey:
    """Return raw voxels on the affine 16-bit grey scale: ``round((value - offset) / gain)``.

    Parameters
    ----------
    volume : numpy.ndarray
        (z, y, x) of uint8, int16, uint16 or float32.
    gain : float
        Raw units of one grey level, positive.
    offset : float
        Raw value of grey level 0.
    out : numpy.ndarray, optional
        uint16 array of the same shape to write to.

    Returns
    -------
    numpy.ndarray
        `out`, or a new array; clipped to 0..65535, halves rounded to even, NaN taken as 0.

    Raises
    ------
    UsageError
        If the gain is not positive and finite or shapes do not fit.

    Examples
    --------
    >>> raw = np.array([[[-32768, 0, 32767]]], np.int16)
    >>> quantise_grey(raw, 1.0, -32768.0).tolist()
    [[[0, 32768, 65535]]]
    """
    if not (math.isfinite(gain) and gain > 0 and math.isfinite(offset)):
        raise UsageError(f"a grey scale wants gain > 0 and a finite offset, got {gain}, {offset}.")
    target = np.empty(volume.shape, np.uint16) if out is None else out
    if target.shape != volume.shape or target.dtype != np.uint16:
        raise UsageError(
            f"grey levels go to uint16 of shape {volume.shape}, "
            f"got {target.dtype} of shape {target.shape}."
        )
    if volume.dtype.kind == "u" and volume.dtype.itemsize <= 2 and (gain, offset) == (1.0, 0.0):
        np.copyto(target, volume)
        return target
    flat = np.ascontiguousarray(volume).reshape(-1)
    if target.flags.c_contiguous:
        _quantise(flat, float(gain), float(offset), target.reshape(-1))
    else:
        grey = np.empty(flat.shape, np.uint16)
        _quantise(flat, float(gain), float(offset), grey)
        np.copyto(target, grey.reshape(volume.shape))
    return target


def _arrays(padded: Grey, halo: int, out: Grey | None) -> tuple[Grey, Grey]:
    """Check a filter's arrays; what is not contiguous is copied, at the price of its size."""
    shape = tuple(n - 2 * halo for n in padded.shape)
    if padded.ndim != 3 or padded.dtype != np.uint16 or min(shape) < 1:
        raise UsageError(
            f"a filter with a halo of {halo} wants uint16 (z, y, x) of more than {2 * halo} voxels "
            f"an edge, got {padded.dtype} of shape {padded.shape}."
        )
    if out is not None and (out.shape != shape or out.dtype != np.uint16):
        raise UsageError(
            f"the filtered tile is uint16 of shape {shape}, got {out.dtype} of shape {out.shape}."
        )
    target = out if out is not None and out.flags.c_contiguous else np.empty(shape, np.uint16)
    return np.ascontiguousarray(padded), target


def _returned(target: Grey, out: Grey | None) -> Grey:
    if out is None:
        return target
    if out is not target:
        np.copyto(out, target)
    return out


@njit(nogil=True, cache=True)
def _gaussian(padded: Grey, weights: npt.NDArray[np.uint32], out: Grey) -> None:
    """Smooth along z, y and x; sums of 32, 48 and 64 bits hold every pass exactly."""
    nz, ny, nx = out.shape
    radius = weights.size - 1
    width = nx + 2 * radius
    plane = np.empty((ny + 2 * radius, width), np.uint32)
    line = np.empty(width, np.uint64)
    total = np.empty(nx, np.uint64)
    half = np.uint64(1 << (3 * _WEIGHT_BITS - 1))
    for z in range(nz):
        for y in range(ny + 2 * radius):
            _smooth_along_z(padded[z : z + 2 * radius + 1, y], weights, plane[y])
        for y in range(ny):
            _smooth_along_y(plane[y : y + 2 * radius + 1], weights, line)
            _smooth_along_x(line, weights, total)
            for x in range(nx):
                out[z, y, x] = np.uint16((total[x] + half) >> np.uint64(3 * _WEIGHT_BITS))


@njit(nogil=True, cache=True)
def _smooth_along_z(
    rows: Grey, weights: npt.NDArray[np.uint32], line: npt.NDArray[np.uint32]
) -> None:
    radius = weights.size - 1
    centre = rows[radius]
    for x in range(line.size):
        line[x] = weights[0] * np.uint32(centre[x])
    for i in range(1, radius + 1):
        w = weights[i]
        before, after = rows[radius - i], rows[radius + i]
        for x in range(line.size):
            line[x] += w * (np.uint32(before[x]) + np.uint32(after[x]))


@njit(nogil=True, cache=True)
def _smooth_along_y(
    rows: npt.NDArray[np.uint32],
    weights: npt.NDArray[np.uint32],
    line: npt.NDArray[np.uint64],
) -> None:
    radius = weights.size - 1
    centre = rows[radius]
    w = np.uint64(weights[0])
    for x in range(line.size):
        line[x] = w * np.uint64(centre[x])
    for i in range(1, radius + 1):
        w = np.uint64(weights[i])
        before, after = rows[radius - i], rows[radius + i]
        for x in range(line.size):
            line[x] += w * np.uint64(before[x]) + w * np.uint64(after[x])


@njit(nogil=True, cache=True)
def _smooth_along_x(
    line: npt.NDArray[np.uint64],
    weights: npt.NDArray[np.uint32],
    total: npt.NDArray[np.uint64],
) -> None:
    n = total.size
    radius = weights.size - 1
    centre = line[radius : radius + n]
    w = np.uint64(weights[0])
    for x in range(n):
        total[x] = w * centre[x]
    for i in range(1, radius + 1):
        w = np.uint64(weights[i])
        before, after = line[radius - i : radius - i + n], line[radius + i : radius + i + n]
        for x in range(n):
            total[x] += w * (before[x] + after[x])


@njit(nogil=True, cache=True)
def _quantise(values: npt.NDArray[Any], gain: float, offset: float, grey: Grey) -> None:
    for i in range(values.size):
        level = np.rint((np.float64(values[i]) - offset) / gain)
        # A comparison with NaN is false: it falls through to 0.
        clipped = level if level > 0.0 else 0.0
        grey[i] = np.uint16(np.int32(min(clipped, 65535.0)))
