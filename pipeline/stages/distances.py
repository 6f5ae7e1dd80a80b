"""Distances: how thick each particle is, from maps that reach beyond its tile."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import zarr
from numpy.typing import NDArray

from pipeline.errors import DamageError
from pipeline.kernels.distance import Metric, choose_metric
from pipeline.kernels.label import name_particles
from pipeline.kernels.thickness import (
    Thickness,
    describe_thickness,
    fold_thickness,
    merge_thickness,
)
from pipeline.model.distances import KEPT_BYTES, plan_distances
from pipeline.model.grid import Box, TileGrid, Triple
from pipeline.model.plan import Plan
from pipeline.model.records import PARTICLES
from pipeline.stores.job import JobFolder, read_arrays, write_arrays, write_partly
from pipeline.stores.volume import open_volume, read_box

FEWEST_KEPT = 27
"""Tiles that are kept in memory, or none are: a tile and its neighbours."""


class DistancesStage:
    """``bodies.zarr`` and the particles' ids to more columns of ``particles.parquet``."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan
        radius_um = plan.recipe.describe.thickness_max_vx * min(plan.voxel_um) / 2
        self.metric: Metric = choose_metric(plan.voxel_um, radius_um)
        self.limit = self.metric.square(radius_um) + 1
        self.steps = plan_distances(plan.recipe, plan.voxel_um, plan.tile_shape)
        # Tiles that are small beside their halo are read many times over.
        n_kept = KEPT_BYTES // (4 * math.prod(plan.tile_shape))
        self.n_kept = n_kept if n_kept >= FEWEST_KEPT else 0
        self.kept = lru_cache(self.n_kept)(self._tile_rows)

    @cached_property
    def bodies(self) -> zarr.Array[Any]:
        """Local ids."""
        return open_volume(self.folder.bodies)

    @cached_property
    def first_row(self) -> NDArray[np.int64]:
        """Row of the first particle by position of the phase, from 1."""
        table = pq.read_table(self.folder.product("phases.parquet"))
        first = np.zeros(256, np.int64)
        first[1 : table.num_rows] = np.cumsum(table["n_particles"].to_numpy())[:-1]
        return first + 1

    def prepare(self) -> None:
        """Need nothing."""

    def process(self, number: int) -> int:
        """Measure one tile."""
        core = self.plan.grid.tile(number).core
        found = merge_thickness(list(self._measure(core, 0)))
        side: dict[str, NDArray[Any]] = {
            "body": found.body,
            "square": found.square,
            "count": found.count,
        }
        write_arrays(self.folder.side("distances", number), side)
        return core.n_voxels

    def _measure(self, core: Box, level: int) -> Iterator[Thickness]:
        """Yield the thickness of a block; of its parts with a larger halo where it is too thick."""
        step = self.steps[level]
        bodies, seen, is_open = self._rows(core.grow(step.halo))
        z, y, x = core.within(seen)
        inner = Box((z.start, y.start, x.start), (z.stop, y.stop, x.stop))
        found = fold_thickness(bodies, inner, is_open, self.metric.weights, self.limit)
        if found is not None:
            yield found
            return
        if level + 1 == len(self.steps):
            raise DamageError(f"no halo of {step.halo} voxels holds the bodies at {core.start}.")
        del bodies
        for part in cut_box(core, self.steps[level + 1].block):
            yield from self._measure(part, level + 1)

    def _rows(self, wanted: Box) -> tuple[NDArray[np.int32], Box, NDArray[np.bool_]]:
        """Return the row in the catalogue of each voxel, from 1, and which faces are open.

        The box ends one empty layer beyond the volume, whose border counts as a surface.
        """
        shape = self.plan.header.shape
        ends = zip(wanted.start, wanted.stop, shape, strict=True)
        is_open = np.array([(low > 0, high < n) for low, high, n in ends])
        low, high = ([int(not o) for o in faces] for faces in is_open.T)
        inside = wanted.clip(shape)
        seen = inside.grow((low[0], low[1], low[2]), (high[0], high[1], high[2]))
        rows = np.zeros(seen.shape, np.int32)
        for tile in self.plan.grid.meet(inside):
            part = tile.core.meet(inside)
            if self.n_kept:
                rows[part.within(seen)] = self.kept(tile.number)[part.within(tile.core)]
            else:
                rows[part.within(seen)] = self._part_rows(tile.number, part)
        return rows, seen, is_open

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
        """Complete the rows of the particles; doing it again replaces the same columns."""
        names = ("body", "square", "count")
        sides = (self.folder.side("distances", n) for n in range(len(self.plan.grid)))
        found = merge_thickness([Thickness(**read_arrays(side, names)) for side in sides])
        path = self.folder.product("particles.parquet")
        table = pq.read_table(path)
        columns = describe_thickness(
            found, table.num_rows, self.metric, self.plan.voxel_um, self.limit
        )
        place = self._places(table)
        for name, values in columns.items():
            at = table.schema.get_field_index(name)
            values = pa.array(values[place], PARTICLES.column(name).type, from_pandas=True)
            table = table.set_column(at, table.schema.field(at), values)
        write_partly(path, lambda partial: pq.write_table(table, partial))

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
