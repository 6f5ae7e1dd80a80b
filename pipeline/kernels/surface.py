"""Watertight smooth surface of a body of voxels, with the body's volume and topology.

Marching cubes (Lewiner, Lopes, Vieira and Tavares 2003, J. Graph. Tools 8(2), 1-15) gives the
surface its topology; it cuts the edges and corners off a body of whole voxels, and that volume is
given back where it was cut, not all around, so that plates stay as thin as they are.  Smoothing
then moves no volume (`pipeline.kernels.relaxation`) and no vertex farther than half a voxel.

Coordinates of surfaces are (x, y, z), as files of surfaces have them; arrays are (z, y, x).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, uniform_filter
from skimage.measure import marching_cubes

from pipeline.kernels.relaxation import Rings, find_rings, relax_surface_
from pipeline.kernels.trianglegrid import find_crossings, sort_triangles

N_SWEEPS = 10
"""Passes of smoothing; more change little, since vertices stay within half a voxel."""

_LEVEL = 0.45
"""Level of the surface between 0 and 1.

Under one half, voxels that share an edge hang together.  At one half, cells that share a face with
two such voxels may decide differently, and the surface gets holes.
"""

_MOST_VX = 0.45
"""Farthest that a vertex is moved to give volume back."""

_FREEZINGS = 6

Points = NDArray[np.float64]
Faces = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Surface:
    """A closed surface of triangles.

    Parameters
    ----------
    vertices : ndarray of float64, shape (n_vertices, 3)
        Positions (x, y, z) in um.
    faces : ndarray of int64, shape (n_faces, 3)
        Corners of triangles, anticlockwise seen from outside.
    """

    vertices: Points
    faces: Faces

    @property
    def volume_um3(self) -> float:
        """Enclosed volume in um3; cavities count as outside."""
        return enclosed_volume(self.vertices, self.faces)

    @property
    def area_um2(self) -> float:
        """Area in um2."""
        return float(np.linalg.norm(_face_vectors(self.vertices, self.faces), axis=1).sum() / 2)

    @property
    def normals(self) -> Points:
        """Unit normals of the vertices, outwards, weighted by area."""
        vectors = area_vectors(self.vertices, self.faces)
        size = np.linalg.norm(vectors, axis=1, keepdims=True)
        return np.asarray(vectors / np.maximum(size, 1e-300))


def enclosed_volume(vertices: Points, faces: Faces) -> float:
    """Return the volume inside a closed surface: a sum of signed tetrahedra about its middle."""
    middle = vertices.mean(0)
    vectors = _face_vectors(vertices, faces)
    return float(np.einsum("ij,ij->", vertices[faces[:, 0]] - middle, vectors) / 6)


def area_vectors(vertices: Points, faces: Faces) -> Points:
    """Return for each vertex the sum of the vectors of its triangles, each twice its area long."""
    vectors = _face_vectors(vertices, faces)
    out = np.zeros_like(vertices)
    for k in range(3):
        for axis in range(3):
            out[:, axis] += np.bincount(faces[:, k], vectors[:, axis], len(vertices))
    return out


def shift_to_volume(
    vertices: Points, faces: Faces, weights: Points, target_um3: float, most: Points
) -> Points:
    """Move vertices along their normals until the surface encloses a volume.

    Parameters
    ----------
    vertices, faces : ndarray
        A closed surface.
    weights : ndarray of float64, shape (n,)
        Relative ways of the vertices.
    target_um3 : float
        Volume wanted.
    most : ndarray of float64, shape (3,)
        Longest way of a vertex along each axis.

    Returns
    -------
    ndarray of float64, shape (n, 3)
        Moved positions; where the longest ways do not suffice, the volume stays short.
    """
    moved = vertices
    for _ in range(8):
        missing = target_um3 - enclosed_volume(moved, faces)
        if abs(missing) <= 1e-12 * target_um3:
            break
        vectors = area_vectors(moved, faces)
        size = np.linalg.norm(vectors, axis=1)
        gain = float((weights * size).sum() / 6)
        if gain <= 0.0:
            break
        way = (weights * missing / gain)[:, None] * vectors / np.maximum(size, 1e-300)[:, None]
        moved = vertices + np.clip(moved + way - vertices, -most, most)
    return moved


def meshing_bytes(mask: NDArray[np.bool_]) -> int:
    """Return about how many bytes meshing and decimating a body takes at its peak.

    Measured: 20 bytes a voxel of the array and up to 1000 a triangle, of which there are about two
    for each side of a voxel that is bare.
    """
    sides = sum(int(np.count_nonzero(np.diff(mask, axis=axis))) for axis in range(3))
    for axis in range(3):
        sides += int(np.count_nonzero(mask.take([0, -1], axis)))
    return 20 * mask.size + 2000 * sides


def mesh_surface(
    mask: NDArray[np.bool_],
    voxel_um: tuple[float, float, float],
    origin_um: tuple[float, float, float] = (0.0, 0.0, 0.0),
    n_sweeps: int = N_SWEEPS,
) -> Surface:
    """Return the smooth surface of a body.

    Parameters
    ----------
    mask : ndarray of bool, shape (z, y, x)
        Voxels of the body, at least one; at the faces of the array it is closed.
    voxel_um : tuple of float
        Edges of a voxel, (z, y, x).
    origin_um : tuple of float
        Low corner of the array, (z, y, x).
    n_sweeps : int
        Passes of smoothing; 0 gives the volume back and smooths nothing.

    Returns
    -------
    Surface
        Closed and oriented.  Its Euler number is twice that of the body with 18 neighbours:
        voxels that share a face or an edge hang together, those that share only a corner lie in
        shells of their own.  A single voxel becomes a round octahedron of its volume.

    Raises
    ------
    ValueError
        If there is no voxel.

    Notes
    -----
    Memory: see `meshing_bytes`.
    """
    if not mask.any():
        raise ValueError("a body without voxels has no surface")
    padded = np.pad(mask, 2)
    found, faces = _march(padded)
    edges = np.array(voxel_um[::-1])
    target = float(np.count_nonzero(mask)) * float(edges.prod())
    weights = np.maximum(_missing(padded, found), 0.0)
    # From indices of padded voxels to um; the middle of voxel 0 lies at half an edge.
    start = (found[:, ::-1] - 1.5) * edges
    faces = np.ascontiguousarray(faces[:, ::-1])
    if enclosed_volume(start, faces) < 0.0:
        faces = np.ascontiguousarray(faces[:, ::-1])
    rings = find_rings(faces, len(start))
    vertices = _fit(start, faces, rings, weights, target, edges, n_sweeps)
    return Surface(vertices + np.array(origin_um[::-1]), faces)


def _fit(
    start: Points,
    faces: Faces,
    rings: Rings,
    weights: Points,
    target: float,
    edges: Points,
    n_sweeps: int,
) -> Points:
    """Give volume back and smooth; vertices of triangles that come to cross stay where they were.

    Marching cubes' own surface does not cross itself.
    """
    free = np.ones(len(start))
    for _ in range(_FREEZINGS):
        most = _MOST_VX * edges
        moved = shift_to_volume(start, faces, weights * free, target, most)
        moved = shift_to_volume(moved, faces, free, target, most)
        reach = np.where(free[:, None] > 0, 0.5 * edges, 0.0)
        relax_surface_(moved, rings, start, reach, n_sweeps)
        crossing = find_crossings(sort_triangles(moved, faces))
        if not len(crossing):
            return moved
        stuck = np.zeros(len(start), bool)
        stuck[faces[crossing.ravel()].ravel()] = True
        # Their neighbours too: a triangle between a moved and a fixed vertex may cross next.
        free[faces[stuck[faces].any(1)].ravel()] = 0.0
    return start


def _march(padded: NDArray[np.bool_]) -> tuple[Points, Faces]:
    """Return marching cubes' surface, with vertices halfway between voxels, as (z, y, x)."""
    found, faces, _, _ = marching_cubes(  # type: ignore[no-untyped-call]
        padded.astype(np.float32), _LEVEL
    )
    low = np.floor(found)
    off = found - low
    halfway = np.where((off > 1e-3) & (off < 1 - 1e-3), low + 0.5, np.rint(found))
    return halfway.astype(np.float64), faces.astype(np.int64)


def _missing(padded: NDArray[np.bool_], found: Points) -> Points:
    """Return how much less than half of a vertex's surroundings is body: more at convex edges."""
    share = uniform_filter(padded.astype(np.float32), 3, mode="constant")
    return np.asarray(0.5 - map_coordinates(share, found.T, order=1), np.float64)


def _face_vectors(vertices: Points, faces: Faces) -> Points:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return np.asarray(np.cross(b - a, c - a))
