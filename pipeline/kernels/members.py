"""Member plates of bodies that crossing platelets form.

A body is looked at from samples spread evenly over its voxels: the middle and the normal of what
lies around each.  The plane that most samples agree with, in place and in direction, is bent into a
quadratic surface, and its samples are taken away; so on, until few are left.  Every voxel then goes
to the surface nearest to it.  Nothing is drawn at random, and only the body's own voxels count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.kernels.descriptors import principal_axes

Reals = NDArray[np.float64]
Lengths = tuple[float, float, float]

N_SAMPLES = 1200
"""Samples of a body at most."""

AROUND = 1.75
"""Radius about a sample whose voxels make its middle and normal, in thicknesses."""

SAME_DEGREES = 20.0
"""Angle between normals up to which samples may lie on one plane; bent surfaces allow half more."""

SMALLEST = 0.06
"""Share of the samples, and of the voxels, under which nothing is a member."""

MOST = 12
"""Members of a body at most."""

N_TERMS = 6


def split_members(
    mask: NDArray[np.bool_], voxel_um: Lengths, thickness_um: float
) -> NDArray[np.int32]:
    """Tell apart the plates that a body is made of.

    Parameters
    ----------
    mask : ndarray of bool, shape (z, y, x)
        The body.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).
    thickness_um : float
        How thick its plates are: twice volume over surface.

    Returns
    -------
    ndarray of int32, shape (z, y, x)
        Member of each voxel, from 1 in raster order of their first voxels; 0 outside the body.
    """
    edge = np.array(voxel_um)
    place = np.argwhere(mask)
    stride = -(-len(place) // N_SAMPLES)
    radius = max(AROUND * thickness_um, 2.5 * float(edge.max()))
    middle, spread = _look_around(mask.view(np.uint8), place[::stride].copy(), edge, radius)
    values, vectors = principal_axes(spread)
    normal = np.ascontiguousarray(vectors[:, 2])
    # Flat and wide surroundings count most (linear and planar anisotropy, Westin 1997).
    weight = np.maximum((values[:, 1] - values[:, 2]) / np.maximum(values[:, 0], 1e-12), 1e-6)
    slab = 0.5 * thickness_um + 0.5 * float(edge.max())
    surfaces = _find_surfaces(middle, normal, weight, slab, np.cos(np.radians(SAME_DEGREES)))
    away = _measure_distances(place * edge, surfaces)
    chosen = _settle(mask, place, away)
    members = np.zeros(mask.shape, np.int32)
    _, first = np.unique(chosen, return_index=True)
    names = np.zeros(chosen.max() + 1, np.int32)
    names[chosen[np.sort(first)]] = np.arange(1, first.size + 1)
    members[tuple(place.T)] = names[chosen]
    return members


@njit(nogil=True, cache=True)
def _look_around(
    body: NDArray[np.uint8], place: NDArray[np.int64], edge: Reals, radius: float
) -> tuple[Reals, Reals]:
    """Return mean and covariance (zz yy xx zy zx yx) of the voxels about each sample."""
    middle, spread = np.empty((len(place), 3)), np.empty((len(place), 6))
    reach = [int(radius / e) for e in edge]
    for at in range(len(place)):
        z, y, x = place[at]
        n = 0
        s, m = np.zeros(6), np.zeros(3)
        for i in range(max(z - reach[0], 0), min(z + reach[0] + 1, body.shape[0])):
            for j in range(max(y - reach[1], 0), min(y + reach[1] + 1, body.shape[1])):
                for k in range(max(x - reach[2], 0), min(x + reach[2] + 1, body.shape[2])):
                    if not body[i, j, k]:
                        continue
                    a, b, c = (i - z) * edge[0], (j - y) * edge[1], (k - x) * edge[2]
                    if a * a + b * b + c * c > radius * radius:
                        continue
                    n += 1
                    m[0] += a
                    m[1] += b
                    m[2] += c
                    s[0] += a * a
                    s[1] += b * b
                    s[2] += c * c
                    s[3] += a * b
                    s[4] += a * c
                    s[5] += b * c
        m /= n
        s /= n
        spread[at, 0] = s[0] - m[0] * m[0]
        spread[at, 1] = s[1] - m[1] * m[1]
        spread[at, 2] = s[2] - m[2] * m[2]
        spread[at, 3] = s[3] - m[0] * m[1]
        spread[at, 4] = s[4] - m[0] * m[2]
        spread[at, 5] = s[5] - m[1] * m[2]
        for i in range(3):
            middle[at, i] = place[at, i] * edge[i] + m[i]
    return middle, spread


@njit(nogil=True, cache=True)
def _find_surfaces(
    middle: Reals, normal: Reals, weight: Reals, slab: float, cosine: float
) -> Reals:
    """Return surfaces as rows: origin, frame (u, v, normal), six terms of the height over u, v."""
    n = len(middle)
    free = np.ones(n, np.bool_)
    total = weight.sum()
    bent = np.cos(1.5 * np.arccos(cosine))
    found = np.empty((MOST, 18))
    n_found = 0
    while n_found < MOST:
        best, most = -1, SMALLEST * total
        for i in range(n):
            if not free[i]:
                continue
            score = 0.0
            for j in range(n):
                if free[j] and _agree(middle, normal, i, j, slab, cosine):
                    score += weight[j]
            if score > most:
                best, most = i, score
        if best < 0 and n_found > 0:
            break
        if best < 0:
            best = int(np.argmax(weight))
        surface = found[n_found]
        _start(surface, middle[best], normal[best])
        for step in range(5):
            _fit(surface, middle, normal, weight, free, slab, cosine if step < 2 else bent,
                 3 if step < 2 else N_TERMS)  # fmt: skip
        n_found += 1
        for j in range(n):
            if free[j] and _lies_on(surface, middle[j], normal[j], slab, bent):
                free[j] = False
        free[best] = False
    return found[:n_found].copy()


@njit(nogil=True, cache=True)
def _agree(middle: Reals, normal: Reals, i: int, j: int, slab: float, cosine: float) -> bool:
    height = along = 0.0
    for k in range(3):
        height += normal[i, k] * (middle[j, k] - middle[i, k])
        along += normal[i, k] * normal[j, k]
    return abs(height) <= slab and abs(along) >= cosine


@njit(nogil=True, cache=True)
def _start(surface: Reals, origin: Reals, normal: Reals) -> None:
    """Set a flat surface through a point."""
    surface[:] = 0.0
    surface[:3] = origin
    _turn(surface, normal)


@njit(nogil=True, cache=True)
def _turn(surface: Reals, normal: Reals) -> None:
    """Set the frame: u along the lattice axis farthest from the normal, made square to it."""
    axis = int(np.argmin(np.abs(normal)))
    u = -normal[axis] * normal
    u[axis] += 1.0
    u /= np.sqrt((u * u).sum())
    surface[3:6] = u
    surface[6] = normal[1] * u[2] - normal[2] * u[1]
    surface[7] = normal[2] * u[0] - normal[0] * u[2]
    surface[8] = normal[0] * u[1] - normal[1] * u[0]
    surface[9:12] = normal


@njit(nogil=True, cache=True)
def _local(surface: Reals, point: Reals) -> tuple[float, float, float]:
    u = v = w = 0.0
    for k in range(3):
        gap = point[k] - surface[k]
        u += surface[3 + k] * gap
        v += surface[6 + k] * gap
        w += surface[9 + k] * gap
    return u, v, w


@njit(nogil=True, cache=True)
def _height(surface: Reals, u: float, v: float) -> float:
    c = surface[12:]
    return float(c[0] + c[1] * u + c[2] * v + c[3] * u * u + c[4] * u * v + c[5] * v * v)


@njit(nogil=True, cache=True)
def _slopes(surface: Reals, u: float, v: float) -> tuple[float, float, float]:
    """Return the slopes of a surface, and the length of its normal (-p, -q, 1)."""
    c = surface[12:]
    p, q = c[1] + 2 * c[3] * u + c[4] * v, c[2] + c[4] * u + 2 * c[5] * v
    return p, q, np.sqrt(1.0 + p * p + q * q)


@njit(nogil=True, cache=True)
def _distance(surface: Reals, point: Reals) -> float:
    """Return the distance from a surface, to first order."""
    u, v, w = _local(surface, point)
    return abs(w - _height(surface, u, v)) / _slopes(surface, u, v)[2]


@njit(nogil=True, cache=True)
def _lies_on(surface: Reals, point: Reals, normal: Reals, slab: float, cosine: float) -> bool:
    u, v, w = _local(surface, point)
    p, q, length = _slopes(surface, u, v)
    if abs(w - _height(surface, u, v)) > slab * length:
        return False
    along = 0.0
    for k in range(3):
        along += normal[k] * (surface[9 + k] - p * surface[3 + k] - q * surface[6 + k])
    return abs(along) >= cosine * length


@njit(nogil=True, cache=True)
def _fit(
    surface: Reals,
    middle: Reals,
    normal: Reals,
    weight: Reals,
    free: NDArray[np.bool_],
    slab: float,
    cosine: float,
    n_terms: int,
) -> None:
    """Fit a surface anew to the samples that lie on it; a plane becomes the frame."""
    a, b = np.zeros((N_TERMS, N_TERMS)), np.zeros(N_TERMS)
    term = np.ones(N_TERMS)
    reach = 0.0
    for j in range(len(middle)):
        if free[j] and _lies_on(surface, middle[j], normal[j], slab, cosine):
            u, v, w = _local(surface, middle[j])
            reach = max(reach, u * u + v * v)
            term[1], term[2], term[3], term[4], term[5] = u, v, u * u, u * v, v * v
            for i in range(N_TERMS):
                b[i] += weight[j] * term[i] * w
                for k in range(N_TERMS):
                    a[i, k] += weight[j] * term[i] * term[k]
    if reach == 0.0:
        return
    # A touch of stiffness: few samples on a line bend nothing.
    for i in range(n_terms):
        a[i, i] += 1e-6 * a[0, 0] * reach ** (0 if i == 0 else (1 if i < 3 else 2))
    terms = _solve(a[:n_terms, :n_terms].copy(), b[:n_terms].copy())
    surface[12:] = 0.0
    surface[12 : 12 + n_terms] = terms
    if n_terms == 3:
        turned = surface[9:12] - terms[1] * surface[3:6] - terms[2] * surface[6:9]
        turned /= np.sqrt((turned * turned).sum())
        surface[:3] += terms[0] * surface[9:12]
        surface[12:] = 0.0
        _turn(surface, turned)


@njit(nogil=True, cache=True)
def _solve(a: Reals, b: Reals) -> Reals:
    """Solve positive definite equations by elimination; loops give one answer on all machines."""
    n = len(b)
    for i in range(n):
        for j in range(i + 1, n):
            ratio = a[j, i] / a[i, i]
            for k in range(i, n):
                a[j, k] -= ratio * a[i, k]
            b[j] -= ratio * b[i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            b[i] -= a[i, k] * b[k]
        b[i] /= a[i, i]
    return b


@njit(nogil=True, cache=True)
def _measure_distances(points: Reals, surfaces: Reals) -> NDArray[np.float32]:
    away = np.empty((len(surfaces), len(points)), np.float32)
    for m in range(len(surfaces)):
        for k in range(len(points)):
            away[m, k] = _distance(surfaces[m], points[k])
    return away


def _settle(
    mask: NDArray[np.bool_], place: NDArray[np.int64], away: NDArray[np.float32]
) -> NDArray[np.int64]:
    """Return the surface of each voxel: the nearest, of which it is a connected part.

    Surfaces go on beyond their plates and cut others there; what is cut off goes to the next
    nearest.  Small members go, the smallest first.
    """
    least = SMALLEST * len(place)
    alive = np.ones(len(away), np.bool_)
    while True:
        chosen = _nearest(mask, place, np.where(alive[:, None], away, np.float32(np.inf)))
        size = np.bincount(chosen, minlength=len(away))
        size[~alive] = len(place)
        smallest = int(np.argmin(size))
        if alive.sum() == 1 or size[smallest] >= least:
            return chosen
        alive[smallest] = False


def _nearest(
    mask: NDArray[np.bool_], place: NDArray[np.int64], away: NDArray[np.float32]
) -> NDArray[np.int64]:
    chosen = np.argmin(away, axis=0)
    allowed = away.copy()
    volume = np.zeros(mask.shape, np.bool_)
    at = tuple(place.T)
    for member in range(len(away)):
        mine = chosen == member
        if not mine.any():
            continue
        volume[at] = mine
        parts = ndimage.label(volume, np.ones((3, 3, 3), np.int8))[0][at]
        size = np.bincount(parts)
        size[0] = 0
        allowed[member, mine & (parts != np.argmax(size))] = np.inf
    lost = np.isinf(allowed.min(axis=0))
    found: NDArray[np.int64] = np.where(lost, chosen, np.argmin(allowed, axis=0))
    return found


@dataclass(frozen=True, slots=True)
class Members:
    """Plates of one body, by member.

    Parameters
    ----------
    voxels : ndarray of int64, shape (n,)
        Voxels of each.
    centroid : ndarray of float64, shape (n, 3)
        Centroid in um, (z, y, x), from the low corner of the body's box.
    normal : ndarray of float64, shape (n, 3)
        Shortest principal axis.
    thickness, length, width : ndarray of float64, shape (n,)
        Mean thickness, and full axes of the inertia-equivalent ellipsoid, in um.
    """

    voxels: NDArray[np.int64]
    centroid: Reals
    normal: Reals
    thickness: Reals
    length: Reals
    width: Reals


def measure_members(members: NDArray[np.int32], voxel_um: Lengths) -> Members:
    """Measure the members of a body.

    Parameters
    ----------
    members : ndarray of int32, shape (z, y, x)
        From `split_members`.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).

    Returns
    -------
    Members
        One entry a member.
    """
    n = int(members.max())
    edge = np.array(voxel_um)
    count = np.zeros((n, 4), np.int64)
    sums, squares = np.zeros((n, 3), np.int64), np.zeros((n, 6), np.int64)
    _sum_members(members, count, sums, squares)
    size = count[:, 0].astype(np.float64)
    mean = sums / size[:, None]
    spread = np.empty((n, 6))
    for k, (i, j) in enumerate(((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))):
        value = squares[:, k] / size - mean[:, i] * mean[:, j] + (i == j) / 12.0
        spread[:, k] = value * edge[i] * edge[j]
    values, vectors = principal_axes(spread)
    normal = np.ascontiguousarray(vectors[:, 2])
    axis = np.argmax(np.abs(normal), axis=1)
    each = np.arange(n)
    lines = size / count[each, 1 + axis]
    return Members(
        voxels=count[:, 0],
        centroid=(mean + 0.5) * edge,
        normal=normal,
        thickness=lines * edge[axis] * np.abs(normal[each, axis]),
        length=2.0 * np.sqrt(5.0 * values[:, 0]),
        width=2.0 * np.sqrt(5.0 * values[:, 1]),
    )


@njit(nogil=True, cache=True)
def _sum_members(
    members: NDArray[np.int32],
    count: NDArray[np.int64],
    sums: NDArray[np.int64],
    squares: NDArray[np.int64],
) -> None:
    """Count voxels, and lines along each axis by their first voxels; sum places and products."""
    for z in range(members.shape[0]):
        for y in range(members.shape[1]):
            for x in range(members.shape[2]):
                k = members[z, y, x] - 1
                if k < 0:
                    continue
                count[k, 0] += 1
                count[k, 1] += z == 0 or members[z - 1, y, x] != k + 1
                count[k, 2] += y == 0 or members[z, y - 1, x] != k + 1
                count[k, 3] += x == 0 or members[z, y, x - 1] != k + 1
                sums[k, 0] += z
                sums[k, 1] += y
                sums[k, 2] += x
                squares[k, 0] += z * z
                squares[k, 1] += y * y
                squares[k, 2] += x * x
                squares[k, 3] += z * y
                squares[k, 4] += z * x
                squares[k, 5] += y * x
