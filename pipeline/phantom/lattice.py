"""The lattice of cells that owns the bodies of a simulated specimen, and their random numbers.

Space is cut into cells of `CELL_VX` voxels, without end in any direction.  The bodies that a cell
owns depend on the seed and the place of the cell only, so that a tile finds its bodies from the
cells around it, whatever the size of the volume, and no global list is ever needed.

Coordinates are index coordinates: the centre of voxel (0, 0, 0) is the origin.

Numbers come from Philox-4x64 (Salmon et al., SC11, 2011) in raw 64-bit words, whose values NumPy
promises to keep, and not from its distributions, whose values it may change.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.model.grid import Triple

CELL_VX = 64
N_HOLES = 2
PLATE, ELLIPSOID, CAPSULE, BENT_PLATE = 0, 1, 2, 3
PLAIN, BRANCH, WALL, SCRIPT, SHRINKAGE, OPEN = 0, 1, 2, 3, 4, 5
ROLES = ("plain", "branch", "wall", "script", "shrinkage", "open")
BODY_DTYPE = np.dtype(
    [
        ("body_id", "i8"),  # parts of one tree share it and follow each other
        ("parent_id", "i8"),  # what it broke from, sits on, leaves or walls in; -1
        ("phase", "u1"),
        ("shape", "u1"),  # PLATE, ELLIPSOID, CAPSULE or BENT_PLATE
        ("role", "u1"),  # place in ROLES
        ("on_platelet", "?"),
        ("walled", "?"),
        ("centre", "f8", (3,)),  # (z, y, x), index coordinates
        ("axes", "f8", (3, 3)),  # unit vectors u, v, w as rows; w is the normal of a plate
        # Semi-axes along u, v, w; along w half the thickness of a plate.  Of a capsule: half the
        # length of its axis, then twice its radius.
        ("semi", "f8", (3,)),
        ("span", "f8", (2,)),  # part of the u axis that a (fragment of a) plate keeps
        ("bend", "f8"),  # curvature of a bent plate along u, 1/voxel
        ("holes", "f8", (N_HOLES, 3)),  # of a bent plate: u, v, radius; radius 0 for none
        ("low", "f8", (3,)),  # bounding box
        ("high", "f8", (3,)),
    ]
)
Bodies = NDArray[np.void]

FRAGMENT_BITS = 3
N_DRAWS = 16  # numbers kept for each body; unused ones cost nothing that matters
_LOCAL_BITS, _CELL_BITS, _CELL_BIAS = 18, 14, 64  # with FRAGMENT_BITS 63 bits in all
_ROLE_BITS = 3


def _cell_bits(cell: Triple) -> tuple[int, int, int]:
    biased = (cell[0] + _CELL_BIAS, cell[1] + _CELL_BIAS, cell[2] + _CELL_BIAS)
    if not all(0 <= b < 1 << _CELL_BITS for b in biased):
        raise ValueError(f"cell {cell} lies outside the lattice")
    return biased


def draw_numbers(seed: int, stream: int, cell: Triple, n: int) -> NDArray[np.float64]:
    """Return the first random numbers in (0, 1) of one stream of a cell."""
    z, y, x = _cell_bits(cell)
    raw = np.random.Philox(key=[seed, stream], counter=[0, z, y, x]).random_raw(n)
    return (raw >> np.uint64(11)).astype(np.float64) * 2.0**-53 + 2.0**-54


def draw(
    seed: int, stream: int, cell: Triple, mean: float, n_draws: int = N_DRAWS
) -> NDArray[np.float64]:
    """Return one row of random numbers in (0, 1) for each body of one kind in a cell.

    The number of bodies is the mean rounded up or down at random: it varies less from cell to
    cell than a Poisson number, so that a small volume too has a sensible content.
    """
    n_most = math.floor(mean) + 1
    u = draw_numbers(seed, stream, cell, n_most * n_draws + 1)
    n = math.floor(mean + u[0])
    return u[1:].reshape(n_most, n_draws)[:n]


def make_ids(cell: Triple, phase: int, n: int, role: int = PLAIN) -> NDArray[np.int64]:
    """Return body ids, unique in the lattice: cell, phase, role, number in the cell, fragment 0."""
    place = 0
    for b in _cell_bits(cell):
        place = place << _CELL_BITS | b
    base = (place << _LOCAL_BITS) + (phase << (_LOCAL_BITS - 2))
    base += role << (_LOCAL_BITS - 2 - _ROLE_BITS)
    return (base + np.arange(n, dtype=np.int64)) << FRAGMENT_BITS


def unit_vectors(cosine: NDArray[np.float64], turn: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return unit vectors of polar cosine against z and azimuth `turn` (in full turns)."""
    sine = np.sqrt(np.maximum(0.0, 1.0 - cosine**2))
    phi = 2 * math.pi * turn
    return np.stack([cosine, sine * np.cos(phi), sine * np.sin(phi)], axis=-1)


def frames(normal: NDArray[np.float64], turn: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return right-angled frames (n, 3, 3) with rows u, v, w = normal, turned about the normal."""
    other = np.where(np.abs(normal[:, :1]) < 0.9, [[1.0, 0.0, 0.0]], [[0.0, 0.0, 1.0]])
    t = np.cross(other, normal)
    t /= np.sqrt(np.sum(t * t, axis=1, keepdims=True))
    s = np.cross(normal, t)
    phi = 2 * math.pi * turn[:, None]
    u = np.cos(phi) * t + np.sin(phi) * s
    v = np.cos(phi) * s - np.sin(phi) * t
    return np.stack([u, v, normal], axis=1)


def random_frames(u: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return frames of random attitude (n, 3, 3) from three numbers in (0, 1) each."""
    return frames(unit_vectors(1 - 2 * u[:, 0], u[:, 1]), u[:, 2])


def new_bodies(
    cell: Triple, phase: int, shape: int, u: NDArray[np.float64], role: int = PLAIN
) -> Bodies:
    """Return bodies at random places of a cell, one for each row of numbers, all else zero."""
    bodies = np.zeros(len(u), BODY_DTYPE)
    bodies["body_id"] = make_ids(cell, phase, len(u), role)
    bodies["parent_id"] = -1
    bodies["phase"], bodies["shape"], bodies["role"] = phase, shape, role
    bodies["centre"] = (np.asarray(cell) + u[:, :3]) * CELL_VX
    return bodies
