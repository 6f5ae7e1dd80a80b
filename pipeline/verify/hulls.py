"""Sizes of convex hulls by Qhull and NumPy, from the voxels of whole particles."""

from __future__ import annotations

from importlib.metadata import version

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import ConvexHull
from scipy.spatial.distance import pdist

from pipeline.verify.references import Labels, Reals
from pipeline.verify.volumes import Edges

QHULL = f"SciPy {version('scipy')}, Qhull"

N_SEARCHED = 4
"""Particles of a phase, the longest, whose calipers are searched among all pairs of edges."""


def measure_hulls_whole(
    labels: Labels, voxel_um: Edges, axes: Reals, load_axis: Edges
) -> dict[str, Reals]:
    """Measure the convex hull of every particle's voxels.

    Parameters
    ----------
    labels : ndarray of int
        Ids from 1, without gaps.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).
    axes : ndarray of float64, shape (n, 3, 3)
        Unit vectors along which each particle's extents are wanted.
    load_axis : tuple of float
        Direction of the load.

    Returns
    -------
    dict of str to ndarray
        By the name of the catalogue's column; ``caliper_on_facets_um`` is no less than the
        smallest caliper.
    """
    rows = []
    for number, box in enumerate(ndimage.find_objects(labels), 1):
        body = labels[box] == number
        points = corner_points(body) * np.array(voxel_um)
        hull = ConvexHull(points)
        corners = points[hull.vertices]
        extents = np.ptp(corners @ axes[number - 1].T, axis=0)
        area = shadow(body, corners, voxel_um, load_axis)
        rows.append(
            (
                hull.volume,
                body.sum() * np.prod(voxel_um) / hull.volume,
                pdist(corners).max(),
                _between_faces(body, voxel_um),
                _mean_caliper(points, hull),
                *extents,
                area,
                np.sqrt(area),
                np.ptp(corners @ hull.equations[:, :3].T, axis=0).min(),
            )
        )
    names = (
        "convex_volume_um3", "solidity", "feret_max_um", "feret_max_faces_um", "feret_mean_um",
        "extent_major_um", "extent_intermediate_um", "extent_minor_um", "projected_area_um2",
        "sqrt_projected_area_um", "caliper_on_facets_um",
    )  # fmt: skip
    return dict(zip(names, np.array(rows).T, strict=True))


def corner_points(body: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the corners of the voxels of a body that can be corners of its hull."""
    inner = np.pad(body, 1)
    ends = inner & ~(np.roll(inner, 1, 2) & np.roll(inner, -1, 2))
    voxels = np.argwhere(ends[1:-1, 1:-1, 1:-1])
    steps = np.array(list(np.ndindex(2, 2, 2)))
    return np.asarray(np.unique((voxels[:, None] + steps).reshape(-1, 3), axis=0))


def _between_faces(body: NDArray[np.bool_], voxel_um: Edges) -> float:
    """Return the longest distance of two middles of a body's voxel faces."""
    edge = np.array(voxel_um)
    faces = np.vstack([np.eye(3), -np.eye(3)]) * edge / 2
    points = (np.argwhere(body) * edge)[:, None] + faces
    points = points.reshape(-1, 3)
    return float(pdist(points[ConvexHull(points).vertices]).max())


def shadow(body: NDArray[np.bool_], corners: Reals, voxel_um: Edges, load_axis: Edges) -> float:
    """Return the lesser of the hull's shadow and of the lines of voxels that meet the body."""
    across = np.linalg.svd(np.array(load_axis)[None])[2][1:]
    area = float(ConvexHull(corners @ across.T).volume)
    if np.count_nonzero(load_axis) > 1:
        return area
    axis = int(np.argmax(np.abs(load_axis)))
    starts = np.diff(body.astype(np.int8), axis=axis, prepend=0) > 0
    return min(area, float(starts.sum() * np.prod(voxel_um) / voxel_um[axis]))


def _mean_caliper(points: Reals, hull: ConvexHull) -> float:
    """Return the mean caliper: edges times their outer angles over 4 pi."""
    f = np.repeat(np.arange(len(hull.simplices)), 3)
    g = hull.neighbors.ravel()
    # Neighbour k lies opposite corner k: the edge holds the other two.
    ends = hull.simplices[:, [1, 2, 0, 2, 0, 1]].reshape(-1, 2)
    length = np.linalg.norm(points[ends[:, 0]] - points[ends[:, 1]], axis=1)
    one, two = hull.equations[f, :3], hull.equations[g, :3]
    angle = np.arctan2(np.linalg.norm(np.cross(one, two), axis=1), (one * two).sum(1))
    # Every edge was met from both of its facets.
    return float((length * angle).sum() / (8 * np.pi))


def search_calipers(body: NDArray[np.bool_], voxel_um: Edges) -> tuple[float, list[float]]:
    """Search the smallest caliper of a body among all facets and pairs of edges.

    Parameters
    ----------
    body : ndarray of bool
        The body.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).

    Returns
    -------
    smallest : float
        The smallest caliper.
    across : list of float
        The smallest caliper at right angles to it; several where several directions tie.
    """
    points = corner_points(body) * np.array(voxel_um)
    hull = ConvexHull(points)
    corners = points[hull.vertices]
    ends = np.unique(np.sort(hull.simplices[:, [0, 1, 1, 2, 0, 2]].reshape(-1, 2), 1), axis=0)
    edges = points[ends[:, 1]] - points[ends[:, 0]]
    edges = np.unique((edges / np.linalg.norm(edges, axis=1, keepdims=True)).round(12), axis=0)
    first, second = np.triu_indices(len(edges), 1)
    crossed = np.cross(edges[first], edges[second])
    length = np.linalg.norm(crossed, axis=1)
    crossed = crossed[length > 1e-9] / length[length > 1e-9, None]
    normals = np.vstack([hull.equations[:, :3], crossed])
    calipers = np.ptp(corners @ normals.T, axis=0)
    smallest = float(calipers.min())
    best = np.unique(normals[calipers <= smallest * (1 + 1e-9)].round(9), axis=0)
    return smallest, [_caliper_across(corners, normal) for normal in best]


def _caliper_across(corners: Reals, normal: Reals) -> float:
    flat = corners @ np.linalg.svd(normal[None])[2][1:].T
    return float(np.ptp(flat @ ConvexHull(flat).equations[:, :2].T, axis=0).min())
