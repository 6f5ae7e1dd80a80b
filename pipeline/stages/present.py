"""Present: canonical labels for any general viewer, then the store takes its place."""

from __future__ import annotations

import shutil
from functools import cached_property
from typing import Any

import numpy as np
import zarr

from pipeline.kernels.label import name_particles
from pipeline.kernels.pyramid import halve_labels
from pipeline.model.plan import Plan
from pipeline.stages.levels import open_levels, write_levels
from pipeline.stores.durability import sweep_partials, sync_files
from pipeline.stores.job import JobFolder, read_arrays
from pipeline.stores.ome import create_pyramid, list_labels, mark_job
from pipeline.stores.volume import open_volume, read_box


class PresentStage:
    """Local ids to ``labels/<phase>``, then ``scan.zarr`` to ``scans/<scan>.zarr``."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan
        recipe = plan.recipe
        self.names = {p: recipe.phases[p].name for p in recipe.particle_phases}

    @cached_property
    def bodies(self) -> zarr.Array[Any]:
        """Local ids."""
        return open_volume(self.folder.bodies)

    @cached_property
    def levels(self) -> dict[int, list[zarr.Array[Any]]]:
        """Levels of the labels of each phase."""
        labels = self.folder.scan_store / "labels"
        return {p: open_levels(labels / name) for p, name in self.names.items()}

    def prepare(self) -> None:
        """Create the label images."""
        plan, labels = self.plan, self.folder.scan_store / "labels"
        if not self.folder.scan_store.exists():
            return  # The store has already taken its place; only the fold is left.
        list_labels(labels, ["phases", *self.names.values()])
        # Two neighbouring voxels of one phase are one body, so ids stay below half the voxels: the
        # volume alone decides the type, and decides the same for every tiling.
        dtype = "uint32" if plan.header.n_voxels < 2**32 * 2 else "uint64"
        for name in self.names.values():
            create_pyramid(
                labels / name,
                name,
                plan.header.shape,
                dtype,
                plan.tile_shape,
                plan.voxel_um,
                label=True,
            )

    def process(self, number: int) -> int:
        """Write the particles of one tile."""
        core = self.plan.grid.tile(number).core
        local = read_box(self.bodies, core)
        side = read_arrays(self.folder.side("reduce", number))
        for position, levels in self.levels.items():
            particle = np.where(side["phase"] == position, side["particle_id"], 0)
            if not particle.any():
                continue
            table = np.concatenate([[0], particle]).astype(levels[0].dtype)
            write_levels(levels, core, name_particles(local, table), halve_labels)
        return core.n_voxels

    def fold(self) -> None:
        """Move the store to its place; an earlier one of this scan goes."""
        target = self.folder.workspace / "scans" / f"{self.plan.scan_id}.zarr"
        old = self.folder.path / "replaced.zarr"
        if self.folder.scan_store.exists():
            mark_job(self.folder.scan_store, self.folder.name)
            sweep_partials(self.folder.scan_store)
            target.parent.mkdir(parents=True, exist_ok=True)
            if target.exists():
                target.rename(old)
            self.folder.scan_store.rename(target)
            sync_files([target / "zarr.json"], target)
        # Also what a driver left that died right here.
        shutil.rmtree(old, ignore_errors=True)
