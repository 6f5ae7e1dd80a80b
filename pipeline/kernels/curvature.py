"""Mean curvature of bodies' surfaces by an integral invariant of small balls.

Of a ball of radius r about a point of a smooth surface, 2/3 pi r^3 + pi/4 H r^4 lie outside the
body, H the mean of the principal curvatures there, positive where the body is convex (Pottmann,
Wallner, Huang & Yang 2009; exact for a ball).  A point that is off the surface by d adds pi r^2 d,
which on a lattice is more than what curvature does; of two balls about one point that term cancels.

Points are the middles of voxel faces.  Voxels outside the body count where a path leads to them
from the face, outside the body and without a step back along any axis: all of them beside a smooth
thick body, while a plate thinner than the ball has two sides.  Counts and weights are integers: a
face has the same ones in any tile.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.kernels.balls import FIELD, MOST, STEPS, Balls
from pipeline.kernels.distance import Int32s, Int64s
from pipeline.kernels.pairs import add_up_pairs
from pipeline.model.distances import CURVATURE_PLANES
from pipeline.model.grid import Box, Triple

Reals = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Curvatures:
    """Surface by body and curvature.

    Parameters
    ----------
    body : ndarray of int32
        Body, ascending.
    step : ndarray of int32
        Mean curvature in steps, ascending within a body; no pair stands twice.
    weight : ndarray of int64
        Area of its surface, in parts of the largest face of a voxel over `WEIGHT`.
    """

    body: Int32s
    step: Int32s
    weight: Int64s


def fold_curvature(bodies: Int32s, faces: Box, balls: Balls) -> Curvatures:
    """Measure the surface of bodies at the faces of voxels.

    Parameters
    ----------
    bodies : ndarray of int32, shape (nz, ny, nx)
        Body of each voxel, from 1; 0 belongs to none.
    faces : Box
        Voxels in the array whose faces are wanted; all balls about them lie in it.
    balls : Balls
        The balls.

    Returns
    -------
    Curvatures
        Sums over parts that share no voxel are those of the whole.
    """
    bodies = np.ascontiguousarray(bodies)
    strides = np.array([bodies.shape[1] * bodies.shape[2], bodies.shape[2], 1])
    offsets = np.zeros((6, balls.steps.shape[1]), np.int64)
    for side in range(6):
        turned = balls.steps[side // 2].astype(np.int64)
        turned[:, side // 2] *= 2 * (side % 2) - 1
        offsets[side] = turned @ strides
    parts = []
    (bottom, *low), (top, *high) = faces.start, faces.stop
    for first in range(bottom, top, CURVATURE_PLANES):
        found = _measure_faces(
            bodies.ravel(), strides, (first, low[0], low[1]),
            (min(first + CURVATURE_PLANES, top), high[0], high[1]), offsets, balls.size,
            balls.before, balls.count, balls.moment, balls.curvature, balls.edges, balls.weight,
        )  # fmt: skip
        parts.append(_gather(*found))
    return merge_curvatures(parts)


def merge_curvatures(parts: Sequence[Curvatures]) -> Curvatures:
    """Return the surface of parts that share no voxel, added up."""
    none = np.zeros(0, np.int64)
    return _gather(
        *(
            np.concatenate([none, *(getattr(part, name) for part in parts)])
            for name in ("body", "step", "weight")
        )
    )


def _gather(body: NDArray[np.integer], step: NDArray[np.integer], weight: Int64s) -> Curvatures:
    bodies, above, total = add_up_pairs(body, step + MOST, weight)
    return Curvatures(bodies, above - np.int32(MOST), total)


def describe_curvature(
    found: Curvatures, n: int, radius_um: float, inscribed_um: Reals | None = None
) -> dict[str, Reals]:
    """Return the columns that tell how particles' surfaces bend.

    Parameters
    ----------
    found : Curvatures
        Surface of whole particles, numbered from 1.
    n : int
        Number of particles.
    radius_um : float
        Radius of the ball.
    inscribed_um : ndarray of float64, shape (n,), optional
        Diameters of the largest balls inside the particles; NaN where they are not known.

    Returns
    -------
    dict of str to ndarray of float64, shape (n,)
        NaN where no face was measured, and for the roundness of particles thinner than two balls.
    """
    body, step, weight = found.body - 1, found.step.astype(np.int64), found.weight
    per_step = 1.0 / (radius_um * STEPS)
    first, ends, sums = _sum_up(body, step, weight, n)
    total = sums[0].astype(np.float64)
    total[total == 0] = np.nan
    mean = sums[1] / total
    columns = {
        "surface_curvature_mean_per_um": mean * per_step,
        "surface_curvature_sd_per_um": per_step
        * np.sqrt(np.maximum(sums[2] / total - mean * mean, 0.0)),
    }
    for percent in (10, 50, 90):
        # Steps are ordered within a body: whole numbers find the place.
        wanted = first + np.maximum((sums[0] * percent + 99) // 100, 1)
        place = np.minimum(np.searchsorted(ends, wanted), max(step.size - 1, 0))
        value = step[place] * per_step if step.size else np.zeros(n)
        columns[f"surface_curvature_p{percent}_per_um"] = np.where(sums[0] > 0, value, np.nan)
    columns["roundness"] = np.full(n, np.nan)
    if inscribed_um is not None:
        columns["roundness"] = _describe_corners(found, total, radius_um, inscribed_um / 2)
    return columns


def _sum_up(body: Int32s, step: Int64s, weight: Int64s, n: int) -> tuple[Int64s, Int64s, Int64s]:
    """Return the weight before each body and up to each entry, and sums of weights and moments."""
    sums = np.zeros((3, n), np.int64)
    for power in range(3):
        np.add.at(sums[power], body, weight * step**power)
    return np.cumsum(sums[0]) - sums[0], np.cumsum(weight), sums


def _describe_corners(found: Curvatures, total: Reals, radius_um: float, inner_um: Reals) -> Reals:
    """Return the mean radius of curvature of corners over that of the largest ball inside.

    Corners bend more than that ball, as Wadell (1932) says of outlines; without any it is 1.
    """
    body = found.body - 1
    radius = radius_um * STEPS / np.maximum(found.step, 1)
    corner = (found.step > 0) & (radius < inner_um[body])
    n = total.size
    weight = np.where(corner, found.weight, 0).astype(np.float64)
    area, sum_ = np.bincount(body, weight, n), np.bincount(body, weight * radius, n)
    mean = np.divide(sum_, area * inner_um, out=np.ones(n), where=area > 0)
    return np.where(np.isnan(total) | ~(inner_um >= 2 * radius_um), np.nan, mean)


@njit(nogil=True, cache=True)
def _measure_faces(
    flat: Int32s,
    strides: Int64s,
    low: Triple,
    high: Triple,
    offsets: Int64s,
    size: Int64s,
    before: Int32s,
    count: Int64s,
    moment: Int64s,
    curvature: Int32s,
    edges: Reals,
    weight: Reals,
) -> tuple[Int32s, Int32s, Int64s]:
    """List body, curvature and weight of the faces of voxels from a low corner to a high one."""
    n = _count_faces(flat, strides, low, high)
    body, step = np.empty(n, np.int32), np.empty(n, np.int32)
    share = np.empty(n, np.int64)
    reached = np.zeros(before.shape[1] + 1, np.int64)
    n = 0
    for z in range(low[0], high[0]):
        for y in range(low[1], high[1]):
            for x in range(low[2], high[2]):
                at = z * strides[0] + y * strides[1] + x
                own = flat[at]
                if own <= 0:
                    continue
                for side in range(6):
                    axis = side // 2
                    out = at + (2 * (side % 2) - 1) * strides[axis]
                    if flat[out] == own:
                        continue
                    near, far, sz, sy, sx = _look(
                        flat, out, own, size[axis], offsets[side], before[axis], count[axis],
                        moment[axis], reached,
                    )  # fmt: skip
                    body[n], step[n] = own, curvature[axis, near, far]
                    share[n] = _weigh(axis, far, sz, sy, sx, edges, weight[axis])
                    n += 1
    return body, step, share


@njit(nogil=True, cache=True)
def _count_faces(flat: Int32s, strides: Int64s, low: Triple, high: Triple) -> int:
    n = 0
    for z in range(low[0], high[0]):
        for y in range(low[1], high[1]):
            for x in range(low[2], high[2]):
                at = z * strides[0] + y * strides[1] + x
                own = flat[at]
                if own > 0:
                    for axis in range(3):
                        n += flat[at - strides[axis]] != own
                        n += flat[at + strides[axis]] != own
    return n


@njit(nogil=True, cache=True)
def _look(
    flat: Int32s,
    out: int,
    own: int,
    size: int,
    offsets: Int64s,
    before: Int32s,
    count: Int64s,
    moment: Int64s,
    reached: Int64s,
) -> tuple[int, int, int, int, int]:
    """Return the voxels outside in the inner and in the outer ball, and the sum of their steps.

    Voxels stand in the order of steps from the first, so that one pass finds every path.
    """
    counts, moments = count[0], np.int64(0)
    reached[0] = -1
    for k in range(1, size):
        # All bits where a path leads here: masks instead of branches.
        way = reached[before[k, 0]] | reached[before[k, 1]] | reached[before[k, 2]]
        way &= -np.int64(flat[out + offsets[k]] != own)
        reached[k] = way
        counts += count[k] & way
        moments += moment[k] & way
    sx = (moments + (FIELD // 2)) % FIELD - (FIELD // 2)
    moments = (moments - sx) // FIELD
    sy = (moments + (FIELD // 2)) % FIELD - (FIELD // 2)
    sz = (moments - sy) // FIELD
    return int(counts >> 32), int(counts & 0xFFFFFFFF), int(sz), int(sy), int(sx)


@njit(nogil=True, cache=True)
def _weigh(axis: int, far: int, sz: int, sy: int, sx: int, edges: Reals, weight: float) -> int:
    """Return the part of the surface that a face stands for.

    A surface has as many faces across an axis as it is seen along it; weighted with the cosine of
    its normal there, they add up to its area (Lachaud & Thibert 2016).  The normal points to the
    centroid of what is outside.
    """
    # Twice the sums of steps from the middle of the face, which lies half a step back.
    dz, dy, dx = edges[0] * 2 * sz, edges[1] * 2 * sy, edges[2] * 2 * sx
    along = edges[axis] * far
    if axis == 0:
        dz += along
        along = dz
    elif axis == 1:
        dy += along
        along = dy
    else:
        dx += along
        along = dx
    length = math.sqrt(dz * dz + dy * dy + dx * dx)
    return int(weight * along / length + 0.5) if along > 0.0 else 0
