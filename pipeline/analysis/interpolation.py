"""Trilinear interpolation at the places of a grid moved by an affine map: a compiled loop.

Half of the time of a registration went into SciPy's, which asks at each point anew which spline and
which border it is.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(nogil=True, cache=True)
def interpolate_(
    values: NDArray[np.float32],
    matrix: NDArray[np.float64],
    offset: NDArray[np.float64],
    found: NDArray[np.float32],
) -> None:
    """Fill an array with values between those of another one, 0 beyond it.

    Parameters
    ----------
    values : (z, y, x) float32
        What is interpolated.
    matrix, offset : (3, 3), (3,) float64
        An element of `found` at place p is looked up at matrix @ p + offset.
    found : (z, y, x) float32
        Overwritten.
    """
    nz, ny, nx = values.shape
    for i in range(found.shape[0]):
        for j in range(found.shape[1]):
            z0 = matrix[0, 0] * i + matrix[0, 1] * j + offset[0]
            y0 = matrix[1, 0] * i + matrix[1, 1] * j + offset[1]
            x0 = matrix[2, 0] * i + matrix[2, 1] * j + offset[2]
            for k in range(found.shape[2]):
                z, y, x = z0 + matrix[0, 2] * k, y0 + matrix[1, 2] * k, x0 + matrix[2, 2] * k
                if not (-1 < z < nz and -1 < y < ny and -1 < x < nx):
                    found[i, j, k] = 0.0
                    continue
                p, q, r = int(np.floor(z)), int(np.floor(y)), int(np.floor(x))
                c, b, a = z - p, y - q, x - r
                total = 0.0
                if 0 <= p < nz - 1 and 0 <= q < ny - 1 and 0 <= r < nx - 1:
                    front = (1 - b) * ((1 - a) * values[p, q, r] + a * values[p, q, r + 1])
                    front += b * ((1 - a) * values[p, q + 1, r] + a * values[p, q + 1, r + 1])
                    back = (1 - b) * ((1 - a) * values[p + 1, q, r] + a * values[p + 1, q, r + 1])
                    back += b * (
                        (1 - a) * values[p + 1, q + 1, r] + a * values[p + 1, q + 1, r + 1]
                    )
                    total = (1 - c) * front + c * back
                else:
                    for u in range(2):
                        for v in range(2):
                            for w in range(2):
                                if 0 <= p + u < nz and 0 <= q + v < ny and 0 <= r + w < nx:
                                    share = (c if u else 1 - c) * (b if v else 1 - b)
                                    total += (
                                        share * (a if w else 1 - a) * values[p + u, q + v, r + w]
                                    )
                found[i, j, k] = total
