"""Reduce: tallies folded through the seams, one row a particle; runs on the driver."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property, partial

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from pipeline.kernels.contacts import Contacts, measure_contacts, merge_contacts
from pipeline.kernels.convexity import HullColumns, TileHulls
from pipeline.kernels.descriptors import describe_particles
from pipeline.kernels.reduce import (
    Census,
    MergedTallies,
    merge_boxes,
    merge_extremes,
    merge_sums,
    sum_sizes,
    take_census,
)
from pipeline.kernels.seams import flatten_forest, merge_pairs
from pipeline.kernels.shapes import classify_shapes
from pipeline.kernels.tally import BEYOND, NO_VOXEL, N
from pipeline.model.plan import Plan
from pipeline.model.recipe import OUTSIDE
from pipeline.model.records import CONTACTS, PARTICLES, PHASES
from pipeline.model.records.particles import ANATOMY, DISTANCES
from pipeline.stages.cavities import PAIRS, describe_cavities
from pipeline.stages.grey import read_scale, sum_sides
from pipeline.stages.label import smallest_particles
from pipeline.stages.quality import (
    describe_sensitivity,
    measure_quality,
    merge_lost,
    write_quality,
)
from pipeline.stages.segment import find_sure_greys, read_thresholds
from pipeline.stores.job import JobFolder, read_arrays, write_arrays, write_partly


class ReduceStage:
    """Tallies and pairs to the rows of a scan and the table from local ids to particles."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan

    @cached_property
    def sure_greys(self) -> tuple[int | None, ...]:
        """Conditioned grey that a body of each phase must reach; None where all are sure."""
        return find_sure_greys(read_thresholds(self.folder), self.plan.recipe)

    def prepare(self) -> None:
        """Need nothing."""

    def process(self, number: int) -> int:
        """Have no tiles."""
        raise RuntimeError(f"the reduce stage has no tile {number}")

    def fold(self) -> None:
        """Merge, number, describe."""
        offsets = self._count_bodies()
        root = self._merge_seams(offsets)
        census = self._number_bodies(root, offsets)
        merged = self._merge_tallies(census, offsets)
        self._write_rows(census, merged, root, offsets)
        self._write_contacts(census, offsets)
        ids, phase = census.name_bodies()
        for number in range(len(self.plan.grid)):
            part = slice(offsets[number], offsets[number + 1])
            write_arrays(
                self.folder.side("reduce", number), {"particle_id": ids[part], "phase": phase[part]}
            )

    def _tallies(self, number: int) -> NDArray[np.int64]:
        return read_arrays(self.folder.side("label", number), ("tallies",))["tallies"]

    def _contacts(
        self, census: Census, offsets: NDArray[np.int64]
    ) -> Iterator[tuple[Contacts, NDArray[np.int64]]]:
        names = ("contact_body", "contact_other", "contact_kind", "contact_faces")
        for number in range(len(self.plan.grid)):
            found = read_arrays(self.folder.side("label", number), names)
            body, other, kind, faces = (found[name] for name in names)
            tile = Contacts(body, other, kind, faces.astype(np.int64))
            yield tile, census.row_of[offsets[number] : offsets[number + 1]]

    def _write_contacts(self, census: Census, offsets: NDArray[np.int64]) -> None:
        plan = self.plan
        found = merge_contacts(self._contacts(census, offsets))
        names = np.full(256, "", object)
        names[: len(plan.recipe.phases)] = [phase.name for phase in plan.recipe.phases]
        names[OUTSIDE], names[BEYOND] = "outside", "border"
        area = measure_contacts(found.faces, plan.voxel_um)
        total = np.bincount(found.body, area, minlength=census.particle_id.size)
        # Row -1 picks the appended last entry, and is masked.
        ids = np.append(census.particle_id, np.int64(0))[found.other]
        n = found.body.size
        values = {
            "scan_id": pa.array([plan.scan_id] * n, pa.string()),
            "job": pa.array([self.folder.name] * n, pa.string()),
            "phase": pa.array(names[census.phase[found.body]], pa.string()),
            "particle_id": census.particle_id[found.body],
            "other_phase": pa.array(names[found.kind], pa.string()),
            "other_id": pa.array(ids, pa.int64(), mask=found.other < 0),
            **{f"n_faces_{a}": found.faces[:, i] for i, a in enumerate("zyx")},
            "contact_um2": area,
            "share": area / total[found.body],
        }
        table = pa.table([values[c.name] for c in CONTACTS.columns], schema=CONTACTS.schema)
        write_partly(
            self.folder.product("contacts.parquet"), lambda path: pq.write_table(table, path)
        )

    def _hulls(self, number: int, census: Census, offsets: NDArray[np.int64]) -> TileHulls:
        found = read_arrays(
            self.folder.side("label", number), ("hull_offsets", "hull_corners", "hull_sizes")
        )
        return TileHulls(
            rows=census.row_of[offsets[number] : offsets[number + 1]],
            offsets=found["hull_offsets"],
            corners=found["hull_corners"],
            sizes=found["hull_sizes"],
            origin=self.plan.grid.tile(number).core.start,
        )

    def _count_bodies(self) -> NDArray[np.int64]:
        """Return the index of each tile's first local id among those of all tiles."""
        counts = [len(self._tallies(number)) - 1 for number in range(len(self.plan.grid))]
        return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)

    def _merge_seams(self, offsets: NDArray[np.int64]) -> NDArray[np.int64]:
        parent = np.arange(offsets[-1])
        for number in range(len(self.plan.grid)):
            for name, pairs in read_arrays(self.folder.side("seams", number)).items():
                if not name.startswith(PAIRS):  # Local ids count from 1.
                    merge_pairs(parent, pairs, offsets[number] - 1, offsets[int(name)] - 1)
        flatten_forest(parent)
        return parent

    def _number_bodies(self, root: NDArray[np.int64], offsets: NDArray[np.int64]) -> Census:
        size = np.zeros(root.size, np.int64)
        first = np.full(root.size, NO_VOXEL)
        phase = np.zeros(root.size, np.uint8)
        for number in range(len(self.plan.grid)):
            sum_sizes(self._tallies(number), root, offsets[number], size, first, phase)
        sure = self._find_sure(root, offsets, phase)
        return take_census(root, size, first, phase, smallest_particles(self.plan.recipe), sure)

    def _find_sure(
        self, root: NDArray[np.int64], offsets: NDArray[np.int64], phase: NDArray[np.uint8]
    ) -> NDArray[np.bool_] | None:
        """Return by root whether a body's own extreme of grey reaches the sure level."""
        if self.plan.recipe.segment.sure is None:
            return None
        low, high = np.full(root.size, NO_VOXEL), np.zeros(root.size, np.int64)
        for number in range(len(self.plan.grid)):
            merge_extremes(self._tallies(number), root, offsets[number], low, high)
        sure = np.ones(root.size, np.bool_)
        for p, grey in enumerate(self.sure_greys):
            mine = phase == p
            if grey is not None:
                bright = p > self.plan.recipe.background
                sure[mine] = high[mine] >= grey if bright else low[mine] <= grey
        return sure

    def _merge_tallies(self, census: Census, offsets: NDArray[np.int64]) -> MergedTallies:
        merged = MergedTallies.empty(census.particle_id.size)
        for merge in (merge_boxes, merge_sums):
            for tile in self.plan.grid:
                rows = census.row_of[offsets[tile.number] : offsets[tile.number + 1]]
                merge(merged, self._tallies(tile.number), rows, tile.core.start)
        return merged

    def _write_rows(
        self,
        census: Census,
        merged: MergedTallies,
        root: NDArray[np.int64],
        offsets: NDArray[np.int64],
    ) -> None:
        plan, scale = self.plan, read_scale(self.folder)
        columns = describe_particles(
            merged, plan.voxel_um, plan.recipe.load_axis, scale.gain, scale.offset
        )
        hulls = HullColumns(columns, plan.voxel_um, plan.recipe.load_axis)
        columns |= hulls.describe(
            len(plan.grid), partial(self._hulls, census=census, offsets=offsets), merged
        )
        columns |= describe_cavities(
            self.folder, plan, census, root, offsets, columns["euler_number"]
        )
        columns |= classify_shapes(columns)
        lost = merge_lost(self.folder, census.row_of, offsets, len(census.phase))
        columns |= describe_sensitivity(merged.narrow[:, N], lost)
        names = np.array([phase.name for phase in plan.recipe.phases])
        n = census.particle_id.size
        values = {
            "scan_id": pa.array([plan.scan_id] * n, pa.string()),
            "job": pa.array([self.folder.name] * n, pa.string()),
            "phase": pa.array(names[census.phase], pa.string()),
            "particle_id": census.particle_id,
            **{name: pa.nulls(n, PARTICLES.column(name).type) for name in (*ANATOMY, *DISTANCES)},
            **columns,
        }
        # Rows leave ordered as the catalogue reads them: phases by name.
        order = np.argsort(names[census.phase], kind="stable")
        table = pa.table([values[c.name] for c in PARTICLES.columns], schema=PARTICLES.schema)
        write_partly(
            self.folder.product("particles.parquet"),
            lambda path: pq.write_table(table.take(pa.array(order)), path),
        )
        quality = measure_quality(self.folder, plan, scale, columns, census.phase)
        write_quality(self.folder, quality)
        phases = self._describe_phases(census, columns, quality.phases)
        write_partly(
            self.folder.product("phases.parquet"), lambda path: pq.write_table(phases, path)
        )

    def _describe_phases(
        self,
        census: Census,
        columns: dict[str, NDArray[np.generic]],
        quality: Sequence[Mapping[str, object]],
    ) -> pa.Table:
        plan, grid = self.plan, self.plan.grid
        voxel = float(np.prod(plan.voxel_um))
        searched = read_thresholds(self.folder).n_voxels
        n_voxels = sum_sides(self.folder, "label", grid, "phase_voxels")
        small = census.small_bodies + sum_sides(self.folder, "label", grid, "small_bodies")
        small_voxels = census.small_voxels + sum_sides(self.folder, "label", grid, "small_voxels")
        scale, asked = read_scale(self.folder), plan.recipe.segment.sure is not None
        rows = []
        for position, phase in enumerate(plan.recipe.phases):
            sure = self.sure_greys[position]
            mine = census.phase == position
            volumes = columns["volume_um3"][mine]
            n_particles = int(mine.sum())
            at_border = columns["touches_border"][mine]
            rows.append(
                {
                    "scan_id": plan.scan_id,
                    "job": self.folder.name,
                    "phase": phase.name,
                    "position": position,
                    "kind": phase.kind,
                    "n_voxels": int(n_voxels[position]),
                    "volume_um3": n_voxels[position] * voxel,
                    "volume_fraction": n_voxels[position] / searched if searched else None,
                    "n_particles": n_particles,
                    "n_small_bodies": int(small[position]),
                    "n_voxels_small": int(small_voxels[position]),
                    "n_unsure_bodies": int(census.unsure_bodies[position]) if asked else None,
                    "n_voxels_unsure": int(census.unsure_voxels[position]) if asked else None,
                    "sure_grey": None if sure is None else sure * scale.gain + scale.offset,
                    "min_voxels": phase.min_voxels,
                    "n_under_resolved": int(columns["under_resolved"][mine].sum()),
                    "n_touching_border": int(at_border.sum()),
                    "n_touching_mask": int((columns["touches_mask_edge"][mine] & ~at_border).sum()),
                    "number_density_mm3": (
                        n_particles / (searched * voxel * 1e-9) if searched else None
                    ),
                    "largest_volume_um3": float(volumes.max()) if n_particles else None,
                    **quality[position],
                }
            )
        return pa.Table.from_pylist(rows, schema=PHASES.schema)
