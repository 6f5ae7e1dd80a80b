"""Columns that come from convex hulls, whether a body lies in one tile or in many."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.feret import (
    FERET_FACES,
    FERET_MAX,
    FERET_MEAN,
    FERET_MID,
    FERET_MIN,
    N_SIZES,
    SHADOW_Z,
    VOLUME,
    extend_hulls,
    measure_hulls,
    project_hulls,
)
from pipeline.kernels.hull import Int32s, Int64s
from pipeline.kernels.outline import HullPart, merge_hulls
from pipeline.kernels.reduce import MergedTallies
from pipeline.kernels.tally import CELL
from pipeline.model.grid import Triple

Reals = NDArray[np.float64]
Triple3 = tuple[float, float, float]
Columns = dict[str, NDArray[np.generic]]


@dataclass(frozen=True, slots=True)
class TileHulls:
    """Hulls of the bodies of one tile.

    Parameters
    ----------
    rows : ndarray of int64, shape (n,)
        Row of each local id; -1 for none.
    offsets : ndarray of int64, shape (n + 1,)
        Corners of each local id.
    corners : ndarray of int32, shape (k, 3)
        Corners relative to the tile's core.
    sizes : ndarray of float64, shape (n, N_SIZES)
        See `pipeline.kernels.feret.measure_hulls`.
    origin : tuple of int
        First voxel of the tile's core.
    """

    rows: Int64s
    offsets: Int64s
    corners: Int32s
    sizes: Reals
    origin: Triple

    @property
    def inside(self) -> NDArray[np.bool_]:
        """Local ids that have a row and voxels in the core."""
        return (self.rows >= 0) & (np.diff(self.offsets) > 0)


@dataclass(slots=True)
class HullColumns:
    """Sizes of the particles' hulls, gathered tile by tile.

    Most bodies lie in one tile: their hull was measured there, and only its extents along the
    body's own axes are left to find.  The corners of the others are held until all of their parts
    are there, so memory is that of the bodies that cross seams.

    Parameters
    ----------
    columns : dict of str to ndarray
        Columns of the particles so far: volumes and principal axes are taken from here.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).
    load_axis : tuple of float
        Direction of the load, (z, y, x), of any length.
    """

    columns: Columns
    voxel_um: Triple3
    load_axis: Triple3
    sizes: Reals = field(init=False)
    extents: Reals = field(init=False)
    shadow: Reals = field(init=False)

    def __post_init__(self) -> None:
        n = self.columns["n_voxels"].size
        self.sizes = np.full((n, N_SIZES), np.nan)
        self.extents = np.full((n, 3), np.nan)
        self.shadow = np.full(n, np.nan)

    def describe(
        self, n_tiles: int, read: Callable[[int], TileHulls], merged: MergedTallies
    ) -> Columns:
        """Return the columns.

        Parameters
        ----------
        n_tiles : int
            Number of tiles.
        read : callable
            Returns the hulls of a tile; called twice for each.
        merged : MergedTallies
            Tallies of the particles, for the crossings along the load axis.

        Returns
        -------
        dict of str to ndarray
            One value a particle.
        """
        n_parts = np.zeros(self.shadow.size, np.int64)
        for number in range(n_tiles):
            tile = read(number)
            n_parts += np.bincount(tile.rows[tile.inside], minlength=n_parts.size)
        parts: list[HullPart] = []
        for number in range(n_tiles):
            tile = read(number)
            several = tile.inside
            several[several] = n_parts[tile.rows[several]] > 1
            self._take(tile, tile.inside & ~several)
            if several.any():
                parts.append(
                    HullPart.cut(tile.rows, several, tile.offsets, tile.corners, tile.origin)
                )
        if parts:
            rows, offsets, corners = merge_hulls(parts)
            sizes = measure_hulls(offsets, corners, self.voxel_um)
            whole = TileHulls(rows, offsets, corners, sizes, (0, 0, 0))
            self._take(whole, whole.inside)
        return self._name(merged)

    def _take(self, hulls: TileHulls, wanted: NDArray[np.bool_]) -> None:
        """Enter the sizes of complete hulls, and what depends on axes."""
        if not wanted.any():
            return
        rows, voxel = hulls.rows, self.voxel_um
        major, minor = (
            np.stack([self.columns[f"{name}_{a}"][rows] for a in "zyx"], 1).astype(np.float64)
            for name in ("major", "minor")
        )
        axes = np.stack([major, np.cross(minor, major), minor], 1)
        mine = rows[wanted]
        self.sizes[mine] = hulls.sizes[wanted]
        extents = extend_hulls(hulls.offsets, hulls.corners, voxel, axes, wanted)
        self.extents[mine] = extents[wanted]
        axis = _lattice_axis(self.load_axis)
        if axis is None:
            areas = project_hulls(hulls.offsets, hulls.corners, voxel, self.load_axis, wanted)
            self.shadow[mine] = areas[wanted]
        else:
            self.shadow[mine] = hulls.sizes[wanted, SHADOW_Z + axis]

    def _bound_shadow(self, merged: MergedTallies) -> Reals:
        """Return the area seen along the load: of the hull, or less where lines count less.

        Half the crossings along an axis are the lines that meet the body, each as often as it
        enters: never fewer than the columns of its shadow, and just these for a convex body.
        """
        axis = _lattice_axis(self.load_axis)
        if axis is None:
            return self.shadow
        z, y, x = self.voxel_um
        face = (y * x, z * x, z * y)[axis]
        # Four cells hold each step along an axis, and a line crosses the surface twice.
        return np.minimum(self.shadow, merged.narrow[:, CELL + axis] / 8.0 * face)

    def _name(self, merged: MergedTallies) -> Columns:
        area = self._bound_shadow(merged)
        return {
            "feret_max_um": self.sizes[:, FERET_MAX],
            "feret_max_faces_um": self.sizes[:, FERET_FACES],
            "feret_mid_um": self.sizes[:, FERET_MID],
            "feret_min_um": self.sizes[:, FERET_MIN],
            "feret_mean_um": self.sizes[:, FERET_MEAN],
            "convex_volume_um3": self.sizes[:, VOLUME],
            "solidity": self.columns["volume_um3"].astype(np.float64) / self.sizes[:, VOLUME],
            "extent_major_um": self.extents[:, 0],
            "extent_intermediate_um": self.extents[:, 1],
            "extent_minor_um": self.extents[:, 2],
            "projected_area_um2": area,
            "sqrt_projected_area_um": np.sqrt(area),
        }


def _lattice_axis(direction: Triple3) -> int | None:
    """Return the axis of the lattice that a direction runs along, if it does."""
    along = [i for i in range(3) if direction[i] != 0.0]
    return along[0] if len(along) == 1 else None
