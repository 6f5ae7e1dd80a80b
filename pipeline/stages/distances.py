"""Distances: thickness, neighbours and curvature of particles: what lies beyond a tile too."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import zarr
from numpy.typing import NDArray

from pipeline.errors import DamageError
from pipeline.kernels.balls import Balls, plan_balls
from pipeline.kernels.curvature import (
    Curvatures,
    describe_curvature,
    fold_curvature,
    merge_curvatures,
)
from pipeline.kernels.distance import Metric, choose_metric
from pipeline.kernels.label import name_particles
from pipeline.kernels.mask import mask_box
from pipeline.kernels.neighbours import Neighbours, find_neighbours, merge_neighbours
from pipeline.kernels.thickness import (
    Thickness,
    describe_thickness,
    fold_thickness,
    merge_thickness,
)
from pipeline.model.distances import (
    KEPT_BYTES,
    curvature_radius_um,
    neighbour_halo,
    plan_distances,
)
from pipeline.model.grid import Box, TileGrid, Triple
from pipeline.model.plan import Plan
from pipeline.model.records import NEIGHBOURS, PARTICLES
from pipeline.stages.grey import read_mask
from pipeline.stores.job import JobFolder, read_arrays, write_arrays, write_partly
from pipeline.stores.volume import open_volume, read_box

FEWEST_KEPT = 27
"""Tiles that are kept in memory, or none are: a tile and its neighbours."""

THICK = ("body", "square", "count")
NEAR = ("body", "phase", "square", "other")
BENT = ("body", "step", "weight")


class DistancesStage:
    """``bodies.zarr`` and the particles' ids to more columns of ``particles.parquet``."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan
        radius_um = plan.recipe.describe.thickness_max_vx * min(plan.voxel_um) / 2
        self.asked = plan.recipe.describe
        self.reach_um = self.asked.neighbour_reach_vx * min(plan.voxel_um)
        self.metric: Metric = choose_metric(plan.voxel_um, max(radius_um, self.reach_um))
        self.limit = self.metric.square(radius_um) + 1
        self.steps = plan_distances(plan.recipe, plan.voxel_um, plan.tile_shape)
        self.radius_um = curvature_radius_um(plan.recipe, plan.voxel_um)
        # Tiles that are small beside their halo are read many times over.
        n_kept = KEPT_BYTES // (4 * math.prod(plan.tile_shape))
        self.n_kept = n_kept if n_kept >= FEWEST_KEPT else 0
        self.kept = lru_cache(self.n_kept)(self._tile_rows)

    @cached_property
    def bodies(self) -> zarr.Array[Any]:
        """Local ids."""
        return open_volume(self.folder.bodies)

    @cached_property
    def balls(self) -> Balls:
        """What curvature is counted in."""
        return plan_balls(self.plan.voxel_um, self.radius_um)

    @cached_property
    def first_row(self) -> NDArray[np.int64]:
        """Row of the first particle by position of the phase, from 1."""
        table = pq.read_table(self.folder.product("phases.parquet"))
        first = np.zeros(256, np.int64)
        first[1 : table.num_rows] = np.cumsum(table["n_particles"].to_numpy())[:-1]
        return first + 1

    @cached_property
    def phase_of(self) -> NDArray[np.uint8]:
        """Position of the phase by row, from 1; behind the particles one for outside."""
        table = pq.read_table(self.folder.product("phases.parquet"))
        n = table["n_particles"].to_numpy()
        positions = np.repeat(np.arange(n.size), n)
        return np.concatenate([[0], positions, [n.size]]).astype(np.uint8)

    def prepare(self) -> None:
        """Need nothing."""

    def process(self, number: int) -> int:
        """Measure one tile."""
        core = self.plan.grid.tile(number).core
        side: dict[str, NDArray[Any]] = {}
        bodies = None
        if self.asked.curvature:
            bent = self._fold_curvature(core)
            side |= {f"bent_{name}": getattr(bent, name) for name in BENT}
        if self.asked.neighbours:
            near, bodies = self._find_neighbours(core)
            side |= {f"near_{name}": getattr(near, name) for name in NEAR}
        if self.asked.thickness:
            found = merge_thickness(list(self._measure(core, 0, bodies)))
            side |= {name: getattr(found, name) for name in THICK}
        write_arrays(self.folder.side("distances", number), side)
        return core.n_voxels

    def _fold_curvature(self, core: Box) -> Curvatures:
        """Return how the surface of particles bends, where balls do not leave the volume."""
        reach, shape = self.balls.reach, self.plan.header.shape
        stop = tuple(max(n - r, r) for n, r in zip(shape, reach, strict=True))
        faces = core.meet(Box(reach, (stop[0], stop[1], stop[2])))
        seen = faces.grow(reach)
        return fold_curvature(self._rows(seen), faces.inside(seen), self.balls)

    def _find_neighbours(self, core: Box) -> tuple[Neighbours, NDArray[np.int32] | None]:
        """Return the nearest particles, and what thickness reads of the bodies that were read."""
        seen, _ = self._see(core.grow(neighbour_halo(self.plan.recipe, self.plan.voxel_um)))
        bodies = self._rows(seen)
        part = None
        if self.asked.thickness:
            first, _ = self._see(core.grow(self.steps[0].halo))
            if first.meet(seen) == first:
                part = bodies[first.within(seen)].copy()
        phase_of = self.phase_of
        self._mark_surface(bodies, seen, phase_of.size - 1)
        limit = self.metric.square(self.reach_um)
        near = find_neighbours(bodies, core.inside(seen), phase_of, self.metric.weights, limit)
        own = near.body < phase_of.size - 1
        return Neighbours(*(getattr(near, name)[own] for name in NEAR)), part

    def _mark_surface(self, bodies: NDArray[np.int32], seen: Box, row: int) -> None:
        """Give the outermost voxels beside the specimen a row of their own."""
        mask = read_mask(self.folder, self.plan)
        if mask is None or not mask.present:
            return
        volume = seen.clip(self.plan.header.shape)
        inside = mask_box(mask, volume).view(np.bool_)
        if inside.all():
            return
        near = np.zeros_like(inside)
        for axis in range(3):
            low = (slice(None),) * axis + (slice(None, -1),)
            high = (slice(None),) * axis + (slice(1, None),)
            near[low] |= inside[high]
            near[high] |= inside[low]
        near &= ~inside
        bodies[volume.within(seen)][near] = row

    def _measure(
        self, core: Box, level: int, bodies: NDArray[np.int32] | None = None
    ) -> Iterator[Thickness]:
        """Yield the thickness of a block; of its parts with a larger halo where it is too thick."""
        step = self.steps[level]
        seen, is_open = self._see(core.grow(step.halo))
        bodies = self._rows(seen) if bodies is None else bodies
        found = fold_thickness(bodies, core.inside(seen), is_open, self.metric.weights, self.limit)
        if found is not None:
            yield found
            return
        if level + 1 == len(self.steps):
            raise DamageError(f"no halo of {step.halo} voxels holds the bodies at {core.start}.")
        del bodies
        for part in cut_box(core, self.steps[level + 1].block):
            yield from self._measure(part, level + 1)

    def _see(self, wanted: Box) -> tuple[Box, NDArray[np.bool_]]:
        """Return the box to read for a wanted one, and beyond which faces bodies may go on.

        It ends one empty layer beyond the volume, whose border counts as a surface.
        """
        shape = self.plan.header.shape
        ends = zip(wanted.start, wanted.stop, shape, strict=True)
        is_open = np.array([(low > 0, high < n) for low, high, n in ends])
        low, high = ([int(not o) for o in faces] for faces in is_open.T)
        inside = wanted.clip(shape)
        return inside.grow((low[0], low[1], low[2]), (high[0], high[1], high[2])), is_open

    def _rows(self, seen: Box) -> NDArray[np.int32]:
        """Return the row in the catalogue of each voxel, from 1."""
        inside = seen.clip(self.plan.header.shape)
        rows = np.zeros(seen.shape, np.int32)
        for tile in self.plan.grid.meet(inside):
            part = tile.core.meet(inside)
            if self.n_kept:
                rows[part.within(seen)] = self.kept(tile.number)[part.within(tile.core)]
            else:
                rows[part.within(seen)] = self._part_rows(tile.number, part)
        return rows

    def _tile_rows(self, number: int) -> NDArray[np.int32]:
        return self._part_rows(number, self.plan.grid.tile(number).core)

    def _part_rows(self, number: int, part: Box) -> NDArray[np.int32]:
        """Return the row of each voxel of a part of one tile."""
        side = read_arrays(self.folder.side("reduce", number))
        row = self.first_row[side["phase"]] + side["particle_id"] - 1
        row[side["particle_id"] == 0] = 0
        table = np.concatenate([[0], row]).astype(np.uint32)
        return name_particles(read_box(self.bodies, part), table).view(np.int32)

    def fold(self) -> None:
        """Complete the rows of the particles, and write those of their neighbours."""
        if self.asked.thickness or self.asked.curvature:
            self._complete_rows()
        if self.asked.neighbours:
            self._write_neighbours()

    def _sides(self, names: Sequence[str]) -> Iterator[list[NDArray[Any]]]:
        for number in range(len(self.plan.grid)):
            side = read_arrays(self.folder.side("distances", number), names)
            yield [side[name] for name in names]

    def _complete_rows(self) -> None:
        """Fill columns of the particles; doing it again replaces the same ones."""
        path = self.folder.product("particles.parquet")
        table = pq.read_table(path)
        n = table.num_rows
        columns: dict[str, NDArray[np.float64]] = {}
        if self.asked.thickness:
            thick = merge_thickness([Thickness(*side) for side in self._sides(THICK)])
            columns |= describe_thickness(thick, n, self.metric, self.plan.voxel_um, self.limit)
        if self.asked.curvature:
            names = [f"bent_{name}" for name in BENT]
            bent = merge_curvatures([Curvatures(*side) for side in self._sides(names)])
            inscribed = columns.get("inscribed_diameter_um")
            columns |= describe_curvature(bent, n, self.radius_um, inscribed)
        place = self._places(table)
        for name, values in columns.items():
            at = table.schema.get_field_index(name)
            values = pa.array(values[place], PARTICLES.column(name).type, from_pandas=True)
            table = table.set_column(at, table.schema.field(at), values)
        write_partly(path, lambda partial: pq.write_table(table, partial))

    def _write_neighbours(self) -> None:
        names = [f"near_{name}" for name in NEAR]
        found = merge_neighbours([Neighbours(*side) for side in self._sides(names)])
        phases = np.array([*(phase.name for phase in self.plan.recipe.phases), "outside"])
        mine = self.phase_of[found.body]
        other = found.other - self.first_row[found.phase] + 1
        n = found.body.size
        values = {
            "scan_id": pa.array([self.plan.scan_id] * n, pa.string()),
            "job": pa.array([self.folder.name] * n, pa.string()),
            "phase": pa.array(phases[mine], pa.string()),
            "particle_id": found.body - self.first_row[mine] + 1,
            "other_phase": pa.array(phases[found.phase], pa.string()),
            "other_id": pa.array(other, pa.int64(), mask=found.phase == len(phases) - 1),
            "distance_um": self.metric.length_um(found.square),
        }
        table = pa.table([values[c.name] for c in NEIGHBOURS.columns], schema=NEIGHBOURS.schema)
        write_partly(
            self.folder.product("neighbours.parquet"), lambda path: pq.write_table(table, path)
        )

    def _places(self, table: pa.Table) -> NDArray[np.int64]:
        """Return where in the order of rows by position of phase each row of a table stands."""
        first = {
            phase.name: self.first_row[i] - 1 for i, phase in enumerate(self.plan.recipe.phases)
        }
        start = np.array([first[name] for name in table["phase"].to_pylist()], np.int64)
        return start + table["particle_id"].to_numpy() - 1


def cut_box(box: Box, shape: Triple) -> Iterator[Box]:
    """Yield the blocks of a box, in raster order."""
    for block in TileGrid(box.shape, shape):
        z, y, x = box.start
        (a, b, c), (d, e, f) = block.core.start, block.core.stop
        yield Box((z + a, y + b, x + c), (z + d, y + e, x + f))
