"""Linear elasticity of a periodic cell of voxels: six load cases, from which every load follows.

Displacements at voxel corners, stress at voxel centres: the rotated scheme of Willot (2015), by
conjugate gradients (Zeman et al. 2010).  Six unit macroscopic strains are solved; the mean stresses
that answer them are the effective stiffness, and its inverse turns the six solutions into those of
six unit macroscopic stresses, exactly.  By superposition the stress under any mean stress is
``field @ stress`` in Mandel form.

Arrays are NumPy's with compiled loops, or CuPy's: the same equations; sums may round differently.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numba as nb
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from pipeline.errors import ConvergenceError, UsageError
from pipeline.kernels.conjugate import Convergence, balance
from pipeline.kernels.equilibrium import (
    ROOT2,
    apply_stiffness,
    force_arrays,
    sample_stress,
    stress_arrays,
)
from pipeline.kernels.green import apply_green, green_arrays, half_angles

CASES = ("zz", "yy", "xx", "yx", "zx", "zy")
"""Load cases, in Mandel order."""

TOLERANCE = {np.dtype(np.float32): 3e-5, np.dtype(np.float64): 1e-6}
"""Equilibrium residual accepted by default.  It is a mean over the cell: single voxels are right to
some ten times as much, which is still little beside the error of the voxels themselves."""

MAX_ITERATIONS = 300
"""Iterations allowed a load case; a platelet takes about 10, a pore about 30."""


@dataclass(frozen=True, slots=True)
class Cell:
    """A periodic cell of voxels.

    Parameters
    ----------
    phases : ndarray of uint8 (nz, ny, nx)
        Row of `lame` for each voxel.
    lame : ndarray of float64 (n, 2)
        Lame constants lambda and mu of each phase in GPa; zeros for a void.
    voxel_um : tuple of float
        Edges of a voxel, (z, y, x).
    """

    phases: NDArray[np.uint8]
    lame: NDArray[np.float64]
    voxel_um: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class UnitLoads:
    """What six load cases left.

    Parameters
    ----------
    response : ndarray of float64 (n, 6, 6)
        For each wanted voxel in raster order, the matrix from mean stress to stress, both in Mandel
        form (zz, yy, xx, and sqrt(2) times yx, zx, zy).
    stiffness : ndarray of float64 (6, 6)
        Effective stiffness of the cell in GPa, in Mandel form.
    convergence : tuple of Convergence
        One for each load case.
    displacements : list of ndarray (3, nz, ny, nx), or None
        Periodic displacements of the unit strains, if they were asked for.
    """

    response: NDArray[np.float64]
    stiffness: NDArray[np.float64]
    convergence: tuple[Convergence, ...]
    displacements: list[Any] | None = None


def lame_constants(youngs_gpa: float, poisson: float) -> tuple[float, float]:
    """Return lambda and mu in GPa of an isotropic material; zeros for a modulus of zero.

    Examples
    --------
    >>> lame_constants(2.5, 0.25)
    (1.0, 1.0)
    """
    mu = youngs_gpa / (2.0 * (1.0 + poisson))
    return 2.0 * mu * poisson / (1.0 - 2.0 * poisson), mu


def project_bytes(shape: tuple[int, int, int], n_wanted: int, itemsize: int = 4) -> int:
    """Return the bytes that `solve_unit_loads` holds at its peak, its input left out.

    Five displacement-like fields, and while one is transformed its spectrum twice; the responses of
    wanted voxels twice (as solved and as superposed).

    Parameters
    ----------
    shape : tuple of int
        Voxels of the cell.
    n_wanted : int
        Voxels whose response is kept.
    itemsize : int
        4 for single, 8 for double precision.
    """
    n = shape[0] * shape[1] * shape[2]
    spectrum = 3 * shape[0] * shape[1] * (shape[2] // 2 + 1) * 2 * itemsize
    return 5 * 3 * n * itemsize + 2 * spectrum + n + n_wanted * 36 * (itemsize + 8 + 8) + (8 << 20)


@nb.njit(nogil=True, cache=True)
def _dot(a: Any, b: Any) -> float:
    """Sum of products in double precision, in one fixed order."""
    s0 = s1 = s2 = s3 = 0.0
    n = a.size // 4 * 4
    for i in range(0, n, 4):
        s0 += np.float64(a[i]) * np.float64(b[i])
        s1 += np.float64(a[i + 1]) * np.float64(b[i + 1])
        s2 += np.float64(a[i + 2]) * np.float64(b[i + 2])
        s3 += np.float64(a[i + 3]) * np.float64(b[i + 3])
    for i in range(n, a.size):
        s0 += np.float64(a[i]) * np.float64(b[i])
    return (s0 + s1) + (s2 + s3)


@nb.njit(nogil=True, cache=True)
def _add(a: Any, factor: Any, b: Any) -> None:
    for i in range(a.size):
        a[i] += factor * b[i]


@nb.njit(nogil=True, cache=True)
def _turn(a: Any, factor: Any, b: Any) -> None:
    for i in range(a.size):
        a[i] = factor * a[i] + b[i]


class HostMedium:
    """A cell in NumPy arrays with compiled loops; a `pipeline.kernels.conjugate.Medium`."""

    def __init__(self, cell: Cell, dtype: np.dtype[Any]) -> None:
        self.dtype = dtype
        self.phases = np.ascontiguousarray(cell.phases)
        self.shape = self.phases.shape
        self.lame = cell.lame.astype(dtype)
        self.scale = np.asarray([0.25 / h for h in _unit_edges(cell)], dtype)
        self.mean = np.zeros(6, dtype)
        self._still = np.zeros(6, dtype)
        self.lam, self.mu = _reference(cell)
        self._axes = [
            half_angles(n, h, k == 2, dtype)
            for k, (n, h) in enumerate(zip(self.shape, _unit_edges(cell), strict=True))
        ]

    def rest(self) -> NDArray[Any]:
        """Return a displacement of zeros."""
        return np.zeros((3, *self.shape), self.dtype)

    def forces(self, u: Any, strained: bool) -> Any:
        """Return corner forces."""
        force = np.empty_like(u)
        mean = self.mean if strained else self._still
        apply_stiffness(u, mean, self.lame, self.phases, self.scale, force)
        return force

    def relax(self, force: Any) -> Any:
        """Return the reference medium's displacement."""
        hat = scipy.fft.rfftn(force, axes=(1, 2, 3), workers=1)
        ratio = (self.lam + self.mu) / (self.lam + 2.0 * self.mu)
        wz, wy, wx = self._axes
        apply_green(hat, wz, wy, wx, self.dtype.type(self.mu), self.dtype.type(ratio))
        return scipy.fft.irfftn(hat, s=self.shape, axes=(1, 2, 3), workers=1, overwrite_x=True)

    def dot(self, a: Any, b: Any) -> float:
        """Return the sum of products."""
        return float(_dot(a.ravel(), b.ravel()))

    def add(self, a: Any, factor: float, b: Any) -> None:
        """Add in place."""
        _add(a.ravel(), self.dtype.type(factor), b.ravel())

    def turn(self, a: Any, factor: float, b: Any) -> None:
        """Scale in place and add."""
        _turn(a.ravel(), self.dtype.type(factor), b.ravel())

    def sample(self, u: Any, wanted: NDArray[np.bool_]) -> tuple[Any, NDArray[np.float64]]:
        """Return the stress of wanted voxels and the mean stress, in Mandel form."""
        out = np.empty((int(np.count_nonzero(wanted)), 6), self.dtype)
        mean = sample_stress(u, self.mean, self.lame, self.phases, self.scale, wanted, out)
        return out, mean


