"""One particle from its voxels to its figures: embed, solve, rate, and say how far to trust it.

Three things tell the doubt: the same cell in voxels twice as coarse, that coarse cell with the
particle's modulus at either end of its range, and the residual of the solver.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.concentration import BALL_VX, AllDirections, rate_directions
from pipeline.kernels.elasticity import MAX_ITERATIONS, Cell, UnitLoads, solve_unit_loads
from pipeline.kernels.embedding import (
    FIRST_PHASE,
    LIMIT_VOXELS,
    PARTICLE,
    Embedding,
    coarsen_codes,
    embed_particle,
    find_beside,
)
from pipeline.kernels.places import count_peaks, extents, name_place

Lame = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Constants:
    """Lame constants of what a cell may hold.

    Parameters
    ----------
    phases : tuple of (lambda, mu)
        Of the scan's phases in order, in GPa.
    matrix, particle : int
        Positions of the matrix and of the particle's own phase.
    low, high : tuple of float
        Constants of the particle at the ends of its range.
    """

    phases: tuple[Lame, ...]
    matrix: int
    particle: int
    low: Lame
    high: Lame

    @property
    def is_void(self) -> bool:
        """Whether the particle is a void, whose figures are those of the matrix around it."""
        return self.phases[self.particle][1] == 0.0

    def table(self, particle: Lame | None = None) -> NDArray[np.float64]:
        """Return the constants by code of a cell (see `pipeline.kernels.embedding`)."""
        own = self.phases[self.particle] if particle is None else particle
        return np.array([self.phases[self.matrix], own, *self.phases], np.float64)


@dataclass(frozen=True, slots=True)
class Assessment:
    """Figures of one particle in one cell.

    Parameters
    ----------
    factors : AllDirections
        Factors over all load directions; of a void, those of the matrix at its face.
    load_place, worst_place : str or None
        Where the peaks sit; None for a void.
    n_peaks : int
        Separate regions within 10 % of the largest factor under the worst load.
    coarse_change : float
        Change of the worst factor, relative to it, when voxels twice as large are taken; NaN where
        the coarse cell holds nothing of the particle.
    low, high : float
        The worst factor with the particle's modulus at the ends of its range.
    n_iterations : int
        Most iterations of a load case.
    residual : float
        Largest equilibrium residual.
    embedding : Embedding
        The cell.
    """

    factors: AllDirections
    load_place: str | None
    worst_place: str | None
    n_peaks: int
    coarse_change: float
    low: float
    high: float
    n_iterations: int
    residual: float
    embedding: Embedding


def assess_particle(
    mask: NDArray[np.bool_],
    phases: NDArray[np.uint8] | None,
    constants: Constants,
    load_axis: tuple[float, float, float],
    voxel_um: tuple[float, float, float],
    *,
    limit_voxels: int = LIMIT_VOXELS,
    max_iterations: int = MAX_ITERATIONS,
    xp: Any = None,
) -> Assessment:
    """Return the figures of a particle, alone or with its surroundings.

    Parameters
    ----------
    mask : ndarray of bool (nz, ny, nx)
        The particle in its crop.
    phases : ndarray of uint8 (nz, ny, nx), or None
        Phase map of the crop; None for the particle alone in matrix.
    constants : Constants
        Elastic constants.
    load_axis : tuple of float
        Direction of the load (z, y, x).
    voxel_um : tuple of float
        Edges of a voxel.
    limit_voxels : int
        Most voxels of the cell.
    max_iterations : int
        Iterations allowed a load case.
    xp : module, optional
        Array namespace, such as cupy; compiled loops when None.

    Returns
    -------
    Assessment
        The figures.

    Raises
    ------
    ConvergenceError
        If the solver does not converge.
    """
    cell = embed_particle(mask, phases, constants.matrix, voxel_um, limit_voxels)
    left = _solve(cell.codes, cell.voxel_um, cell.inside, constants.table(), max_iterations, xp)
    bodies = _bodies(cell.inside, cell.beside, constants.is_void)
    radius = BALL_VX * cell.fit.refine
    factors = rate_directions(left.response, *bodies, load_axis, radius)
    coarse, low, high = _doubt(cell, constants, load_axis, radius, max_iterations, xp)
    worst = factors.worst.ball
    places = _places(cell, constants, factors)
    return Assessment(
        factors=factors,
        load_place=places[0],
        worst_place=places[1],
        n_peaks=count_peaks(factors.worst.field, bodies[0]),
        coarse_change=(coarse - worst) / worst,
        low=worst * low / coarse,
        high=worst * high / coarse,
        n_iterations=max(c.n_iterations for c in left.convergence),
        residual=max(c.residual for c in left.convergence),
        embedding=cell,
    )


def _solve(
    codes: NDArray[np.uint8],
    voxel_um: tuple[float, float, float],
    inside: NDArray[np.bool_],
    lame: NDArray[np.float64],
    max_iterations: int,
    xp: Any,
) -> UnitLoads:
    wanted = inside | find_beside(codes, inside)
    cell = Cell(codes, lame, voxel_um)
    return solve_unit_loads(cell, wanted, max_iterations=max_iterations, xp=xp)


def _bodies(
    inside: NDArray[np.bool_], beside: NDArray[np.bool_], is_void: bool
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return the body that is rated and what lies beside it: a void hands over to the matrix."""
    return (beside, inside) if is_void else (inside, beside)


def _doubt(
    cell: Embedding,
    constants: Constants,
    load_axis: tuple[float, float, float],
    radius: float,
    max_iterations: int,
    xp: Any,
) -> tuple[float, float, float]:
    """Return the worst factor on voxels twice as large: as stated, and at the ends of the range."""
    codes = coarsen_codes(cell.codes, 2)
    inside = (codes == PARTICLE) & cell.inside[::2, ::2, ::2]
    if not inside.any():
        return (float("nan"),) * 3
    z, y, x = cell.voxel_um
    bodies = _bodies(inside, find_beside(codes, inside), constants.is_void)
    found: list[float] = []
    own = constants.phases[constants.particle]
    for particle in (own, constants.low, constants.high):
        if found and particle == own:
            found.append(found[0])
            continue
        lame = constants.table(particle)
        left = _solve(codes, (2 * z, 2 * y, 2 * x), inside, lame, max_iterations, xp)
        rated = rate_directions(left.response, *bodies, load_axis, max(1.0, radius / 2))
        found.append(rated.worst.ball)
    return found[0], found[1], found[2]


def _places(
    cell: Embedding, constants: Constants, factors: AllDirections
) -> tuple[str | None, str | None]:
    if constants.is_void:
        return None, None
    particle = cell.codes == PARTICLE
    lame = constants.table()
    hollow = [k for k in range(FIRST_PHASE, len(lame)) if lame[k, 1] == 0.0]
    voids = np.isin(cell.codes, hollow) if hollow else None
    scale = cell.fit.refine / cell.fit.coarsen
    thickness = cell.thickness_vx * scale * min(cell.voxel_um)
    middle = float(extents(particle, cell.voxel_um)[1])

    def name(peak: tuple[int, int, int]) -> str:
        return name_place(particle, voids, peak, cell.voxel_um, thickness, middle)

    return name(factors.load.peak), name(factors.worst.peak)
