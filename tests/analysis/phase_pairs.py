"""Exact phase maps of simulated pairs, as scenes for registration."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.scenes import PhaseLevel, Scene, contrast_of
from pipeline.model.grid import Box
from pipeline.phantom.pose import Pose
from pipeline.phantom.render import Renderer
from pipeline.phantom.specimen import SpecimenSpec, Treatment

VOXEL_UM = 1.5
DISSOLVING = Treatment(plate_dissolved=0.2, plate_shrink=0.87)
"""About half of the iron-rich volume goes."""


def scene_of(phases: NDArray[np.uint8], name: str = "scan", voxel_um: float = VOXEL_UM) -> Scene:
    """Return a phase map in memory as a scene with its pyramid."""
    levels: list[PhaseLevel] = []
    while len(levels) < 4 and min(phases.shape) >= 16:
        shape = (phases.shape[0], phases.shape[1], phases.shape[2])
        levels.append(PhaseLevel(2 ** len(levels), shape, lambda b, p=phases: p[b.slices]))
        phases = np.ascontiguousarray(phases[::2, ::2, ::2])
    return Scene(name, (voxel_um,) * 3, tuple(levels), contrast_of(1, 4))


def phases_of(spec: SpecimenSpec) -> NDArray[np.uint8]:
    """Return the exact phase map of a specimen."""
    return Renderer(spec).phases(Box((0, 0, 0), spec.size_vx))


def before_of(n: int, seed: int) -> SpecimenSpec:
    """Return a specimen as cast."""
    return SpecimenSpec((n, n, n), VOXEL_UM, seed=seed, cnr=4.0)


def after_of(before: SpecimenSpec, pose: Pose, seed: int | None = None) -> SpecimenSpec:
    """Return it heat treated, in another pose; of another `seed` it is another specimen."""
    other = before.seed if seed is None else seed
    return replace(before, temper="T6", pose=pose, treatment=DISSOLVING, seed=other)
