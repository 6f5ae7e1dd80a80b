"""Boxes of voxels and the grid of tiles that covers a volume.

All coordinates are whole voxels in the order (plane, row, column) = (z, y, x); a box is half open.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.errors import PlanError

Triple = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Box:
    """A half-open box of voxels.

    Parameters
    ----------
    start, stop : tuple of int
        First voxel inside and first voxel outside, (z, y, x).  Coordinates may be negative or lie
        beyond a volume: `clip` brings them inside.

    Examples
    --------
    >>> box = Box((0, 0, 0), (4, 5, 6))
    >>> box.shape, box.n_voxels
    ((4, 5, 6), 120)
    >>> box.grow((1, 1, 1)).clip((4, 5, 6)) == box
    True
    """

    start: Triple
    stop: Triple

    def __post_init__(self) -> None:
        if any(b < a for a, b in zip(self.start, self.stop, strict=True)):
            raise ValueError(f"box stops before it starts: {self.start} to {self.stop}")

    @property
    def shape(self) -> Triple:
        """Voxels along each axis."""
        return (
            self.stop[0] - self.start[0],
            self.stop[1] - self.start[1],
            self.stop[2] - self.start[2],
        )

    @property
    def n_voxels(self) -> int:
        """Number of voxels inside."""
        return math.prod(self.shape)

    @property
    def slices(self) -> tuple[slice, slice, slice]:
        """Index of this box in an array that starts at the origin."""
        a, b = self.start, self.stop
        return (slice(a[0], b[0]), slice(a[1], b[1]), slice(a[2], b[2]))

    def grow(self, low: Triple, high: Triple | None = None) -> Box:
        """Return this box extended by `low` voxels downwards and `high` (default `low`) upwards."""
        high = low if high is None else high
        a, b = self.start, self.stop
        return Box(
            (a[0] - low[0], a[1] - low[1], a[2] - low[2]),
            (b[0] + high[0], b[1] + high[1], b[2] + high[2]),
        )

    def clip(self, shape: Triple) -> Box:
        """Return the part of this box that lies inside a volume of `shape`."""
        a = tuple(min(max(v, 0), n) for v, n in zip(self.start, shape, strict=True))
        b = tuple(min(max(v, 0), n) for v, n in zip(self.stop, shape, strict=True))
        return Box((a[0], a[1], a[2]), (b[0], b[1], b[2]))

    def meet(self, other: Box) -> Box:
        """Return the part of this box that lies inside another one; empty where they do not meet.

        Examples
        --------
        >>> Box((0, 0, 0), (4, 4, 4)).meet(Box((1, 2, 3), (9, 9, 9))).shape
        (3, 2, 1)
        """
        a = tuple(map(max, self.start, other.start))
        b = tuple(map(max, a, map(min, self.stop, other.stop)))
        return Box((a[0], a[1], a[2]), (b[0], b[1], b[2]))

    def inside(self, outer: Box) -> Box:
        """Return this box in the coordinates of an array that covers `outer`."""
        z, y, x = self.within(outer)
        return Box((z.start, y.start, x.start), (z.stop, y.stop, x.stop))

    def within(self, outer: Box) -> tuple[slice, slice, slice]:
        """Return the index of this box inside an array that covers `outer`."""
        o = outer.start
        a, b = self.start, self.stop
        return (
            slice(a[0] - o[0], b[0] - o[0]),
            slice(a[1] - o[1], b[1] - o[1]),
            slice(a[2] - o[2], b[2] - o[2]),
        )


@dataclass(frozen=True, slots=True)
class Tile:
    """One unit of work: the voxels that it alone owns, and its place in the grid.

    Parameters
    ----------
    number : int
        Position in raster order of the grid.
    place : tuple of int
        Position along each axis of the grid.
    core : Box
        The voxels that this tile owns.
    """

    number: int
    place: Triple
    core: Box


@dataclass(frozen=True, slots=True)
class TileGrid:
    """A volume cut into tiles that do not overlap; the last ones along an axis may be smaller.

    Parameters
    ----------
    shape : tuple of int
        Shape of the volume in voxels, (z, y, x).
    tile_shape : tuple of int
        Largest shape of a tile; an edge longer than the volume is cut down to it.

    Examples
    --------
    >>> grid = TileGrid((100, 64, 64), (64, 64, 64))
    >>> len(grid), grid.tile(1).core.shape
    (2, (36, 64, 64))
    """

    shape: Triple
    tile_shape: Triple

    def __post_init__(self) -> None:
        if len(self.shape) != 3 or any(n < 1 for n in self.shape):
            raise PlanError(f"a volume has three axes of at least one voxel, got {self.shape}.")
        if len(self.tile_shape) != 3 or any(n < 1 for n in self.tile_shape):
            raise PlanError(
                f"tiling.tile_shape wants three positive whole numbers, got {self.tile_shape}."
            )

    @property
    def counts(self) -> Triple:
        """Tiles along each axis."""
        n = [-(-s // t) for s, t in zip(self.shape, self.tile_shape, strict=True)]
        return (n[0], n[1], n[2])

    def __len__(self) -> int:
        return math.prod(self.counts)

    def __iter__(self) -> Iterator[Tile]:
        return (self.tile(number) for number in range(len(self)))

    def tile(self, number: int) -> Tile:
        """Return the tile at a position in raster order."""
        if not 0 <= number < len(self):
            raise IndexError(f"tile {number} of a grid of {len(self)}")
        _, ny, nx = self.counts
        place = (number // (ny * nx), number // nx % ny, number % nx)
        start = tuple(p * t for p, t in zip(place, self.tile_shape, strict=True))
        stop = tuple(
            min(a + t, n) for a, t, n in zip(start, self.tile_shape, self.shape, strict=True)
        )
        core = Box((start[0], start[1], start[2]), (stop[0], stop[1], stop[2]))
        return Tile(number, place, core)

    def meet(self, box: Box) -> Iterator[Tile]:
        """Yield the tiles that own voxels of a box that lies inside the volume, in raster order."""
        z, y, x = (
            range(a // t, -(-b // t))
            for a, b, t in zip(box.start, box.stop, self.tile_shape, strict=True)
        )
        for place in itertools.product(z, y, x):
            yield self.tile(self.number(place))

    def number(self, place: Triple) -> int:
        """Return the raster number of the tile at `place`."""
        _, ny, nx = self.counts
        return (place[0] * ny + place[1]) * nx + place[2]
