"""Concentration factors of a particle over all load directions, from the responses of its voxels.

A factor is a first principal stress over the applied uniaxial stress.  A voxel corner is no crack
tip: beside the raw maximum stands the maximum of the mean over a small ball (1.5 voxels of the scan
in radius: the voxel and what shares a face or an edge with it, of the same body), and the 99.9th
percentile.  The mean is that of the stress tensor, so that it superposes like the stress itself.
The worst and the best direction are those of the mean over the ball in the particle.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numba as nb
import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.principal import largest_over_directions, stress_under, worst_each

Reals = NDArray[np.float64]

N_DIRECTIONS = 400
"""Directions over the hemisphere on which the factor is drawn: one in 9 degrees by 9."""

BALL_VX = 1.5
"""Radius of the small ball in voxels of the scan."""


@dataclass(frozen=True, slots=True)
class Factors:
    """Factors for one load direction.

    Parameters
    ----------
    direction : ndarray of float64 (3,)
        Unit vector (z, y, x) of the load.
    raw, ball, p999 : float
        First principal stress in the particle: largest voxel, largest mean over a ball, 99.9th
        percentile of voxels.
    matrix_raw, matrix_ball : float
        The same in the matrix at the interface; NaN where no matrix touches the particle.
    von_mises : float
        Largest von Mises stress in the particle.
    peak : tuple of int
        Voxel of the cell with the largest mean over a ball in the particle.
    field : ndarray of float64 (n,)
        Mean over a ball of first principal stress, for each voxel of the particle.
    """

    direction: Reals
    raw: float
    ball: float
    p999: float
    matrix_raw: float
    matrix_ball: float
    von_mises: float
    peak: tuple[int, int, int]
    field: Reals


@dataclass(frozen=True, slots=True)
class AllDirections:
    """Factors over all load directions.

    Parameters
    ----------
    load, worst, best : Factors
        For the load axis, the worst and the best direction.
    map : ndarray of float64 (N_DIRECTIONS,)
        Largest mean over a ball for each direction of `hemisphere`.
    """

    load: Factors
    worst: Factors
    best: Factors
    map: Reals


def hemisphere(n: int = N_DIRECTIONS) -> Reals:
    """Return unit vectors (z, y, x) over the upper hemisphere, each standing for the same area.

    Fibonacci's lattice: z falls evenly from 1 to 0, the azimuth turns by the golden angle.
    """
    z = 1.0 - (np.arange(n) + 0.5) / n
    turn = np.arange(n) * np.pi * (3.0 - np.sqrt(5.0))
    r = np.sqrt(1.0 - z * z)
    return np.stack([z, r * np.sin(turn), r * np.cos(turn)], axis=1)


def ball_offsets(radius: float) -> NDArray[np.int64]:
    """Return the voxel offsets (n, 3) within a radius, the centre included."""
    reach = int(radius)
    steps = np.arange(-reach, reach + 1)
    grid = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.ascontiguousarray(grid[(grid * grid).sum(axis=1) <= radius * radius])


@nb.njit(nogil=True, cache=True)
def _ball_means(responses: Any, places: Any, rows: Any, offsets: Any, out: Any) -> None:
    nz, ny, nx = rows.shape
    for i in range(len(places)):
        out[i] = 0.0
        n = 0
        for k in range(len(offsets)):
            z, y, x = places[i, 0] + offsets[k, 0], places[i, 1] + offsets[k, 1], 0
            x = places[i, 2] + offsets[k, 2]
            if 0 <= z < nz and 0 <= y < ny and 0 <= x < nx and rows[z, y, x] >= 0:
                n += 1
                other = responses[rows[z, y, x]]
                for a in range(6):
                    for b in range(6):
                        out[i, a, b] += other[a, b]
        for a in range(6):
            for b in range(6):
                out[i, a, b] /= n


def mean_over_balls(responses: Reals, body: NDArray[np.bool_], radius: float) -> Reals:
    """Return the mean response over the part of a ball that lies in a body.

    Parameters
    ----------
    responses : ndarray of float64 (n, 6, 6)
        Response of each voxel of the body, in raster order.
    body : ndarray of bool (nz, ny, nx)
        The body.
    radius : float
        Radius in voxels.
    """
    rows = np.full(body.shape, -1, np.int32)
    rows[body] = np.arange(len(responses), dtype=np.int32)
    out = np.empty_like(responses)
    _ball_means(responses, np.argwhere(body), rows, ball_offsets(radius), out)
    return out


def rate_directions(
    response: Reals,
    inside: NDArray[np.bool_],
    beside: NDArray[np.bool_],
    load_axis: tuple[float, float, float],
    radius: float = BALL_VX,
) -> AllDirections:
    """Return the factors of a particle over all load directions.

    Parameters
    ----------
    response : ndarray of float64 (n, 6, 6)
        Responses of the voxels in ``inside | beside``, in raster order.
    inside, beside : ndarray of bool (nz, ny, nx)
        Voxels of the particle, and voxels of matrix at its interface.
    load_axis : tuple of float
        Direction of the load (z, y, x).
    radius : float
        Radius of the small ball in voxels of the cell.

    Returns
    -------
    AllDirections
        Factors for the load axis, the worst and the best direction, and the map.
    """
    own = inside[inside | beside]
    raw, raw_beside = np.ascontiguousarray(response[own]), np.ascontiguousarray(response[~own])
    ball = mean_over_balls(raw, inside, radius)
    ball_beside = mean_over_balls(raw_beside, beside, radius)
    bounds, directions = np.empty(len(ball)), np.empty((len(ball), 3))
    worst_each(ball, bounds, directions)
    order = np.argsort(-bounds, kind="stable")
    worst = directions[order[0]]
    sampled = hemisphere()
    values = _largest(ball, order, bounds, sampled)
    best = _descend(ball, order, bounds, sampled[int(np.argmin(values))])
    load = np.asarray(load_axis, np.float64) / np.linalg.norm(load_axis)

    def rated(direction: Reals) -> Factors:
        upper = direction if _is_upper(direction) else -direction
        return _rate(upper, raw, ball, raw_beside, ball_beside, inside)

    return AllDirections(rated(load), rated(worst), rated(best), values)


def _is_upper(direction: Reals) -> bool:
    """Whether a direction is the one of the two ends of its axis that is written down."""
    z, y, x = (float(v) for v in direction.round(12))
    return (z, y, x) >= (0.0, 0.0, 0.0)


def _largest(ball: Reals, order: NDArray[np.int64], bounds: Reals, directions: Reals) -> Reals:
    values, where = np.empty(len(directions)), np.empty(len(directions), np.int64)
    largest_over_directions(ball, order, bounds, np.ascontiguousarray(directions), values, where)
    return values


def _descend(ball: Reals, order: NDArray[np.int64], bounds: Reals, start: Reals) -> Reals:
    """Return the direction of least factor near a first one, to about half a degree."""
    centre, step = start, np.radians(6.0)
    lowest = float(_largest(ball, order, bounds, centre[None])[0])
    turns = np.arange(8) * np.pi / 4
    while step > np.radians(0.3):
        a = np.cross(centre, np.eye(3)[int(np.argmin(np.abs(centre)))])
        a /= np.linalg.norm(a)
        b = np.cross(centre, a)
        ring = centre * np.cos(step) + np.sin(step) * (
            np.cos(turns)[:, None] * a + np.sin(turns)[:, None] * b
        )
        values = _largest(ball, order, bounds, ring)
        k = int(np.argmin(values))
        if values[k] < lowest:
            centre, lowest = ring[k], float(values[k])
        else:
            step /= 2.0
    return centre


def _rate(
    direction: Reals,
    raw: Reals,
    ball: Reals,
    raw_beside: Reals,
    ball_beside: Reals,
    inside: NDArray[np.bool_],
) -> Factors:
    single, mises = _stress(raw, direction)
    field, _ = _stress(ball, direction)
    single_beside, _ = _stress(raw_beside, direction)
    field_beside, _ = _stress(ball_beside, direction)
    z, y, x = np.argwhere(inside)[int(np.argmax(field))]
    return Factors(
        direction=direction,
        raw=float(single.max()),
        ball=float(field.max()),
        p999=float(np.quantile(single, 0.999)),
        matrix_raw=float(single_beside.max()) if single_beside.size else float("nan"),
        matrix_ball=float(field_beside.max()) if field_beside.size else float("nan"),
        von_mises=float(mises.max()),
        peak=(int(z), int(y), int(x)),
        field=field,
    )


def _stress(responses: Reals, direction: Reals) -> tuple[Reals, Reals]:
    principal, mises = np.empty(len(responses)), np.empty(len(responses))
    stress_under(responses, np.ascontiguousarray(direction), principal, mises)
    return principal, mises