class ArrayMedium:
    """A cell in arrays of any namespace that follows NumPy, such as CuPy; slower on a CPU.

    Parameters
    ----------
    cell : Cell
        The cell, in NumPy arrays.
    dtype : dtype
        float32 or float64.
    xp : module
        The namespace: numpy or cupy.
    """

    def __init__(self, cell: Cell, dtype: np.dtype[Any], xp: Any) -> None:
        self.dtype, self.xp = dtype, xp
        self.shape = cell.phases.shape
        phases = xp.asarray(cell.phases.astype(np.int32))
        lame = xp.asarray(cell.lame.astype(dtype))
        self._lam, self._mu = lame[:, 0][phases], lame[:, 1][phases]
        edges = _unit_edges(cell)
        # Python's floats take the type of the arrays they meet, in every namespace.
        self.scale = [0.25 / h for h in edges]
        self.mean = np.zeros(6, dtype)
        self._still = np.zeros(6, dtype)
        self.lam, self.mu = _reference(cell)
        self._axes = [
            xp.asarray(half_angles(n, h, k == 2, dtype))
            for k, (n, h) in enumerate(zip(self.shape, edges, strict=True))
        ]

    def rest(self) -> Any:
        """Return a displacement of zeros."""
        return self.xp.zeros((3, *self.shape), self.dtype)

    def _stress(self, u: Any, mean: NDArray[Any]) -> list[Any]:
        numbers = [float(m) for m in mean]
        return stress_arrays(self.xp, u, numbers, self._lam, self._mu, self.scale)

    def forces(self, u: Any, strained: bool) -> Any:
        """Return corner forces."""
        stress = self._stress(u, self.mean if strained else self._still)
        return force_arrays(self.xp, stress, self.scale)

    def relax(self, force: Any) -> Any:
        """Return the reference medium's displacement."""
        # NumPy's transforms keep single precision since 2.0, as CuPy's do.
        ratio = (self.lam + self.mu) / (self.lam + 2.0 * self.mu)
        hat = self.xp.fft.rfftn(force, axes=(1, 2, 3))
        wz, wy, wx = self._axes
        hat = green_arrays(self.xp, hat, wz, wy, wx, self.mu, ratio)
        back = self.xp.fft.irfftn(hat, s=self.shape, axes=(1, 2, 3))
        return back.astype(self.dtype, copy=False)

    def dot(self, a: Any, b: Any) -> float:
        """Return the sum of products."""
        return float(self.xp.sum(a * b, dtype=np.float64))

    def add(self, a: Any, factor: float, b: Any) -> None:
        """Add in place."""
        a += factor * b

    def turn(self, a: Any, factor: float, b: Any) -> None:
        """Scale in place and add."""
        a *= factor
        a += b

    def sample(self, u: Any, wanted: NDArray[np.bool_]) -> tuple[Any, NDArray[np.float64]]:
        """Return the stress of wanted voxels and the mean stress, in Mandel form."""
        xp = self.xp
        keep = xp.asarray(wanted)
        columns, mean = [], np.zeros(6)
        for k, field in enumerate(self._stress(u, self.mean)):
            factor = 1.0 if k < 3 else ROOT2
            mean[k] = factor * float(xp.mean(field, dtype=np.float64))
            columns.append(field[keep] * factor)
        stacked = xp.stack(columns, axis=1)
        return (stacked.get() if hasattr(stacked, "get") else stacked), mean


