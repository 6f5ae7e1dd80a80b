"""The reference medium of the rotated scheme: forces to displacements, in Fourier space.

With s = sin(xi / 2) and c = cos(xi / 2) along each axis, the rotated scheme's wave vector (Willot,
C. R. Mecanique 343 (2015) 232) is a common phase times the real vector k_z = 2 s_z c_y c_x / h_z,
and so on.  The phase cancels between gradient and divergence, so that the acoustic tensor of an
isotropic medium is real and its inverse has a closed form.
"""

from __future__ import annotations

from typing import Any

import numba as nb
import numpy as np
from numpy.typing import NDArray


def half_angles(n: int, step: float, real: bool, dtype: Any) -> NDArray[Any]:
    """Return 2 sin(xi / 2) / h and cos(xi / 2) of an axis, as rows of shape (2, n).

    Parameters
    ----------
    n : int
        Voxels along the axis.
    step : float
        Edge of a voxel along it.
    real : bool
        Whether only the frequencies of a real transform are wanted: n // 2 + 1 of them.
    dtype : dtype
        Type of the result.

    Returns
    -------
    ndarray (2, n)
        The cosine is exactly zero at the Nyquist frequency, where the scheme knows no gradient
        across the axis.
    """
    frequency = np.fft.rfftfreq(n) if real else np.fft.fftfreq(n)
    sine = 2.0 * np.sin(np.pi * frequency) / step
    cosine = np.where(np.abs(frequency) == 0.5, 0.0, np.cos(np.pi * frequency))
    return np.stack([sine, cosine]).astype(dtype)


@nb.njit(nogil=True, cache=True)
def apply_green(hat: Any, wz: Any, wy: Any, wx: Any, mu: Any, ratio: Any) -> None:
    """Turn transformed forces into transformed displacements of the reference medium, in place.

    Parameters
    ----------
    hat : ndarray of complex (3, nz, ny, nx // 2 + 1)
        Transformed forces; the result.
    wz, wy, wx : ndarray (2, n)
        From `half_angles`.
    mu : float
        Shear modulus of the reference medium.
    ratio : float
        (lambda + mu) / (lambda + 2 mu) of the reference medium.
    """
    _, nz, ny, nx = hat.shape
    one = wz.dtype.type(1.0)
    zero = wz.dtype.type(0.0)
    for z in range(nz):
        sz, cz = wz[0, z], wz[1, z]
        for y in range(ny):
            sy, cy = wy[0, y], wy[1, y]
            zc, cs, cc = sz * cy, cz * sy, cz * cy
            fz, fy, fx = hat[0, z, y], hat[1, z, y], hat[2, z, y]
            for x in range(nx):
                kz, ky, kx = zc * wx[1, x], cs * wx[1, x], cc * wx[0, x]
                square = kz * kz + ky * ky + kx * kx
                inverse = one / (mu * square) if square > zero else zero
                turn = ratio / square if square > zero else zero
                along = (kz * fz[x] + ky * fy[x] + kx * fx[x]) * turn
                fz[x] = (fz[x] - kz * along) * inverse
                fy[x] = (fy[x] - ky * along) * inverse
                fx[x] = (fx[x] - kx * along) * inverse


def green_arrays(xp: Any, hat: Any, wz: Any, wy: Any, wx: Any, mu: float, ratio: float) -> Any:
    """Return what `apply_green` writes, by whole-array operations."""
    axes = (wz[:, :, None, None], wy[:, None, :, None], wx[:, None, None, :])
    k = [
        axes[0][0] * axes[1][1] * axes[2][1],
        axes[0][1] * axes[1][0] * axes[2][1],
        axes[0][1] * axes[1][1] * axes[2][0],
    ]
    square = k[0] * k[0] + k[1] * k[1] + k[2] * k[2]
    known = square > 0
    inverse = xp.where(known, 1 / xp.where(known, square, 1), 0).astype(square.dtype)
    along = (k[0] * hat[0] + k[1] * hat[1] + k[2] * hat[2]) * (inverse * ratio)
    inverse = inverse / mu
    return xp.stack([(hat[i] - k[i] * along) * inverse for i in range(3)])
