"""Small balls about the middles of voxel faces, and what they tell of a surface.

See `pipeline.kernels.curvature`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.distance import Int32s, Int64s
from pipeline.model.grid import Triple

Reals = NDArray[np.float64]

INNER = 0.7
"""Radius of the inner ball over that of the outer one."""

STEPS = 64
"""Steps of curvature in one over the radius of the ball."""

MOST = 4 * STEPS
"""The largest curvature in steps."""

WEIGHT = 1024
"""Weight of a face that the surface is parallel to, where faces are equal squares."""

INNER_ONE = 1 << 32
"""What a voxel of the inner ball adds to a count."""

FIELD = 1 << 21
"""Room for a sum of steps along an axis, of either sign."""


@dataclass(frozen=True, slots=True)
class Balls:
    """The voxels of a ball about the middle of a face across each axis.

    Parameters
    ----------
    size : ndarray of int64, shape (3,)
        Voxels of the ball.
    steps : ndarray of int32, shape (3, n, 3)
        Steps from the voxel behind the face, which comes first, by their number.
    before : ndarray of int32, shape (3, n, 3)
        Places of the neighbours one step nearer; n for none.
    count : ndarray of int64, shape (3, n)
        1 for each voxel, and `INNER_ONE` more for those of the inner ball.
    moment : ndarray of int64, shape (3, n)
        Steps along z, y and x in one number, in powers of `FIELD`: their sums are told apart again.
    curvature : ndarray of int32, shape (3, n_inner + 1, n + 1)
        By voxels outside the body in the inner and in the outer ball: curvature in steps.
    reach : tuple of int
        Voxels that a ball reaches from a face's voxel on the body's side, (z, y, x).
    edges : ndarray of float64, shape (3,)
        Edges of a voxel.
    weight : ndarray of float64, shape (3,)
        Weight of a face across each axis.
    """

    size: Int64s
    steps: Int32s
    before: Int32s
    count: Int64s
    moment: Int64s
    curvature: Int32s
    reach: Triple
    edges: Reals
    weight: Reals


def plan_balls(voxel_um: tuple[float, float, float], radius_um: float) -> Balls:
    """Return the balls of a radius on a lattice.

    Parameters
    ----------
    voxel_um : tuple of float
        Edges of a voxel, (z, y, x).
    radius_um : float
        Radius; no less than two longest edges.

    Returns
    -------
    Balls
        The balls.
    """
    edges, volume = np.array(voxel_um), math.prod(voxel_um)
    balls = [_list_ball(edges, axis, radius_um) for axis in range(3)]
    most = max(len(steps) for steps, _ in balls)
    steps = np.zeros((3, most, 3), np.int32)
    before = np.full((3, most, 3), most, np.int32)
    inner = np.zeros((3, most), np.int64)
    n_inner = max(int((away <= INNER * radius_um).sum()) for _, away in balls)
    curvature = np.zeros((3, n_inner + 1, most + 1), np.int32)
    for axis, (own, away) in enumerate(balls):
        place = {tuple(step): k for k, step in enumerate(own.tolist())}
        n = len(own)
        steps[axis, :n] = own
        inner[axis, :n] = away <= INNER * radius_um
        for k, step in enumerate(own.tolist()):
            for i in range(3):
                if step[i]:
                    nearer = list(step)
                    nearer[i] -= 1 if step[i] > 0 else -1
                    before[axis, k, i] = place.get(tuple(nearer), most)
        shift, bend = _respond(edges, axis, own, inner[axis, :n])
        near, far = np.indices((n_inner + 1, n + 1))
        outside = (far - n / 2) / shift[1] - (near - inner[axis].sum() / 2) / shift[0]
        found = outside / (bend[1] / shift[1] - bend[0] / shift[0])
        bent = np.rint(found * radius_um * STEPS)
        curvature[axis, :, : n + 1] = np.clip(bent, -MOST, MOST)
    reach = np.abs(steps).max((0, 1))
    area = volume / edges
    return Balls(
        np.array([len(own) for own, _ in balls]), steps, before, 1 + INNER_ONE * inner,
        steps @ np.array([FIELD * FIELD, FIELD, 1]), curvature,
        (int(reach[0]), int(reach[1]), int(reach[2])), edges, WEIGHT * area / area.max(),
    )  # fmt: skip


def _list_ball(edges: Reals, axis: int, radius_um: float) -> tuple[Int32s, Reals]:
    """Return the steps from the voxel behind a face to those of the ball, and their distances."""
    z, y, x = (int(n) for n in np.ceil(radius_um / edges) + 1)
    steps = np.indices((2 * z + 1, 2 * y + 1, 2 * x + 1)).reshape(3, -1).T - (z, y, x)
    middle = np.zeros(3)
    middle[axis] = 0.5
    # Rounded, so that mirror images are equally far whatever the rounding of products.
    far = np.round(np.linalg.norm((steps + middle) * edges, axis=1), 9)
    order = np.argsort(np.abs(steps).sum(1), kind="stable")
    order = order[far[order] <= radius_um]
    return steps[order].astype(np.int32), far[order]


def _respond(edges: Reals, axis: int, steps: Int32s, inner: Int64s) -> tuple[Reals, Reals]:
    """Return how many voxels a shift and a curvature of the surface add to both balls.

    pi r^2 and pi/4 r^4 over the volume of a voxel, but for the lattice: in the mean over all
    directions of planes and all places that they may have between the two voxels of a face, as
    often as surfaces of all directions have faces across the axis, and with the faces' weights.
    """
    k = np.arange(1024) + 0.5
    height, turn = 1 - k / 512, math.pi * (1 + math.sqrt(5)) * k
    normal = np.stack([height, *np.sqrt(1 - height**2) * (np.cos(turn), np.sin(turn))], 1)
    middle = np.zeros(3)
    middle[axis] = 0.5
    place = (steps + middle) * edges
    width = np.abs(normal[:, axis]) * edges[axis]
    along = normal @ place.T
    met = (np.abs(along) <= width[:, None] / 2) / width[:, None]
    met *= normal[:, axis, None] ** 2 / (normal[:, axis] ** 2).sum()
    bent = met * 0.5 * ((place**2).sum(1) - along**2)
    shift = np.array([met[:, inner > 0].sum(), met.sum()])
    return shift, np.array([bent[:, inner > 0].sum(), bent.sum()])