def solve_unit_loads(
    cell: Cell,
    wanted: NDArray[np.bool_],
    *,
    dtype: Any = np.float32,
    tolerance: float | None = None,
    max_iterations: int = MAX_ITERATIONS,
    xp: Any = None,
    guess: list[Any] | None = None,
    keep_displacements: bool = False,
) -> UnitLoads:
    """Solve a cell under six unit loads and return the response of chosen voxels.

    Parameters
    ----------
    cell : Cell
        The cell; at least two voxels along each axis.
    wanted : ndarray of bool (nz, ny, nx)
        Voxels whose response is kept.
    dtype : dtype
        float32, enough for 4 digits of a stress, or float64.
    tolerance : float, optional
        Equilibrium residual accepted; by default as in `TOLERANCE`.
    max_iterations : int
        Iterations allowed a load case.
    xp : module, optional
        Array namespace; compiled loops over NumPy arrays when None.
    guess : list of ndarray (3, nz, ny, nx), optional
        First guesses of the six displacements; they are overwritten.
    keep_displacements : bool
        Whether the displacements are returned.

    Returns
    -------
    UnitLoads
        Responses, effective stiffness, and how each load case ended.

    Raises
    ------
    ConvergenceError
        If a load case does not reach equilibrium, or nothing carries a load through the cell.
    UsageError
        If the cell is thinner than two voxels.
    """
    if min(cell.phases.shape) < 2:
        raise UsageError(f"a cell of {cell.phases.shape} voxels is thinner than 2.")
    real = np.dtype(dtype)
    medium: Any = HostMedium(cell, real) if xp is None else ArrayMedium(cell, real, xp)
    limit = TOLERANCE[real] if tolerance is None else tolerance
    fields, means, endings, kept = [], np.empty((6, 6)), [], []
    for k, case in enumerate(CASES):
        medium.mean[:] = 0
        # Shear strains enter doubled: a unit Mandel strain has e_ij = 1 / sqrt(2).
        medium.mean[k] = 1.0 if k < 3 else ROOT2
        u = medium.rest() if guess is None else guess[k]
        endings.append(balance(medium, u, _measure(medium, cell), limit, max_iterations, case))
        stress, means[:, k] = medium.sample(u, wanted)
        fields.append(stress)
        if keep_displacements:
            kept.append(u)
    compliance = _invert(means)
    response = np.stack(fields, axis=2).astype(np.float64) @ compliance
    return UnitLoads(response, means, tuple(endings), kept if keep_displacements else None)


