"""Screening: the closed-form concentration factors of many particles, taken as ellipsoids.

A particle is replaced by the ellipsoid of equal second moments, alone in an endless matrix.  Its
stress is uniform; the matrix has its peak somewhere on the interface, found among fixed normals.
Rims that are sharper than an ellipsoid's, branches and neighbours are not seen: that is what the
voxel solver is for, and the screen only chooses for whom.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numba as nb
import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.ellipsoid import inside_response, interface_operator, isotropic
from pipeline.kernels.principal import GAIN, first_principal, load_of, stress_of, worst_of

Reals = NDArray[np.float64]

CHUNK = 2048
"""Particles taken at a time: some 30 MB."""

OCTANT_POINTS = 8
"""Normals along an edge of an octant: steps of 13 degrees, which miss a peak by under 0.5 %."""


COARSE_GAIN = 1e-4
"""Relative gain under which the climb at one of many normals ends: the peak is flat there."""


@dataclass(frozen=True, slots=True)
class Screen:
    """Concentration factors of particles taken as ellipsoids: first principal stress over the load.

    Parameters
    ----------
    inside_load, inside_worst : ndarray of float64 (n,)
        In the particle, for the load axis and for the worst load direction.
    matrix_load, matrix_worst : ndarray of float64 (n,)
        In the matrix at the interface, for the load axis and for its own worst direction.
    worst_direction : ndarray of float64 (n, 3)
        Unit vector (z, y, x) of the load that is worst for the particle, or the matrix at a void.
    """

    inside_load: Reals
    inside_worst: Reals
    matrix_load: Reals
    matrix_worst: Reals
    worst_direction: Reals


def octant_normals(n: int) -> Reals:
    """Return unit vectors over one octant: n along each edge, n (n + 1) / 2 in all."""
    rows = [(i, j, n - 1 - i - j) for i in range(n) for j in range(n - i)]
    # Angles, not lengths, are evenly spaced along the edges.
    v = np.sin(0.5 * np.pi * np.asarray(rows, np.float64) / (n - 1))
    return np.asarray(v / np.linalg.norm(v, axis=1, keepdims=True), np.float64)


def hemisphere_normals(n: int) -> Reals:
    """Return the octant's normals mirrored to all four octants of a hemisphere."""
    octant = octant_normals(n)
    signs = np.array([(1, 1, 1), (1, 1, -1), (1, -1, 1), (1, -1, -1)], np.float64)
    return np.unique((octant[None] * signs[:, None]).reshape(-1, 3).round(12) + 0.0, axis=0)


def screen_particles(
    semi_axes: Reals,
    frames: Reals,
    load_axis: tuple[float, float, float],
    matrix: tuple[float, float],
    particle: tuple[float, float],
) -> Screen:
    """Return the closed-form factors of particles.

    Parameters
    ----------
    semi_axes : ndarray of float64 (n, 3)
        Semi-axes of the inertia-equivalent ellipsoids, in any unit.
    frames : ndarray of float64 (n, 3, 3)
        Unit vectors (z, y, x) of those axes, one a row.
    load_axis : tuple of float
        Direction of the load (z, y, x), of any length.
    matrix, particle : tuple of float
        Lame constants lambda and mu; zeros for voids.

    Returns
    -------
    Screen
        Factors and worst directions.
    """
    n = len(semi_axes)
    found = Screen(np.empty(n), np.empty(n), np.empty(n), np.empty(n), np.empty((n, 3)))
    load = np.asarray(load_axis, np.float64) / np.linalg.norm(load_axis)
    delta = isotropic(*particle) - isotropic(*matrix)
    sides = []
    for normals in (octant_normals(OCTANT_POINTS), hemisphere_normals(OCTANT_POINTS)):
        jump = np.eye(6) + interface_operator(normals, matrix) @ delta
        sides.append(isotropic(*matrix) @ jump)
    for start in range(0, n, CHUNK):
        part = slice(start, start + CHUNK)
        strain, stress = inside_response(np.maximum(semi_axes[part], 1e-9), matrix, particle)
        local = frames[part] @ load
        _screen_chunk(
            strain,
            stress,
            np.ascontiguousarray(local),
            sides[0],
            sides[1],
            found.inside_load[part],
            found.inside_worst[part],
            found.matrix_load[part],
            found.matrix_worst[part],
            found.worst_direction[part],
        )
    found.worst_direction[:] = np.einsum("nk,nkj->nj", found.worst_direction, frames)
    return found


@nb.njit(nogil=True, cache=True)
def _screen_chunk(
    strain: Any,
    stress: Any,
    load: Any,
    octant: Any,
    hemisphere: Any,
    inside_load: Any,
    inside_worst: Any,
    matrix_load: Any,
    matrix_worst: Any,
    direction: Any,
) -> None:
    m, s, e = np.empty(6), np.empty(6), np.empty(6)
    turned, side = np.empty(3), np.empty((6, 6))
    for p in range(len(strain)):
        load_of(load[p], m)
        stress_of(stress[p], m, s)
        inside_load[p] = first_principal(s)
        inside_worst[p] = worst_of(stress[p], direction[p], GAIN, 3)
        stress_of(strain[p], m, e)
        best = -np.inf
        for k in range(len(hemisphere)):
            stress_of(hemisphere[k], e, s)
            best = max(best, first_principal(s))
        matrix_load[p] = best
        best = -np.inf
        void = inside_worst[p] <= 0.0
        # The ellipsoid has three planes of symmetry: for the worst of all loads one octant will do.
        for k in range(len(octant)):
            for i in range(6):
                for j in range(6):
                    total = 0.0
                    for h in range(6):
                        total += octant[k, i, h] * strain[p, h, j]
                    side[i, j] = total
            value = worst_of(side, turned, COARSE_GAIN, 3)
            if value > best:
                best = value
                if void:
                    direction[p] = turned
        matrix_worst[p] = best
