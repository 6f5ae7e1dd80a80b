"""Forces of a strained voxel grid: one strain a voxel, displacements at corners.

The rotated scheme of Willot (C. R. Mecanique 343 (2015) 232) is the trilinear hexahedron with one
integration point (Schneider, Merkert, Kabel, Int. J. Numer. Meth. Engng 109 (2017) 1461).  Gradient
and divergence are therefore sums over the eight corners of a voxel, taken here in real space: only
the reference medium needs a Fourier transform, and no field of strains or stresses is ever stored.

Components are ordered (z, y, x); symmetric tensors as (zz, yy, xx, yx, zx, zy) in Mandel form,
whose shear components carry a factor sqrt(2): dot products of vectors are those of tensors.
"""

from __future__ import annotations

from typing import Any

import numba as nb
import numpy as np
from numpy.typing import NDArray

ROOT2 = float(np.sqrt(2.0))

SHEAR = ((1, 2), (0, 2), (0, 1))
"""Pairs of axes of the Mandel components 3, 4 and 5."""


def mandel_to_tensor(vector: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return the symmetric 3x3 tensors of Mandel vectors, shape (..., 6) to (..., 3, 3)."""
    vector = np.asarray(vector, np.float64)
    tensor = np.empty((*vector.shape[:-1], 3, 3))
    for i in range(3):
        tensor[..., i, i] = vector[..., i]
    for k, (i, j) in enumerate(SHEAR, 3):
        tensor[..., i, j] = tensor[..., j, i] = vector[..., k] / ROOT2
    return tensor


def tensor_to_mandel(tensor: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return the Mandel vectors of symmetric 3x3 tensors, shape (..., 3, 3) to (..., 6)."""
    tensor = np.asarray(tensor, np.float64)
    vector = np.empty((*tensor.shape[:-2], 6))
    for i in range(3):
        vector[..., i] = tensor[..., i, i]
    for k, (i, j) in enumerate(SHEAR, 3):
        vector[..., k] = tensor[..., i, j] * ROOT2
    return vector


@nb.njit(nogil=True, cache=True)
def _gather_rows(u: Any, z: int, y: int, rows: Any) -> None:
    """Sum and differences over the four corner columns of a row of voxels, wrapped along x.

    `rows` is (3 components, 3, nx + 1): the sum, the difference along z, the difference along y.
    """
    nz, ny, nx = u.shape[1:]
    z1 = z + 1 if z + 1 < nz else 0
    y1 = y + 1 if y + 1 < ny else 0
    for j in range(3):
        a, b, c, d = u[j, z, y], u[j, z, y1], u[j, z1, y], u[j, z1, y1]
        total, along_z, along_y = rows[j, 0], rows[j, 1], rows[j, 2]
        for x in range(nx):
            low, high = a[x] + b[x], c[x] + d[x]
            total[x] = low + high
            along_z[x] = high - low
            along_y[x] = (b[x] - a[x]) + (d[x] - c[x])
        total[nx], along_z[nx], along_y[nx] = total[0], along_z[0], along_y[0]


@nb.njit(nogil=True, cache=True)
def _stress_rows(rows: Any, mean: Any, lame: Any, phases: Any, scale: Any, stress: Any) -> None:
    """Stress (6, nx) of a row of voxels: zz, yy, xx, yx, zx, zy, shear without a factor."""
    cz, cy, cx = scale[0], scale[1], scale[2]
    for x in range(phases.size):
        lam, mu = lame[phases[x], 0], lame[phases[x], 1]
        zz = mean[0] + cz * (rows[0, 1, x] + rows[0, 1, x + 1])
        yy = mean[1] + cy * (rows[1, 2, x] + rows[1, 2, x + 1])
        xx = mean[2] + cx * (rows[2, 0, x + 1] - rows[2, 0, x])
        yx = mean[3] + (
            cx * (rows[1, 0, x + 1] - rows[1, 0, x]) + cy * (rows[2, 2, x] + rows[2, 2, x + 1])
        )
        zx = mean[4] + (
            cx * (rows[0, 0, x + 1] - rows[0, 0, x]) + cz * (rows[2, 1, x] + rows[2, 1, x + 1])
        )
        zy = mean[5] + (
            cy * (rows[0, 2, x] + rows[0, 2, x + 1]) + cz * (rows[1, 1, x] + rows[1, 1, x + 1])
        )
        volume = lam * (zz + yy + xx)
        two = mu + mu
        stress[0, x] = volume + two * zz
        stress[1, x] = volume + two * yy
        stress[2, x] = volume + two * xx
        stress[3, x] = mu * yx
        stress[4, x] = mu * zx
        stress[5, x] = mu * zy


@nb.njit(nogil=True, cache=True)
def _scatter_rows(stress: Any, z: int, y: int, scale: Any, force: Any, left: Any) -> None:
    """Add the corner forces of a row of voxels to the four columns it touches."""
    nz, ny, nx = force.shape[1:]
    z1 = z + 1 if z + 1 < nz else 0
    y1 = y + 1 if y + 1 < ny else 0
    of_component = ((0, 5, 4), (5, 1, 3), (4, 3, 2))
    for j in range(3):
        sz, sy, sx = (
            stress[of_component[j][0]],
            stress[of_component[j][1]],
            stress[of_component[j][2]],
        )
        for column in range(4):
            z_sign = scale[0] if column >= 2 else -scale[0]
            y_sign = scale[1] if column % 2 else -scale[1]
            out = force[j, z1 if column >= 2 else z, y1 if column % 2 else y]
            for x in range(nx):
                base = z_sign * sz[x] + y_sign * sy[x]
                along = scale[2] * sx[x]
                out[x] += base - along
                left[x + 1] = base + along
            out[0] += left[nx]
            for x in range(1, nx):
                out[x] += left[x]


@nb.njit(nogil=True, cache=True)
def apply_stiffness(u: Any, mean: Any, lame: Any, phases: Any, scale: Any, force: Any) -> None:
    """Write the corner forces of displacements on top of a uniform strain, all in one type.

    Parameters
    ----------
    u : ndarray (3, nz, ny, nx)
        Periodic displacement of each voxel's low corner.
    mean : ndarray (6,)
        Uniform strain zz, yy, xx, and twice yx, zx, zy.
    lame : ndarray (n, 2)
        Lame constants lambda and mu of each phase.
    phases : ndarray of uint8 (nz, ny, nx)
        Phase of each voxel.
    scale : ndarray (3,)
        1 / (4 h) along z, y and x.
    force : ndarray (3, nz, ny, nx)
        Result: the gradient of the energy, per volume of a voxel, with respect to `u`.
    """
    _, nz, ny, nx = u.shape
    rows = np.empty((3, 3, nx + 1), u.dtype)
    stress = np.empty((6, nx), u.dtype)
    left = np.empty(nx + 1, u.dtype)
    force[:] = 0
    for z in range(nz):
        for y in range(ny):
            _gather_rows(u, z, y, rows)
            _stress_rows(rows, mean, lame, phases[z, y], scale, stress)
            _scatter_rows(stress, z, y, scale, force, left)


@nb.njit(nogil=True, cache=True)
def sample_stress(
    u: Any, mean: Any, lame: Any, phases: Any, scale: Any, wanted: Any, out: Any
) -> Any:
    """Write the stress of chosen voxels in Mandel form, and return the mean stress of the cell.

    Parameters
    ----------
    u : ndarray (3, nz, ny, nx)
        As for `apply_stiffness`, like the next four.
    mean : ndarray (6,)
        Uniform strain.
    lame : ndarray (n, 2)
        Lame constants.
    phases : ndarray of uint8 (nz, ny, nx)
        Phase of each voxel.
    scale : ndarray (3,)
        Steps of the gradient.
    wanted : ndarray of bool (nz, ny, nx)
        Voxels whose stress is kept, in raster order.
    out : ndarray (n, 6)
        Result; n is the number of voxels wanted.

    Returns
    -------
    ndarray of float64 (6,)
        Mean stress of all voxels in Mandel form.
    """
    _, nz, ny, nx = u.shape
    rows = np.empty((3, 3, nx + 1), u.dtype)
    stress = np.empty((6, nx), u.dtype)
    total = np.zeros(6)
    n = 0
    for z in range(nz):
        for y in range(ny):
            _gather_rows(u, z, y, rows)
            _stress_rows(rows, mean, lame, phases[z, y], scale, stress)
            for k in range(6):
                factor = 1.0 if k < 3 else ROOT2
                line = 0.0
                for x in range(nx):
                    line += stress[k, x]
                total[k] += line * factor
            for x in range(nx):
                if wanted[z, y, x]:
                    for k in range(6):
                        out[n, k] = stress[k, x] * (1.0 if k < 3 else ROOT2)
                    n += 1
    return total / (nz * ny * nx)


def _corner_sums(xp: Any, u: Any, axis: int) -> tuple[Any, Any]:
    """Return sum and difference of neighbours along an axis, periodic."""
    after = xp.roll(u, -1, axis)
    return after + u, after - u


def strain_arrays(xp: Any, u: Any, scale: tuple[float, ...]) -> list[list[Any]]:
    """Return the displacement gradient, component and then axis, by whole-array operations."""
    gradient = []
    for j in range(3):
        sum_z, diff_z = _corner_sums(xp, u[j], 0)
        sum_zy, diff_y = _corner_sums(xp, sum_z, 1)
        along_z = _corner_sums(xp, _corner_sums(xp, diff_z, 1)[0], 2)[0] * scale[0]
        along_y = _corner_sums(xp, diff_y, 2)[0] * scale[1]
        along_x = _corner_sums(xp, sum_zy, 2)[1] * scale[2]
        gradient.append([along_z, along_y, along_x])
    return gradient


def stress_arrays(xp: Any, u: Any, mean: Any, lam: Any, mu: Any, scale: Any) -> list[Any]:
    """Return the stress zz, yy, xx, yx, zx, zy by whole-array operations.

    `lam` and `mu` are fields; shear components carry no factor.
    """
    g = strain_arrays(xp, u, scale)
    normal = [g[i][i] + mean[i] for i in range(3)]
    volume = lam * (normal[0] + normal[1] + normal[2])
    stress = [volume + 2 * mu * e for e in normal]
    stress += [mu * (g[i][j] + g[j][i] + mean[k]) for k, (i, j) in enumerate(SHEAR, 3)]
    return stress


def force_arrays(xp: Any, stress: list[Any], scale: Any) -> Any:
    """Return the corner forces of a stress field by whole-array operations."""

    def back(field: Any, axis: int, difference: bool) -> Any:
        before = xp.roll(field, 1, axis)
        return before - field if difference else before + field

    force = []
    for parts in ((0, 5, 4), (5, 1, 3), (4, 3, 2)):
        total = 0
        for axis in range(3):
            field = stress[parts[axis]] * scale[axis]
            for other in range(3):
                field = back(field, other, other == axis)
            total = total + field
        force.append(total)
    return xp.stack(force)