def _measure(medium: Any, cell: Cell) -> Callable[[float], float]:
    """Return what turns the squared norm of forces into the equilibrium residual.

    The norm of forces is r . G r, with G the reference medium's answer: the energy norm of the
    incompatible part of the stress.  It is taken over the energy norm of the uniform stress that
    the mean stiffness answers the load with.
    """
    share = np.bincount(cell.phases.ravel(), minlength=len(cell.lame)) / cell.phases.size
    lam, mu = (share[:, None] * cell.lame).sum(axis=0)
    e = np.asarray(medium.mean, np.float64).copy()
    e[3:] /= ROOT2
    volume = e[:3].sum()
    stress = 2.0 * mu * e
    stress[:3] += lam * volume
    # Energy of that stress in the reference medium: s : S0 : s.
    lam0, mu0 = medium.lam, medium.mu
    trace = stress[:3].sum()
    energy = (stress @ stress - lam0 / (3.0 * lam0 + 2.0 * mu0) * trace * trace) / (2.0 * mu0)
    reference = energy * cell.phases.size

    def measure(norm: float) -> float:
        return float(np.sqrt(max(norm, 0.0) / reference)) if np.isfinite(norm) else float("inf")

    return measure


def _invert(stiffness: NDArray[np.float64]) -> NDArray[np.float64]:
    values = np.linalg.eigvalsh(0.5 * (stiffness + stiffness.T))
    if not values[0] > 1e-6 * values[-1]:
        raise ConvergenceError(
            "nothing carries the load through the cell: the softest direction has "
            f"{values[0]:.3g} GPa, the stiffest {values[-1]:.3g} GPa.",
            "Leave more matrix around the particle.",
        )
    return np.asarray(np.linalg.inv(stiffness), np.float64)


def _unit_edges(cell: Cell) -> tuple[float, ...]:
    """Return edges over the smallest one: displacements are then of order 1 in any unit."""
    return tuple(float(v) / min(cell.voxel_um) for v in cell.voxel_um)


def _reference(cell: Cell) -> tuple[float, float]:
    """Return the reference medium: the mean of the phases by volume (any one is right)."""
    share = np.bincount(cell.phases.ravel(), minlength=len(cell.lame)) / cell.phases.size
    lam, mu = (share[:, None] * cell.lame).sum(axis=0)
    if not mu > 0.0:
        raise ConvergenceError("the cell holds no material that carries a load.")
    return float(lam), float(mu)
