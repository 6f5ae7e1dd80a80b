"""What stands at each vertex of a surface: thickness and curvature; and the quality of a mesh."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.kernels.decimation import euler_number, split_shells
from pipeline.kernels.relaxation import find_rings
from pipeline.kernels.surface import Surface, area_vectors
from pipeline.kernels.trianglegrid import cast_rays, find_crossings, sort_triangles

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MeshQuality:
    """Figures by which a surface can be judged.

    Parameters
    ----------
    n_vertices, n_faces, n_shells : int
        Sizes; a cavity is a shell of its own, and so is a part that hangs on by corners only.
    n_cavities : int
        Shells that bound a cavity.
    euler_number : int
        Of the surface: twice the shells minus twice the tunnels.
    watertight : bool
        Whether every edge belongs to two triangles, once in each direction.
    volume_um3, area_um2 : float
        Enclosed volume and area.
    volume_error : float
        Relative difference of the volume from that of the voxels.
    aspect_median, aspect_p99, aspect_max : float
        Aspect ratios of triangles: longest edge times half the perimeter over 2 sqrt(3) areas;
        1 for equal edges.
    n_crossings : int
        Pairs of triangles that cross.
    """

    n_vertices: int
    n_faces: int
    n_shells: int
    n_cavities: int
    euler_number: int
    watertight: bool
    volume_um3: float
    area_um2: float
    volume_error: float
    aspect_median: float
    aspect_p99: float
    aspect_max: float
    n_crossings: int


def measure_quality(surface: Surface, voxels_um3: float) -> MeshQuality:
    """Return the quality of a surface.

    Parameters
    ----------
    surface : Surface
        The surface.
    voxels_um3 : float
        Volume of the voxels that it stands for.

    Returns
    -------
    MeshQuality
        Its figures.
    """
    aspects = aspect_ratios(surface)
    volume = surface.volume_um3
    shells = split_shells(surface)
    return MeshQuality(
        n_vertices=len(surface.vertices),
        n_faces=len(surface.faces),
        n_shells=len(shells),
        n_cavities=sum(shell.volume_um3 < 0.0 for shell in shells),
        euler_number=euler_number(surface),
        watertight=is_watertight(surface),
        volume_um3=volume,
        area_um2=surface.area_um2,
        volume_error=volume / voxels_um3 - 1.0,
        aspect_median=float(np.median(aspects)),
        aspect_p99=float(np.percentile(aspects, 99)),
        aspect_max=float(aspects.max()),
        n_crossings=len(find_crossings(sort_triangles(surface.vertices, surface.faces))),
    )


def is_watertight(surface: Surface) -> bool:
    """Tell whether every edge belongs to two triangles, once in each direction."""
    try:
        find_rings(surface.faces, len(surface.vertices))
    except ValueError:
        return False
    return True


def aspect_ratios(surface: Surface) -> Values:
    """Return the aspect ratio of each triangle, 1 for equal edges and infinite without area."""
    t = surface.vertices[surface.faces]
    edges = np.linalg.norm(t - np.roll(t, 1, 1), axis=2)
    areas = np.linalg.norm(np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0]), axis=1) / 2
    with np.errstate(divide="ignore"):
        return np.asarray(edges.max(1) * edges.sum(1) / (4 * np.sqrt(3) * areas))


def sample_voxels(
    surface: Surface,
    field: NDArray[Any],
    mask: NDArray[np.bool_],
    voxel_um: tuple[float, float, float],
    origin_um: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> NDArray[Any]:
    """Return at each vertex the value of the nearest voxel of the body, such as a stress.

    Parameters
    ----------
    surface : Surface
        Surface of the body.
    field : ndarray, shape (z, y, x)
        Values of voxels; those outside the body are not looked at.
    mask : ndarray of bool, shape (z, y, x)
        Voxels of the body.
    voxel_um : tuple of float
        Edges of a voxel, (z, y, x).
    origin_um : tuple of float
        Low corner of the array, (z, y, x).

    Returns
    -------
    ndarray, shape (n_vertices,)
        Values, of the field's type.
    """
    inside = np.argwhere(mask)
    tree = cKDTree((inside + 0.5) * voxel_um)
    nearest = tree.query(surface.vertices[:, ::-1] - np.array(origin_um))[1]
    return np.asarray(field[tuple(inside[nearest].T)])


def measure_thickness(surface: Surface) -> Values:
    """Return the thickness below each vertex in um: how far the inward normal stays inside.

    Parameters
    ----------
    surface : Surface
        Closed surface.

    Returns
    -------
    ndarray of float64, shape (n_vertices,)
        Lengths in um.
    """
    grid = sort_triangles(surface.vertices, surface.faces)
    lengths = cast_rays(grid, surface.vertices, -surface.normals)
    # At the tip of a needle a ray may graze past every triangle: the rim's own thickness is 0.
    return np.where(np.isfinite(lengths), lengths, 0.0)


def measure_curvature(surface: Surface) -> Values:
    """Return the mean curvature at each vertex in 1/um: 1/R on a ball, negative in a dent.

    Parameters
    ----------
    surface : Surface
        Closed surface.

    Returns
    -------
    ndarray of float64, shape (n_vertices,)
        Mean of the two principal curvatures, by cotangents over a third of the area around a
        vertex (Meyer, Desbrun, Schroeder and Barr 2003).
    """
    x, f = surface.vertices, surface.faces
    bend = np.zeros_like(x)
    area = np.zeros(len(x))
    for k in range(3):
        a, b, c = f[:, k], f[:, (k + 1) % 3], f[:, (k + 2) % 3]
        u, v = x[b] - x[a], x[c] - x[a]
        double = np.maximum(np.linalg.norm(np.cross(u, v), axis=1), 1e-300)
        # The angle at a weighs the edge opposite.
        pull = (np.einsum("ij,ij->i", u, v) / double)[:, None] * (x[b] - x[c])
        for axis in range(3):
            bend[:, axis] += np.bincount(b, pull[:, axis], len(x))
            bend[:, axis] -= np.bincount(c, pull[:, axis], len(x))
        area += np.bincount(a, double / 6, len(x))
    normals = area_vectors(x, f)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    # The sum over edges is twice the vector area gradient, 4 H A long.
    return np.asarray(np.einsum("ij,ij->i", bend, normals) / (4 * area))
