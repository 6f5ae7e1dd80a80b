"""Cavities: the regions between bodies, from tiles through seams to columns of particles."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.kernels.cavities import RegionForest, TileRegions, enclose_bodies
from pipeline.kernels.reduce import Census
from pipeline.kernels.seams import match_faces
from pipeline.kernels.tally import N
from pipeline.model.grid import Triple
from pipeline.model.plan import Plan
from pipeline.stores.job import JobFolder, read_arrays

Int64s = NDArray[np.int64]
PAIRS = "regions "
SIDE = (
    "tallies",
    "region_outside",
    "region_voxels",
    "region_pores",
    "touching_body",
    "touched_region",
)


def store_regions(found: TileRegions) -> dict[str, NDArray[Any]]:
    """Return the arrays of a tile's regions by the names under which its side file keeps them.

    Parameters
    ----------
    found : TileRegions
        The regions.

    Returns
    -------
    dict of str to ndarray
        Planes in the smallest type that holds their ids: they are the bulk of it.
    """
    small = np.min_scalar_type(found.outside.size)
    return {
        "region_outside": found.outside,
        "region_voxels": found.voxels,
        "region_pores": found.pores,
        "touching_body": found.body,
        "touched_region": found.region,
        **{f"region_{name}": plane.astype(small) for name, plane in found.faces.items()},
    }


def match_regions(
    folder: JobFolder, step: Triple, number: int, neighbour: int
) -> NDArray[np.uint32]:
    """Return the pairs of regions that two tiles gave to the same voxels.

    Parameters
    ----------
    folder : JobFolder
        A job whose label stage is done.
    step : tuple of int
        Place of the neighbour in the grid less the tile's.
    number, neighbour : int
        The tiles.

    Returns
    -------
    ndarray of uint32, shape (n, 2)
        Pairs without repetition.
    """
    axis = "zyx"[step.index(1)]
    mine, other = f"region_high_{axis}", f"region_low_{axis}"
    seen = read_arrays(folder.side("label", number), (mine,))[mine]
    owned = read_arrays(folder.side("label", neighbour), (other,))[other]
    return match_faces(step, {f"high_{axis}": seen}, {f"low_{axis}": owned})


def describe_cavities(
    folder: JobFolder,
    plan: Plan,
    census: Census,
    root: Int64s,
    offsets: Int64s,
    euler_number: NDArray[Any],
) -> dict[str, Any]:
    """Return the columns that tell what particles enclose.

    Parameters
    ----------
    folder : JobFolder
        A job whose seams stage is done.
    plan : Plan
        Its plan.
    census : Census
        Its particles.
    root, offsets : ndarray of int64
        Root of every local id of all tiles, and the index of each tile's first.
    euler_number : ndarray of int64
        That of each particle.

    Returns
    -------
    dict of str to ndarray or pyarrow.Array
        ``n_cavities``, ``n_tunnels``, ``cavity_volume_um3``, ``cavity_holds_pore``.
    """
    grid = plan.grid
    sides = [_read(folder, tile) for tile in range(len(grid))]
    forest = RegionForest([side["region_outside"].size for side in sides])
    for tile, side in enumerate(sides):
        forest.open(tile, side["region_outside"])
        for name, pairs in read_arrays(folder.side("seams", tile)).items():
            if name.startswith(PAIRS):
                forest.join(tile, int(name.removeprefix(PAIRS)), pairs)
    forest.close()
    regions = [
        TileRegions(
            outside=side["region_outside"],
            voxels=side["region_voxels"],
            pores=side["region_pores"],
            body=side["touching_body"],
            region=side["touched_region"],
            faces={},
        )
        for side in sides
    ]
    tallies = [side["tallies"] for side in sides]
    found = enclose_bodies(forest, regions, tallies, root, offsets, plan.recipe.pore)
    # Every member of a tree has its root's row.
    of_row = np.zeros(census.particle_id.size, np.int64)
    named = census.row_of >= 0
    of_row[census.row_of[named]] = root[named]
    cavities, pores = found.cavities[of_row], found.pores[of_row]
    return {
        "n_cavities": cavities,
        "n_tunnels": cavities + 1 - euler_number,
        "cavity_volume_um3": found.voxels[of_row] * float(np.prod(plan.voxel_um)),
        "cavity_holds_pore": pa.array(pores > 0, mask=np.full(pores.size, plan.recipe.pore < 0)),
    }


def _read(folder: JobFolder, tile: int) -> dict[str, NDArray[Any]]:
    """Return what a tile tells of its regions; of its tallies no more than phases and voxels."""
    side = read_arrays(folder.side("label", tile), SIDE)
    return {**side, "tallies": side["tallies"][:, : N + 1].copy()}
