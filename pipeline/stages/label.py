"""Label: phases and bodies of each tile, with their tallies and the layers it shares."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import zarr
from numpy.typing import NDArray

from pipeline.kernels.bodies import label_tile
from pipeline.kernels.cleanup import clean_phases, plan_clean_up
from pipeline.kernels.feret import measure_hulls
from pipeline.kernels.phases import refine_edges
from pipeline.kernels.pyramid import halve_labels
from pipeline.kernels.samples import fold_samples
from pipeline.kernels.seams import cut_faces
from pipeline.kernels.tally import BEYOND
from pipeline.kernels.threshold import classify_phases, count_phases
from pipeline.model.grid import Box
from pipeline.model.plan import (
    CONTACT_BLOCKS,
    EDGE_REACH_VX,
    SAMPLE_BLOCKS,
    Plan,
    block_edge_vx,
    clean_up_halo,
)
from pipeline.model.recipe import OUTSIDE, Recipe
from pipeline.stages.cavities import store_regions
from pipeline.stages.edges import open_edges
from pipeline.stages.grey import pad_edges, read_mask, read_scale, specimen_voxels
from pipeline.stages.levels import open_levels, write_levels
from pipeline.stages.quality import QualityTally, Surroundings
from pipeline.stages.segment import read_thresholds
from pipeline.stores.job import JobFolder, write_arrays
from pipeline.stores.ome import create_pyramid
from pipeline.stores.volume import create_volume, open_volume, read_box, write_tile


def smallest_particles(recipe: Recipe) -> NDArray[np.int64]:
    """Return the fewest voxels of a particle by phase; 0 where bodies are not wanted."""
    smallest = np.zeros(256, np.int64)
    for position in recipe.particle_phases:
        smallest[position] = recipe.phases[position].min_voxels
    return smallest


class LabelStage:
    """``conditioned.zarr`` to the phase map, local ids and tallies."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan
        self.scale = read_scale(folder)
        self.mask = read_mask(folder, plan)
        self.thresholds = read_thresholds(folder)
        self.smallest = smallest_particles(plan.recipe)
        self.edges = open_edges(folder, plan, self.thresholds) if plan.recipe.edge_aware else None
        self.clean_up = plan_clean_up(plan.recipe)
        self.clean_up_halo = clean_up_halo(plan.recipe)
        self.background = plan.recipe.background
        self.quality = QualityTally(folder, plan, self.thresholds)

    @cached_property
    def conditioned(self) -> zarr.Array[Any]:
        """The volume that is segmented."""
        return open_volume(self.folder.conditioned)

    @cached_property
    def bodies(self) -> zarr.Array[Any]:
        """Local ids."""
        return open_volume(self.folder.bodies)

    @cached_property
    def phase_levels(self) -> list[zarr.Array[Any]]:
        """Levels of the phase map."""
        return open_levels(self.folder.scan_store / "labels" / "phases")

    def prepare(self) -> None:
        """Create the phase map and the volume of local ids."""
        plan = self.plan
        create_pyramid(
            self.folder.scan_store / "labels" / "phases",
            "phases",
            plan.header.shape,
            "uint8",
            plan.tile_shape,
            plan.voxel_um,
            fill=OUTSIDE,
            label=True,
        )
        create_volume(self.folder.bodies, plan.header.shape, "uint32", plan.tile_shape, label=True)

    def process(self, number: int) -> int:
        """Label one tile: its core plus one shared layer above."""
        plan = self.plan
        core = plan.grid.tile(number).core
        box = core.grow((0, 0, 0), (1, 1, 1)).clip(plan.header.shape)
        near, phases = self._classify(box, core)
        grey = near.inner(box)
        found = label_tile(
            phases,
            grey,
            core,
            plan.header.shape,
            self.smallest,
            plan.recipe.label.connectivity,
            plan.recipe.pore,
        )
        own = np.ascontiguousarray(phases[1:-1, 1:-1, 1:-1])
        write_levels(self.phase_levels, core, own, halve_labels)
        write_tile(self.bodies, core, found.labels[1:-1, 1:-1, 1:-1])
        side: dict[str, NDArray[Any]] = {
            "tallies": found.tallies,
            "small_bodies": found.small_bodies,
            "small_voxels": found.small_voxels,
            "phase_voxels": count_phases(own),
            "hull_offsets": found.hull_offsets,
            "hull_corners": found.hull_corners,
            "hull_sizes": measure_hulls(found.hull_offsets, found.hull_corners, plan.voxel_um),
            **self._samples(phases, core),
            "contact_body": found.contacts.body.astype(np.uint32),
            "contact_other": found.contacts.other.astype(np.uint32),
            "contact_kind": found.contacts.kind,
            "contact_faces": found.contacts.faces.astype(np.int32),
            **cut_faces(found.labels),
            **store_regions(found.regions),
            **self.quality.fold(near, core, found.labels[1:-1, 1:-1, 1:-1], len(found.tallies) - 1),
        }
        write_arrays(self.folder.side("label", number), side)
        return core.n_voxels

    def _samples(self, phases: NDArray[np.uint8], core: Box) -> dict[str, NDArray[Any]]:
        """Return what the tile adds to the counts that statistics of the scan start from."""
        shape = self.plan.header.shape
        found = fold_samples(
            phases,
            core.start,
            block_edge_vx(shape, SAMPLE_BLOCKS),
            block_edge_vx(shape, CONTACT_BLOCKS),
            len(self.plan.recipe.phases),
        )
        return {
            "sample_first": np.array(found.voxel_first, np.int64),
            "sample_voxels": found.voxels,
            "contact_first": np.array(found.contact_first, np.int64),
            "sample_contacts": found.contacts,
            "sample_pairs": found.pairs,
        }

    def _classify(self, box: Box, core: Box) -> tuple[Surroundings, NDArray[np.uint8]]:
        """Return a box with what is around it, and the phase map of the core with one layer."""
        phases = np.full([n + 2 for n in core.shape], BEYOND, np.uint8)
        seen = tuple(slice(1, 1 + n) for n in box.shape)
        if not self.clean_up:
            near = self._decide(box)
            phases[seen] = near.phases
            return near, phases
        wide = box.grow((self.clean_up_halo,) * 3)
        there = wide.clip(self.plan.header.shape)
        near = self._decide(there)
        phases[seen] = clean_phases(
            pad_edges(near.phases, wide, there),
            self.clean_up,
            self.background,
            self.clean_up_halo,
        )
        return near, phases

    def _decide(self, box: Box) -> Surroundings:
        """Return a box with what is around it, and its phases before they are cleaned up."""
        wanted = box.grow((EDGE_REACH_VX,) * 3)
        there = wanted.clip(self.plan.header.shape)
        grey = read_box(self.conditioned, there)
        plain = self._plain(grey, there)
        grey, plain = pad_edges(grey, wanted, there), pad_edges(plain, wanted, there)
        if self.edges is None:
            inner = (slice(EDGE_REACH_VX, -EDGE_REACH_VX),) * 3
            return Surroundings(box, grey, plain, np.ascontiguousarray(plain[inner]))
        return Surroundings(box, grey, plain, refine_edges(grey, plain, self.edges))

    def _plain(self, grey: NDArray[np.uint16], box: Box) -> NDArray[np.uint8]:
        inside = specimen_voxels(self.mask, self.scale, grey, box)
        return classify_phases(grey, inside, self.thresholds.levels)

    def fold(self) -> None:
        """Leave the tallies to the reduce stage."""
