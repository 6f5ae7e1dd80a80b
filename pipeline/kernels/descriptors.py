"""Physical quantities of particles from their merged tallies: the one place that makes floats.

Every formula is evaluated once, on exact integers, in a fixed order, so equal tallies give equal
bits.  The body of a particle is the union of its voxels.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import SphericalVoronoi

from pipeline.kernels.cells import (
    CELLS_PER_STEP,
    DIRECTIONS,
    EULER,
    PER_SECTION,
    SECTION_NORMALS,
    SECTIONS,
)
from pipeline.kernels.reduce import MergedTallies
from pipeline.kernels.tally import (
    BORDER,
    CELL,
    EDGE,
    GREY,
    GREY_MAX,
    GREY_MIN,
    HIGH,
    LOW,
    SUM,
    N,
)

Reals = NDArray[np.float64]
Triple3 = tuple[float, float, float]

RESOLVED_VX = 3.0
"""Thickness in voxels under which a shape is flagged (common practice, no source)."""


def crofton_weights(voxel_um: Triple3) -> Reals:
    """Return the weights of the 13 directions: shares of the sphere nearest to each, summing to 1.

    Parameters
    ----------
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x); on an anisotropic lattice the directions tilt.

    Returns
    -------
    ndarray of float64, shape (13,)
        Weight of each of `pipeline.kernels.cells.DIRECTIONS`, both senses together (Ohser &
        Muecklich 2000, ch. 4).

    Examples
    --------
    >>> crofton_weights((1.0, 1.0, 1.0)).round(6)[[0, 3, 9]].tolist()
    [0.091556, 0.073961, 0.070391]
    """
    steps = np.array(DIRECTIONS) * np.array(voxel_um)
    units = steps / np.sqrt((steps**2).sum(1, keepdims=True))
    areas = SphericalVoronoi(np.concatenate([units, -units])).calculate_areas()
    return np.asarray((areas[:13] + areas[13:]) / (4.0 * np.pi))


def measure_surface(crossings: NDArray[np.int64], voxel_um: Triple3) -> Reals:
    """Return surface areas by Crofton's formula.

    Parameters
    ----------
    crossings : ndarray of int64, shape (n, 13)
        Summed crossings by direction, each counted in every cell that holds its step.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).

    Returns
    -------
    ndarray of float64, shape (n,)
        Areas in um2.
    """
    steps = np.sqrt(((np.array(DIRECTIONS) * np.array(voxel_um)) ** 2).sum(1))
    per_crossing = 2.0 * crofton_weights(voxel_um) * float(np.prod(voxel_um)) / steps
    area = np.zeros(crossings.shape[0])
    for k, cells in enumerate(CELLS_PER_STEP):
        area += crossings[:, k] * (per_crossing[k] / cells)
    return area


def measure_curvature(sections: NDArray[np.int64], voxel_um: Triple3) -> Reals:
    """Return integrals of mean curvature over surfaces, from Euler numbers of plane sections.

    Parameters
    ----------
    sections : ndarray of int64, shape (n, 7 or more)
        Summed counts of sections by `pipeline.kernels.cells.SECTION_NORMALS`.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).

    Returns
    -------
    ndarray of float64, shape (n,)
        Integrals in um: 2 pi times the mean over 13 normals of the Euler numbers of all sections
        times their distance, weighted by the normals' Voronoi cells on the sphere (Ohser &
        Muecklich 2000, ch. 4; Crofton's formula for planes).
    """
    inverse = (1.0 / voxel_um[0], 1.0 / voxel_um[1], 1.0 / voxel_um[2])
    weights = crofton_weights(inverse)
    total = np.zeros(sections.shape[0])
    for k, normal in enumerate(SECTION_NORMALS):
        distance = 1.0 / np.sqrt(sum((normal[i] * inverse[i]) ** 2 for i in range(3)))
        weight = weights[DIRECTIONS.index(normal)]
        total += sections[:, k] * (2.0 * np.pi * weight * distance / PER_SECTION[k])
    return total


def describe_particles(
    merged: MergedTallies,
    voxel_um: Triple3,
    load_axis: Triple3,
    grey_gain: float,
    grey_offset: float,
) -> dict[str, NDArray[np.generic]]:
    """Derive every descriptor of the catalogue.

    Parameters
    ----------
    merged : MergedTallies
        Tallies of n particles.
    voxel_um : tuple of float
        Edge lengths of a voxel in um, (z, y, x).
    load_axis : tuple of float
        Direction of the load, (z, y, x), of any length.
    grey_gain, grey_offset : float
        Source grey = gain * conditioned grey + offset.

    Returns
    -------
    dict of str to ndarray, each of shape (n,)
        Columns of `pipeline.model.records.PARTICLES` without keys and ids.
    """
    t = merged.narrow
    n = t[:, N].astype(np.float64)
    volume = n * float(np.prod(voxel_um))
    surface = measure_surface(t[:, CELL : CELL + 13], voxel_um)
    diameter = np.cbrt(6.0 * volume / np.pi)
    columns: dict[str, NDArray[np.generic]] = {
        "n_voxels": t[:, N],
        "volume_um3": volume,
        "equivalent_diameter_um": diameter,
        "surface_um2": surface,
        "sphericity": np.pi * diameter * diameter / surface,
        "thickness_um": 2.0 * volume / surface,
        "euler_number": t[:, CELL + EULER] // 8,
        "touches_border": t[:, BORDER] > 0,
        "touches_mask_edge": t[:, EDGE] > 0,
        "is_open": (t[:, BORDER] > 0) | (t[:, EDGE] > 0),
    }
    for i, axis in enumerate("zyx"):
        columns[f"bbox_{axis}_start_vx"] = t[:, LOW + i]
        columns[f"bbox_{axis}_stop_vx"] = t[:, HIGH + i]
        columns[f"centroid_{axis}_um"] = (t[:, LOW + i] + t[:, SUM + i] / n + 0.5) * voxel_um[i]
    curvature = measure_curvature(t[:, CELL + SECTIONS :], voxel_um)
    columns["mean_curvature_integral_um"] = curvature
    columns["mean_caliper_um"] = curvature / (2.0 * np.pi)
    columns |= _describe_axes(merged, n, voxel_um, load_axis)
    columns |= _describe_grey(merged, n, grey_gain, grey_offset)
    return columns


def covariance(merged: MergedTallies, n: Reals, voxel_um: Triple3) -> Reals:
    """Return the covariance of position over each particle's body, in um2.

    Parameters
    ----------
    merged : MergedTallies
        Tallies of n particles.
    n : ndarray of float64
        Their voxels.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).

    Returns
    -------
    ndarray of float64, shape (n, 6)
        zz, yy, xx, zy, zx, yx.  A voxel's own extent adds 1/12 of its squared edge, which makes a
        box of whole voxels exact.
    """
    mean = [merged.narrow[:, SUM + i] / n for i in range(3)]
    second = merged.wide()
    out = np.empty((n.size, 6))
    for k, (i, j) in enumerate(((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))):
        value = second[:, k] / n - mean[i] * mean[j] + (1.0 / 12.0 if i == j else 0.0)
        out[:, k] = value * voxel_um[i] * voxel_um[j]
    return out


def _describe_axes(
    merged: MergedTallies, n: Reals, voxel_um: Triple3, load_axis: Triple3
) -> dict[str, NDArray[np.generic]]:
    spread, vectors = principal_axes(covariance(merged, n, voxel_um))
    # An ellipsoid's semi-axis is sqrt(5 l) for an eigenvalue l of its covariance.
    lengths = 2.0 * np.sqrt(5.0 * spread)
    load = np.array(load_axis) / np.sqrt(np.dot(load_axis, load_axis))
    minor = vectors[:, 2]
    along = np.abs(minor[:, 0] * load[0] + minor[:, 1] * load[1] + minor[:, 2] * load[2])
    edge = np.sqrt(sum((minor[:, i] * voxel_um[i]) ** 2 for i in range(3)))
    columns: dict[str, NDArray[np.generic]] = {
        "major_um": lengths[:, 0],
        "intermediate_um": lengths[:, 1],
        "minor_um": lengths[:, 2],
        "elongation": lengths[:, 1] / lengths[:, 0],
        "flatness": lengths[:, 2] / lengths[:, 1],
        "load_angle_deg": np.degrees(np.arccos(np.minimum(along, 1.0))),
        "under_resolved": np.sqrt(12.0 * spread[:, 2]) < RESOLVED_VX * edge,
    }
    for i, axis in enumerate("zyx"):
        columns[f"major_{axis}"] = vectors[:, 0, i]
        columns[f"minor_{axis}"] = vectors[:, 2, i]
    return columns


def _describe_grey(
    merged: MergedTallies, n: Reals, gain: float, offset: float
) -> dict[str, NDArray[np.generic]]:
    t = merged.narrow
    low = t[:, GREY_MIN]
    # Sum of squares about the least grey, in integers: what is left to round is the spread, not
    # the level.  Words keep it exact for bodies whose sums outgrow 64 bits.
    mean_above = (t[:, GREY] - t[:, N] * low) / n
    squares = merged.wide()[:, 6] - (2.0 * low) * t[:, GREY] + n * low.astype(np.float64) ** 2
    variance = np.maximum(squares / n - mean_above * mean_above, 0.0)
    return {
        "grey_mean": (low + mean_above) * gain + offset,
        "grey_sd": np.sqrt(variance) * gain,
        "grey_min": low * gain + offset,
        "grey_max": t[:, GREY_MAX] * gain + offset,
    }


def principal_axes(matrices: Reals) -> tuple[Reals, Reals]:
    """Return eigenvalues and eigenvectors of symmetric 3x3 matrices by cyclic Jacobi rotations.

    Parameters
    ----------
    matrices : ndarray of float64, shape (n, 6)
        zz, yy, xx, zy, zx, yx.

    Returns
    -------
    values : ndarray of float64, shape (n, 3)
        Eigenvalues, largest first.
    vectors : ndarray of float64, shape (n, 3, 3)
        ``vectors[i, k]`` is the unit vector (z, y, x) of ``values[i, k]``; its component of the
        largest magnitude is positive.

    Notes
    -----
    Written here rather than taken from LAPACK so that the bits do not depend on which optimised
    library a machine has.
    """
    values, vectors = np.empty((len(matrices), 3)), np.empty((len(matrices), 3, 3))
    _principal_axes(matrices, values, vectors)
    return values, vectors


@njit(nogil=True, cache=True)
def _rotate(a: Reals, v: Reals, p: int, q: int) -> None:
    """Zero the element (p, q) of a symmetric matrix by a plane rotation (Golub & Van Loan 8.5)."""
    if a[p, q] == 0.0:
        return
    theta = (a[q, q] - a[p, p]) / (2.0 * a[p, q])
    t = 1.0 / (abs(theta) + np.sqrt(theta * theta + 1.0))
    if theta < 0.0:
        t = -t
    c = 1.0 / np.sqrt(t * t + 1.0)
    s = t * c
    for k in range(3):
        u, w = a[k, p], a[k, q]
        a[k, p], a[k, q] = c * u - s * w, s * u + c * w
    for k in range(3):
        u, w = a[p, k], a[q, k]
        a[p, k], a[q, k] = c * u - s * w, s * u + c * w
        u, w = v[p, k], v[q, k]
        v[p, k], v[q, k] = c * u - s * w, s * u + c * w
    a[p, q] = 0.0
    a[q, p] = 0.0


@njit(nogil=True, cache=True)
def _principal_axes(matrices: Reals, values: Reals, vectors: Reals) -> None:
    for i in range(matrices.shape[0]):
        m = matrices[i]
        a = np.array([[m[0], m[3], m[4]], [m[3], m[1], m[5]], [m[4], m[5], m[2]]])
        v = np.eye(3)
        for _ in range(12):
            _rotate(a, v, 0, 1)
            _rotate(a, v, 0, 2)
            _rotate(a, v, 1, 2)
        order = np.argsort(np.array([-a[0, 0], -a[1, 1], -a[2, 2]]), kind="mergesort")
        for k in range(3):
            row = v[order[k]]
            largest = 0
            for j in range(1, 3):
                if abs(row[j]) > abs(row[largest]):
                    largest = j
            sign = 1.0 if row[largest] >= 0.0 else -1.0
            values[i, k] = a[order[k], order[k]]
            for j in range(3):
                vectors[i, k, j] = sign * row[j]
