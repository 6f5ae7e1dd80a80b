"""Small volumes that are hard on a labelling: noise, blobs, pierced plates, a rod in air.

Fixed seeds: everybody verifies the same voxels.  Tiles are far smaller than the volumes, so that
nearly every particle is put together across seams.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.model.grid import Triple
from pipeline.model.recipe import Condition, Denoise, Label, Phase, Recipe, Segment, Tiling

Edges = tuple[float, float, float]

CUBIC: Edges = (2.0, 2.0, 2.0)
OBLONG: Edges = (3.1, 1.7, 1.3)


@dataclass(frozen=True, slots=True)
class Trial:
    """A volume and how it is to be measured.

    Parameters
    ----------
    name : str
        Name, fit for a scan id.
    voxels : ndarray, shape (z, y, x)
        The scan.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).
    recipe : Recipe
        Parameters of the run.
    """

    name: str
    voxels: NDArray[Any] = field(repr=False)
    voxel_um: Edges
    recipe: Recipe


def build_trials() -> Iterator[Trial]:
    """Yield the volumes one by one.

    Yields
    ------
    Trial
        A volume with what is known of it.
    """
    for connectivity, voxel_um in ((6, CUBIC), (18, OBLONG), (26, OBLONG)):
        yield _noise(connectivity, voxel_um)
    yield _blobs("blobs-26-median", 26, OBLONG, Denoise(method="median", radius_vx=1))
    yield _blobs("blobs-6-median-5", 6, CUBIC, Denoise(method="median", radius_vx=2))
    yield _blobs("blobs-18-gaussian", 18, CUBIC, Denoise(method="gaussian", sigma_vx=0.8))
    yield _float_blobs()
    yield _pierced_plates()
    yield _rod_in_air()
    yield from (_hollow_bodies(connectivity) for connectivity in (6, 18, 26))


def phases_of(n: int, background: int, min_voxels: int) -> tuple[Phase, ...]:
    """Return `n` phases, dark to bright, of which one is background."""
    names = ("pore", "matrix", "iron-rich", "copper-rich")
    return tuple(
        Phase(
            name=names[i],
            kind="background" if i == background else "particles",
            min_voxels=min_voxels,
        )
        for i in range(n)
    )


def manual_recipe(
    thresholds: tuple[float, ...],
    connectivity: int,
    tile_shape: Triple,
    *,
    background: int = 1,
    min_voxels: int = 1,
    denoise: Denoise | None = None,
) -> Recipe:
    """Return a recipe with stated thresholds and no mask.

    Parameters
    ----------
    thresholds : tuple of float
        Grey levels of the scan between phases.
    connectivity : int
        6, 18 or 26.
    tile_shape : tuple of int
        Voxels of a tile.
    background : int
        Position of the background phase.
    min_voxels : int
        Smallest particle that gets a row.
    denoise : Denoise, optional
        The filter; none by default.

    Returns
    -------
    Recipe
        The recipe.
    """
    return Recipe(
        name="verify",
        condition=Condition(mask="none", flatten="none", denoise=denoise or Denoise(method="none")),
        segment=Segment(method="manual", thresholds=thresholds),
        phases=phases_of(len(thresholds) + 1, background, min_voxels),
        label=Label.model_validate({"connectivity": connectivity}),
        load_axis=(1.0, 2.0, -2.0),
        tiling=Tiling(tile_shape=tile_shape),
    )


def _noise(connectivity: int, voxel_um: Edges) -> Trial:
    """Independent voxels of four phases: the most ragged bodies that there are."""
    rng = np.random.default_rng(connectivity)
    shape = (27, 33, 30)
    voxels = rng.integers(0, 65536, shape, dtype=np.uint16)
    # Shares near where a phase starts to span the volume: bodies of every size and many tunnels.
    dark, bright = {6: (0.28, 0.30), 18: (0.12, 0.12), 26: (0.085, 0.09)}[connectivity]
    thresholds = (65535 * dark, 65535 * (1 - bright - 0.05), 65535 * (1 - bright))
    recipe = manual_recipe(thresholds, connectivity, (9, 16, 11))
    return Trial(f"noise-{connectivity}", voxels, voxel_um, recipe)


def _smooth(seed: int, shape: Triple, sigma_vx: float) -> NDArray[np.float64]:
    field_ = ndimage.gaussian_filter(
        np.random.default_rng(seed).standard_normal(shape), sigma_vx, mode="wrap"
    )
    return np.asarray(field_ / field_.std())


def _blobs(name: str, connectivity: int, voxel_um: Edges, denoise: Denoise) -> Trial:
    """Smoothed random field under noise: curved bodies with tunnels and specks around them."""
    shape = (44, 40, 47)
    noise = np.random.default_rng(99).standard_normal(shape)
    level = 30000 + 5000 * _smooth(connectivity, shape, 2.0) + 2500 * noise
    voxels = np.clip(np.rint(level), 0, 65535).astype(np.uint16)
    recipe = manual_recipe(
        (24500.0, 34000.0, 37500.0), connectivity, (16, 17, 24), min_voxels=4, denoise=denoise
    )
    return Trial(name, voxels, voxel_um, recipe)


def _float_blobs() -> Trial:
    """Float voxels, as a reconstruction leaves them, around zero."""
    shape = (40, 36, 42)
    voxels = (0.02 * _smooth(5, shape, 1.8)).astype(np.float32)
    recipe = manual_recipe((-0.024, 0.021, 0.035), 26, (20, 16, 21))
    return Trial("blobs-float32", voxels, OBLONG, recipe)


def _pierced_plates() -> Trial:
    """Crossing plates with round pores in them, as signed integers."""
    shape = (48, 52, 50)
    place = np.stack(np.meshgrid(*map(np.arange, shape), indexing="ij"), -1).astype(np.float64)
    rng = np.random.default_rng(8)
    grey = np.full(shape, -4000.0)
    for _ in range(7):
        normal = rng.standard_normal(3)
        offset = (place - rng.uniform(10, 40, 3)) @ (normal / np.linalg.norm(normal))
        reach = np.linalg.norm(place - rng.uniform(10, 40, 3), axis=-1)
        grey[(np.abs(offset) < rng.uniform(1.0, 2.5)) & (reach < 17)] = 6000.0
    for _ in range(30):
        distance = np.linalg.norm(place - rng.uniform(0, 50, 3), axis=-1)
        grey[distance < rng.uniform(1.5, 4.5)] = -15000.0
    voxels = np.rint(grey + rng.normal(0, 700, shape)).astype(np.int16)
    recipe = manual_recipe((-9500.0, 1000.0), 18, (16, 13, 19), min_voxels=3)
    return Trial("plates-18", voxels, (1.2, 0.8, 1.0), recipe)


def _rod_in_air() -> Trial:
    """Rod in air with the specimen mask sought: some bodies touch its skin."""
    shape = (40, 60, 60)
    _, y, x = np.indices(shape) - np.array([0, 29.5, 29.5]).reshape(3, 1, 1, 1)
    rng = np.random.default_rng(21)
    grey = np.full(shape, 120.0)
    grey[_smooth(4, shape, 1.5) > 1.6] = 200.0
    grey[_smooth(6, shape, 1.5) > 1.9] = 40.0
    grey[np.hypot(y, x) > 21] = 20.0
    voxels = np.clip(np.rint(grey + rng.normal(0, 6, shape)), 0, 255).astype(np.uint8)
    recipe = manual_recipe((80.0, 160.0), 26, (16, 24, 20))
    condition = Condition(mask="auto", flatten="none", denoise=Denoise(method="median"))
    recipe = recipe.model_copy(update={"condition": condition})
    return Trial("rod-in-air", voxels, CUBIC, recipe)


def _hollow_bodies(connectivity: int) -> Trial:
    """Shells around shells around pores: cavities of several phases, nested and across tiles."""
    field_ = _smooth(11, (46, 42, 50), 3.5)
    levels, bounds = (120, 200, 120, 200, 40), (0.5, 1.1, 1.5, 2.0)
    voxels = np.array(levels, np.uint8)[np.digitize(field_, bounds)]
    recipe = manual_recipe((80.0, 160.0), connectivity, (17, 15, 21))
    return Trial(f"hollow-{connectivity}", voxels, (1.2, 0.8, 1.0), recipe)
