"""Tables over the 256 configurations of a 2x2x2 cell of voxels.

Bit ``4 dz + 2 dy + dx`` of a configuration is the voxel at that corner.  Each boundary cell adds
integers to the tally of the bodies that it meets: crossings of the surface along 13 directions,
a share of the Euler number, and shares of the Euler numbers of plane sections.  A cell counts the
*components inside it*, because two voxels of one body may share a cell without touching there (they
meet elsewhere, perhaps in another tile), and a tally must not depend on where that is known.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

CORNERS = tuple((c >> 2 & 1, c >> 1 & 1, c & 1) for c in range(8))

DIRECTIONS: tuple[tuple[int, int, int], ...] = (
    (1, 0, 0),
    (0, 1, 0),
    (0, 0, 1),
    (0, 1, 1),
    (0, 1, -1),
    (1, 0, 1),
    (1, 0, -1),
    (1, 1, 0),
    (1, -1, 0),
    (1, 1, 1),
    (1, 1, -1),
    (1, -1, 1),
    (1, -1, -1),
)
"""Steps (z, y, x) to the 26 neighbours, one of each opposite pair."""

CELLS_PER_STEP: tuple[int, ...] = (4,) * 3 + (2,) * 6 + (1,) * 4
"""How many cells hold both ends of a step: by this a summed count of crossings is divided."""

EULER = len(DIRECTIONS)
"""Place of the Euler number among the counts, times 8."""

SECTIONS = EULER + 1
"""Place of the first count of plane sections."""

SECTION_NORMALS: tuple[tuple[int, int, int], ...] = (
    (1, 0, 0), (0, 1, 0), (0, 0, 1), (0, 1, 1), (1, 0, 1), (1, 1, 0), (1, 1, 1),
)  # fmt: skip
"""One normal (z, y, x) of each family of lattice planes; mirror images are counted together."""

PER_SECTION: tuple[int, ...] = (16, 16, 16, 8, 8, 8, 6)
"""What a summed count of sections is divided by to give the sum of their Euler numbers."""

N_CELL_COUNTS = SECTIONS + len(SECTION_NORMALS)
"""Integers that a component adds: crossings by direction, Euler number, plane sections."""


def _step_bits(step: tuple[int, int, int]) -> list[tuple[int, int]]:
    """Return the pairs of corners of a cell that differ by `step`."""
    place = {corner: bit for bit, corner in enumerate(CORNERS)}
    pairs = []
    for bit, (z, y, x) in enumerate(CORNERS):
        other = place.get((z + step[0], y + step[1], x + step[2]))
        if other is not None:
            pairs.append((bit, other))
    return pairs


def _count_crossings(configuration: int) -> list[int]:
    return [
        sum((configuration >> a & 1) != (configuration >> b & 1) for a, b in _step_bits(step))
        for step in DIRECTIONS
    ]


def _euler_of_open_cell(configuration: int) -> int:
    """Return 8 times the cell's share of the Euler number with 6 neighbours.

    Voxels are points, joined by edges, faces and cubes of the lattice whose corners are all set
    (Ohser & Muecklich 2000, ch. 3); points are shared by 8 cells, edges by 4, faces by 2.
    """
    bits = {bit for bit in range(8) if configuration >> bit & 1}
    edges = sum(a in bits and b in bits for step in DIRECTIONS[:3] for a, b in _step_bits(step))
    faces = sum(
        all(bit in bits for bit in range(8) if CORNERS[bit][axis] == side)
        for axis in range(3)
        for side in range(2)
    )
    return len(bits) - 2 * edges + 4 * faces - 8 * (len(bits) == 8)


def _euler_of_closed_cubes(configuration: int) -> int:
    """Return 8 times the cell's share of the Euler number with 26 neighbours.

    Voxels are closed cubes that meet at the cell's centre: one lattice vertex, 6 half edges,
    12 quarter faces and 8 eighths of cubes.
    """
    bits = {bit for bit in range(8) if configuration >> bit & 1}
    sides = sum(
        any(CORNERS[bit][axis] == side for bit in bits) for axis in range(3) for side in range(2)
    )
    pairs = sum(a in bits or b in bits for step in DIRECTIONS[:3] for a, b in _step_bits(step))
    return 8 * bool(bits) - 4 * sides + 2 * pairs - len(bits)


def _euler_of_rectangle(a: bool, b: bool, c: bool, d: bool) -> int:
    """Return 8 times the Euler share of four points of a rectangular lattice, taken in turn.

    The sum of both conventions, 4 and 8 neighbours, each times 4: their mean treats a body and
    what surrounds it alike.
    """
    n = a + b + c + d
    sides = ((a, b), (b, c), (c, d), (d, a))
    by_points = n - 2 * sum(p and q for p, q in sides) + 4 * (n == 4)
    by_squares = 4 * (n > 0) - 2 * sum(p or q for p, q in sides) + n
    return by_points + by_squares


def _euler_of_triangle(a: bool, b: bool, c: bool) -> int:
    """Return 6 times the Euler share of a triangle of a triangular lattice (6 neighbours)."""
    return (a + b + c) - 3 * ((a and b) + (b and c) + (c and a)) + 6 * (a and b and c)


def _euler_of_sections(configuration: int) -> list[int]:
    """Return the Euler shares of the sections along each family of lattice planes."""

    def at(z: int, y: int, x: int) -> bool:
        return bool(configuration >> (4 * z + 2 * y + x) & 1)

    turn = ((0, 0), (0, 1), (1, 1), (1, 0))
    counts = []
    for axis in range(3):
        # Two faces of the cell, each shared with the next cell: PER_SECTION halves them.
        faces = [[(*t[:axis], side, *t[axis:]) for t in turn] for side in range(2)]
        counts.append(sum(_euler_of_rectangle(*(at(*c) for c in face)) for face in faces))
    for axis in range(3):
        # Two diagonal planes along the axis, each in this cell alone.
        planes = [
            [(*pair[:axis], along, *pair[axis:]) for along, pair in corners]
            for corners in (
                ((0, (0, 0)), (0, (1, 1)), (1, (1, 1)), (1, (0, 0))),
                ((0, (0, 1)), (0, (1, 0)), (1, (1, 0)), (1, (0, 1))),
            )
        ]
        counts.append(sum(_euler_of_rectangle(*(at(*c) for c in plane)) for plane in planes))
    # Cutting off a corner leaves the triangle of its three neighbours: eight, two a direction.
    corners = [[(z ^ 1, y, x), (z, y ^ 1, x), (z, y, x ^ 1)] for z, y, x in CORNERS]
    counts.append(sum(_euler_of_triangle(*(at(*c) for c in three)) for three in corners))
    return counts


def _first_component(configuration: int, connectivity: int) -> int:
    """Return the component of the lowest set bit, joined inside the cell."""
    reach = {6: 1, 18: 2, 26: 3}[connectivity]
    near = [
        (a, b)
        for a, b in combinations(range(8), 2)
        if sum(abs(p - q) for p, q in zip(CORNERS[a], CORNERS[b], strict=True)) <= reach
    ]
    component = configuration & -configuration
    for _ in range(8):
        for a, b in near:
            if (component >> a | component >> b) & 1:
                component |= (1 << a | 1 << b) & configuration
    return component


@lru_cache(maxsize=3)
def build_cell_tables(connectivity: int) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Return the tables for a connectivity.

    Parameters
    ----------
    connectivity : int
        6, 18 or 26.

    Returns
    -------
    component : ndarray of uint8, shape (256,)
        The component of the lowest set bit of a configuration.
    counts : ndarray of int64, shape (256, N_CELL_COUNTS)
        What one component adds to its body's tally.  With 18 neighbours a component is counted as
        with 26: the only difference, two voxels on a space diagonal, is two components there.

    Examples
    --------
    >>> component, counts = build_cell_tables(6)
    >>> int(component[0b1001]), counts[1, :14].tolist()
    (1, [1, 1, 1, 1, 0, 1, 0, 1, 0, 1, 0, 0, 0, 1])
    """
    euler = _euler_of_open_cell if connectivity == 6 else _euler_of_closed_cubes
    component = [0] + [_first_component(c, connectivity) for c in range(1, 256)]
    counts = [[*_count_crossings(c), euler(c), *_euler_of_sections(c)] for c in range(256)]
    tables = np.array(component, np.uint8), np.array(counts, np.int64)
    for table in tables:
        table.flags.writeable = False
    return tables
