"""How far the distances stage looks around a tile, and what that takes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.model.grid import Triple
from pipeline.model.recipe import Recipe

FIRST_HALO_VX, NEXT_HALO_VX = 16, 48
"""Halos in shortest edges of a voxel: of whole tiles, and of their blocks with thicker bodies."""

BLOCK_VX = 64
"""Edge of the blocks of a tile that are done again with a larger halo."""


CURVATURE_PLANES = 16
"""Planes of a tile whose faces are gathered together, which bounds what they take."""

FACE_BYTES = 192
"""Bytes a voxel of such planes: three faces, the most that there can be, and their sorting."""

MOST_OBLONG = 8.0
"""Longest over shortest edge of voxels up to which curvature can be told."""

KEPT_BYTES = 1 << 25
"""Bytes of small tiles that a process keeps, as long as they are neighbours of others."""


@dataclass(frozen=True, slots=True)
class DistanceStep:
    """One try at the distances of a tile.

    Parameters
    ----------
    block : tuple of int
        Voxels of a block of the tile, (z, y, x).
    halo : tuple of int
        Voxels around a block.
    """

    block: Triple
    halo: Triple

    @property
    def n_bytes(self) -> int:
        """Bytes of the arrays that a block takes."""
        box = math.prod(n + 2 * h + 1 for n, h in zip(self.block, self.halo, strict=True))
        # Bodies as stored and as rows of the catalogue, then squared distances; runs and balls of
        # an eighth of the voxels; what is painted.
        return box * (4 + 4 + 6) + 2 * math.prod(self.block) + KEPT_BYTES


def neighbour_halo(recipe: Recipe, voxel_um: tuple[float, float, float]) -> Triple:
    """Return the voxels around a tile in which neighbours are looked for: one more than the reach.

    Gaps are those of voxels as cubes.
    """
    reach = recipe.describe.neighbour_reach_vx * min(voxel_um)
    z, y, x = (math.floor(reach / edge) + 1 for edge in voxel_um)
    return z, y, x


def curvature_radius_um(recipe: Recipe, voxel_um: tuple[float, float, float]) -> float:
    """Return the radius of the balls that tell curvature: two longest edges of a voxel at least."""
    return max(recipe.describe.curvature_radius_vx * min(voxel_um), 2.0 * max(voxel_um))


def curvature_halo(recipe: Recipe, voxel_um: tuple[float, float, float]) -> Triple:
    """Return the voxels around a tile that balls about the faces of its voxels reach."""
    radius = curvature_radius_um(recipe, voxel_um)
    z, y, x = (math.floor(radius / edge + 0.5) for edge in voxel_um)
    return z, y, x


def distance_bytes(
    recipe: Recipe, voxel_um: tuple[float, float, float], tile_shape: Triple
) -> tuple[int, int]:
    """Return the halo of the first look at a tile, and the most bytes that a tile takes."""
    halos, sizes = [0], [0]
    if recipe.describe.thickness:
        steps = plan_distances(recipe, voxel_um, tile_shape)
        halos.append(max(steps[0].halo))
        sizes += [step.n_bytes for step in steps]
    if recipe.describe.neighbours:
        halo = neighbour_halo(recipe, voxel_um)
        halos.append(max(halo))
        box = math.prod(n + 2 * h + 1 for n, h in zip(tile_shape, halo, strict=True))
        # Bodies as rows, the part of them that thickness takes; the mask with its neighbours, or
        # bodies as stored; runs cut into pieces, of a sixteenth of the voxels, sorted.
        sizes.append(box * (4 + 4 + 4 + 4) + KEPT_BYTES)
    if recipe.describe.curvature:
        halo = curvature_halo(recipe, voxel_um)
        halos.append(max(halo))
        box = math.prod(n + 2 * h + 1 for n, h in zip(tile_shape, halo, strict=True))
        # Bodies as stored and as rows; faces of some planes; tables of a ball's voxels, inner and
        # outer, across three axes, and their making.
        planes = FACE_BYTES * CURVATURE_PLANES * math.prod(tile_shape[1:])
        ball = round(4.2 * curvature_radius_um(recipe, voxel_um) ** 3 / math.prod(voxel_um))
        sizes.append(box * (4 + 4) + planes + 3 * 2 * ball**2 + (1 << 16) * ball + KEPT_BYTES)
    return max(halos), max(sizes)


def plan_distances(
    recipe: Recipe, voxel_um: tuple[float, float, float], tile_shape: Triple
) -> tuple[DistanceStep, ...]:
    """Return the tries at the thickness of a tile, each with a larger halo than the one before.

    Parameters
    ----------
    recipe : Recipe
        Says how thick a body may be.
    voxel_um : tuple of float
        Edges of a voxel, (z, y, x).
    tile_shape : tuple of int
        Voxels of a tile.

    Returns
    -------
    tuple of DistanceStep
        The last one is enough for every body that is no thicker than the recipe says: a ball that
        holds a voxel reaches two radii from it.
    """
    shortest, diagonal = min(voxel_um), math.hypot(*voxel_um)
    most_um = recipe.describe.thickness_max_vx * shortest + 2 * diagonal
    reaches = [vx * shortest for vx in (FIRST_HALO_VX, NEXT_HALO_VX) if vx * shortest < most_um]
    steps = []
    for i, reach in enumerate((*reaches, most_um)):
        z, y, x = (math.ceil(reach / edge) for edge in voxel_um)
        a, b, c = (n if i == 0 else min(n, BLOCK_VX) for n in tile_shape)
        steps.append(DistanceStep((a, b, c), (z, y, x)))
    return tuple(steps)
