"""The bilateral filter: near voxels of like grey are averaged (Tomasi & Manduchi 1998)."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.errors import UsageError
from pipeline.kernels.windows import Grey, check_amount, fall_off, split_padded

Row = npt.NDArray[np.float32]

_HALF = np.float32(0.5)


def denoise_bilateral(padded: Grey, radius_vx: int, sigma_vx: float, sigma_grey: float) -> Grey:
    """Return the mean of a cube of voxels, weighted by nearness in space and in grey.

    Parameters
    ----------
    padded : numpy.ndarray
        uint16 (z, y, x), the voxels wanted and a halo of `radius_vx` on every side.
    radius_vx : int
        Half edge of the cube.
    sigma_vx : float
        Standard deviation of the weight over distance, in voxels.
    sigma_grey : float
        Standard deviation of the weight over the difference in grey, in grey levels; 0 leaves the
        voxels as they are.

    Returns
    -------
    numpy.ndarray
        uint16, twice the radius smaller an edge.

    Raises
    ------
    UsageError
        If type, shape or a parameter does not fit.

    Notes
    -----
    ``out(p) = sum_q w f(q) / sum_q w`` with ``w = exp(-|p-q|^2 / (2 sigma_vx^2)) *
    exp(-(f(p)-f(q))^2 / (2 sigma_grey^2))`` over all q of the cube, the centre included, summed in
    raster order of q in single precision and rounded once.
    """
    if radius_vx < 1:
        raise UsageError(f"a bilateral filter wants radius_vx of at least 1, got {radius_vx}.")
    source, core = split_padded(padded, radius_vx)
    sigma = float(check_amount("sigma_vx", sigma_vx))
    if sigma_grey == 0:
        core[:] = source[(slice(radius_vx, -radius_vx),) * 3]
        return core
    scale = np.float32(0.5 / float(check_amount("sigma_grey", sigma_grey)) ** 2)
    line = [math.exp(-0.5 * (i / sigma) ** 2) for i in range(-radius_vx, radius_vx + 1)]
    near = np.multiply.outer(np.multiply.outer(line, line), line).astype(np.float32)
    _bilateral(source, near, scale, core)
    return core


@njit(nogil=True, cache=True)
def _bilateral(padded: Grey, near: npt.NDArray[np.float32], scale: np.float32, out: Grey) -> None:
    nz, ny, nx = out.shape
    edge = near.shape[0]
    radius = edge // 2
    centre = np.empty(nx, np.float32)
    total = np.empty(nx, np.float32)
    weight = np.empty(nx, np.float32)
    for z in range(nz):
        for y in range(ny):
            row = padded[z + radius, y + radius, radius : radius + nx]
            for x in range(nx):
                centre[x] = np.float32(row[x])
            total[:] = np.float32(0)
            weight[:] = np.float32(0)
            for dz in range(edge):
                for dy in range(edge):
                    for dx in range(edge):
                        other = padded[z + dz, y + dy, dx : dx + nx]
                        _weigh(other, centre, near[dz, dy, dx], scale, total, weight)
            _finish(centre, total, weight, out[z, y])


@njit(nogil=True, cache=True)
def _weigh(
    other: Grey, centre: Row, near: np.float32, scale: np.float32, total: Row, weight: Row
) -> None:
    for x in range(centre.size):
        step = np.float32(other[x]) - centre[x]
        w = near * fall_off(step * step * scale)
        total[x] += w * step
        weight[x] += w


@njit(nogil=True, cache=True, error_model="numpy")
def _finish(centre: Row, total: Row, weight: Row, row: Grey) -> None:
    # The mean lies between the least and the greatest voxel: no clipping is needed.
    for x in range(centre.size):
        row[x] = np.uint16(np.int32(centre[x] + total[x] / weight[x] + _HALF))
