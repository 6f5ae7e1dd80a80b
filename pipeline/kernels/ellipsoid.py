"""An ellipsoid in an endless isotropic matrix under uniform load: Eshelby's closed form.

Eshelby (Proc. R. Soc. A 241 (1957) 376): strain and stress inside an ellipsoidal inclusion are
uniform.  Shape enters through the integrals I_i and I_ij (Mura, Micromechanics of Defects in
Solids, 1987, section 11), which are Carlson's symmetric elliptic integrals R_D: one formula for
balls, spheroids and ellipsoids of three axes.  The stress of the matrix at the interface follows
from the jump conditions (Hill, J. Mech. Phys. Solids 31 (1983) 347): it depends on the normal
alone.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import scipy.special
from numpy.typing import NDArray

from pipeline.kernels.equilibrium import SHEAR

Reals = NDArray[np.float64]


def shape_integrals(axes: Reals) -> tuple[Reals, Reals]:
    """Return I_i and I_ij of ellipsoids.

    I_i = 2 pi a b c int ds / ((a_i^2 + s) D(s)) is a Carlson integral R_D, and so, as a derivative
    of it, is I_ij.  Where two axes are nearly equal, their difference quotient loses digits; the
    derivatives are taken as integrals of their own, by Gauss quadrature in a variable that makes
    the integrand smooth for flat and for long shapes.

    Parameters
    ----------
    axes : ndarray (n, 3)
        Semi-axes, in any unit and order.

    Returns
    -------
    first : ndarray (n, 3)
        I_i; they sum to 4 pi.
    second : ndarray (n, 3, 3)
        I_ij, in which lengths are in units of the longest semi-axis.
    """
    a = np.asarray(axes, np.float64)
    a = a / a.max(axis=1, keepdims=True)
    square = a * a
    product = a.prod(axis=1)
    first = np.empty_like(a)
    for i in range(3):
        others = [square[:, k] for k in range(3) if k != i]
        first[:, i] = 4 * np.pi / 3 * product * scipy.special.elliprd(*others, square[:, i])
    second = np.empty((len(a), 3, 3))
    for i in range(3):
        for j in range(i + 1, 3):
            gap = square[:, j] - square[:, i]
            near = np.abs(gap) < 1e-3 * (square[:, i] + square[:, j])
            apart = np.where(near, 1.0, gap)
            value = (first[:, i] - first[:, j]) / apart
            if near.any():
                value[near] = _near_pair(a[near], i, j)
            second[:, i, j] = second[:, j, i] = value
    # 3 I_ii + I_ij + I_ik = 4 pi / a_i^2.
    for i in range(3):
        rest = sum(second[:, i, j] for j in range(3) if j != i)
        second[:, i, i] = (4 * np.pi / square[:, i] - rest) / 3.0
    return first, second


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)


def _near_pair(a: Reals, i: int, j: int) -> Reals:
    """Return I_ij by quadrature; the two axes are nearly equal, the third is anything.

    With s = b^2 tan^2(p), b the mean of the pair, a c / sqrt(s + c^2) is smooth in p unless the
    third axis is far smaller, where its square root is confined to an end of the range: then
    s + c^2 = u^2 is the variable.
    """
    k = 3 - i - j
    square = a * a
    product = a.prod(axis=1)
    # u = sqrt(s + c^2) from c to infinity, u = c + pair * q / (1 - q).
    c, pair = a[:, k], np.sqrt(a[:, i] * a[:, j])
    q = 0.5 * (_NODES + 1.0)
    u = c[:, None] + pair[:, None] * (q / (1 - q))[None]
    du = pair[:, None] / (1 - q[None]) ** 2 * 0.5 * _WEIGHTS[None]
    s = u * u - (c * c)[:, None]
    ai, aj = square[:, i, None] + s, square[:, j, None] + s
    # ds / D = 2 u du / (u sqrt(ai aj)).
    integrand = 2.0 / (ai * aj * np.sqrt(ai * aj))
    return np.asarray(2 * np.pi * product * (integrand * du).sum(axis=1), np.float64)


def eshelby_tensor(axes: Reals, poisson: float) -> Reals:
    """Return Eshelby's tensor in Mandel form, in the frame of the axes.

    Parameters
    ----------
    axes : ndarray (n, 3)
        Semi-axes along the three axes of the frame.
    poisson : float
        Poisson's ratio of the matrix.

    Returns
    -------
    ndarray (n, 6, 6)
        From eigenstrain to constrained strain.
    """
    first, second = shape_integrals(axes)
    a = np.asarray(axes, np.float64)
    square = (a / a.max(axis=1, keepdims=True)) ** 2
    q = 1.0 / (8 * np.pi * (1 - poisson))
    tensor = np.zeros((len(a), 6, 6))
    for i in range(3):
        for j in range(3):
            factor = 3.0 if i == j else 1.0
            sign = 1.0 if i == j else -1.0
            tensor[:, i, j] = q * (
                factor * square[:, j] * second[:, i, j] + sign * (1 - 2 * poisson) * first[:, i]
            )
    for k, (i, j) in enumerate(SHEAR, 3):
        both = square[:, i] + square[:, j]
        shear = both * second[:, i, j] + (1 - 2 * poisson) * (first[:, i] + first[:, j])
        # S_ijij = q / 2 * (...); in Mandel form a shear component of a tensor counts twice.
        tensor[:, k, k] = q * shear
    return tensor


def isotropic(lam: float, mu: float) -> Reals:
    """Return the stiffness of an isotropic material in Mandel form (6, 6)."""
    stiffness = 2.0 * mu * np.eye(6)
    stiffness[:3, :3] += lam
    return stiffness


def inside_response(
    axes: Reals, matrix: tuple[float, float], particle: tuple[float, float]
) -> tuple[Reals, Reals]:
    """Return the uniform strain and stress inside ellipsoids for any mean stress far away.

    Parameters
    ----------
    axes : ndarray (n, 3)
        Semi-axes.
    matrix, particle : tuple of float
        Lame constants lambda and mu of matrix and inclusion; zeros for a void.

    Returns
    -------
    strain : ndarray (n, 6, 6)
        From far stress to strain inside, in Mandel form and the frame of the axes.
    stress : ndarray (n, 6, 6)
        The same to stress inside.
    """
    lam, mu = matrix
    stiff, inner = isotropic(lam, mu), isotropic(*particle)
    compliance = np.linalg.inv(stiff)
    poisson = lam / (2 * (lam + mu))
    # (1 + S C^-1 (Ci - C)) e = e_far: strain concentration of a dilute inclusion.
    coupling = eshelby_tensor(axes, poisson) @ (compliance @ (inner - stiff))
    strain = np.linalg.solve(np.eye(6) + coupling, np.broadcast_to(compliance, coupling.shape))
    return strain.astype(np.float64), inner @ strain


def interface_operator(normals: Reals, matrix: tuple[float, float]) -> Reals:
    """Return the operator of the strain jump at an interface.

    Parameters
    ----------
    normals : ndarray (..., 3)
        Unit normals.
    matrix : tuple of float
        Lame constants of the side whose stress is wanted.

    Returns
    -------
    ndarray (..., 6, 6)
        G with strain(matrix side) = strain(inside) + G (Ci - C) strain(inside), in Mandel form.
    """
    lam, mu = matrix
    n = np.asarray(normals, np.float64)
    # Acoustic tensor's inverse: (1 - (lam + mu) / (lam + 2 mu) n n) / mu.
    outer = n[..., :, None] * n[..., None, :]
    inverse = (np.eye(3) - (lam + mu) / (lam + 2 * mu) * outer) / mu
    operator = np.empty((*n.shape[:-1], 6, 6))
    pairs = [(0, 0), (1, 1), (2, 2), *SHEAR]
    for row, (i, j) in enumerate(pairs):
        for col, (k, m) in enumerate(pairs):
            weight = (1.0 if row < 3 else np.sqrt(2.0)) * (1.0 if col < 3 else np.sqrt(2.0))
            operator[..., row, col] = weight * 0.25 * _four(inverse, n, i, j, k, m)
    return operator


def _four(inverse: Any, n: Any, i: int, j: int, k: int, m: int) -> Any:
    return (
        inverse[..., i, k] * n[..., j] * n[..., m]
        + inverse[..., j, k] * n[..., i] * n[..., m]
        + inverse[..., i, m] * n[..., j] * n[..., k]
        + inverse[..., j, m] * n[..., i] * n[..., k]
    )


def interface_response(
    strain: Reals, normals: Reals, matrix: tuple[float, float], particle: tuple[float, float]
) -> Reals:
    """Return the stress of the matrix at the interface, for any mean stress far away.

    Parameters
    ----------
    strain : ndarray (n, 6, 6)
        Strain inside, from `inside_response`.
    normals : ndarray (p, 3)
        Unit normals of the interface in the frame of the axes.
    matrix, particle : tuple of float
        Lame constants.

    Returns
    -------
    ndarray (n, p, 6, 6)
        From far stress to stress of the matrix side, in Mandel form.
    """
    stiff, inner = isotropic(*matrix), isotropic(*particle)
    jump = np.eye(6) + interface_operator(normals, matrix) @ (inner - stiff)
    return np.asarray((stiff @ jump) @ strain[:, None], np.float64)
