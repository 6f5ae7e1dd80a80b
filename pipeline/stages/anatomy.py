"""Anatomy: what a particle's own voxels tell only when all of them are seen together.

A particle belongs to the tile that holds the low corner of its box.  Its voxels are cut out whole,
from as many tiles as it spans, so that the tiling cannot matter; boxes of more voxels than the
recipe's ``describe.largest_box`` are left out, whatever the tiles.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import zarr
from numpy.typing import NDArray

from pipeline.kernels.label import name_particles
from pipeline.kernels.members import measure_members, split_members
from pipeline.kernels.midsurface import measure_bending
from pipeline.kernels.skeleton import count_skeleton
from pipeline.model.grid import Box
from pipeline.model.plan import Plan
from pipeline.model.records import MEMBERS, PARTICLES
from pipeline.model.records.particles import ANATOMY, SKELETON
from pipeline.stores.job import JobFolder, read_arrays, write_arrays, write_partly
from pipeline.stores.volume import open_volume, read_box

BOX = tuple(f"bbox_{a}_{end}_vx" for end in ("start", "stop") for a in "zyx")
SHEETS = ("platelet", "branched")
"""Classes of shape that may be sheets: much bending leaves a platelet's convex hull empty."""

NEEDED = (
    *("phase", "particle_id", "n_voxels", "shape_class", "thickness_um"),
    *("extent_intermediate_um", "minor_z", "minor_y", "minor_x"),
)
PLATE = np.dtype(
    [
        ("row", np.int64),
        ("voxels", np.int64),
        ("centroid", np.float64, 3),
        ("normal", np.float64, 3),
        ("sizes", np.float64, 3),
    ]
)
"""One member: row of its body, and what is measured; sizes are thickness, length and width."""


class AnatomyStage:
    """``bodies.zarr`` and the particles' boxes to more columns of ``particles.parquet``."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan
        self.asked = plan.recipe.describe

    @cached_property
    def bodies(self) -> zarr.Array[Any]:
        """Local ids."""
        return open_volume(self.folder.bodies)

    @cached_property
    def rows(self) -> dict[str, NDArray[Any]]:
        """Columns of the particles."""
        table = pq.read_table(self.folder.product("particles.parquet"), columns=[*BOX, *NEEDED])
        return {name: table[name].to_numpy() for name in table.column_names}

    @cached_property
    def boxes(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Low and high corners of all particles."""
        corners = np.stack([self.rows[name] for name in BOX], 1).reshape(-1, 6)
        return corners[:, :3], corners[:, 3:]

    @cached_property
    def first_row(self) -> NDArray[np.int64]:
        """Row of the first particle of each phase, by its position; rows go by name of phase."""
        first = np.zeros(256, np.int64)
        for i, phase in enumerate(self.plan.recipe.phases):
            first[i] = np.count_nonzero(self.rows["phase"] < phase.name)
        return first

    @cached_property
    def may_split(self) -> NDArray[np.bool_]:
        """Which particles members are wanted of: sheets that are not too large."""
        rows = self.rows
        flat = 4.0 * rows["thickness_um"] <= rows["extent_intermediate_um"]
        return flat & (8 * rows["n_voxels"] <= self.asked.largest_box) & self.asked.members

    @cached_property
    def wanted(self) -> NDArray[np.bool_]:
        """Which particles are cut out: the others have no value in any column."""
        low, high = self.boxes
        some = self.may_split | self.asked.skeleton
        if self.asked.bending:
            some |= np.isin(self.rows["shape_class"], SHEETS)
        return some & ((high - low).prod(1) <= self.asked.largest_box)

    def prepare(self) -> None:
        """Need nothing."""

    def process(self, number: int) -> int:
        """Describe the particles that a tile owns."""
        core = self.plan.grid.tile(number).core
        low, high = self.boxes
        mine = ((low >= core.start) & (low < core.stop)).all(1) & self.wanted
        rows = np.flatnonzero(mine)
        tables: dict[int, NDArray[np.uint32]] = {}
        own = self._read(core, tables) if (mine & (high <= core.stop).all(1)).any() else None
        found: dict[str, list[float | None]] = {name: [] for name in ANATOMY}
        plates = [np.zeros(0, PLATE)]
        for row in rows.tolist():
            box = _box(low[row], high[row])
            if own is not None and (high[row] <= core.stop).all():
                mask = own[box.within(core)] == row + 1
            else:
                mask = self._read(box, tables) == row + 1
            described = self._describe(row, mask)
            if self.may_split[row]:
                plates.append(self._split(row, mask))
                described["n_members"] = len(plates[-1])
            for name in ANATOMY:
                found[name].append(described.get(name))
        side = {name: np.array(values, np.float64) for name, values in found.items()}
        side["members"] = np.concatenate(plates)
        write_arrays(self.folder.side("anatomy", number), {"row": rows, **side})
        return core.n_voxels

    def _read(self, box: Box, tables: dict[int, NDArray[np.uint32]]) -> NDArray[np.uint32]:
        """Return the row of each voxel of a box, counted from 1; 0 where there is none."""
        rows = np.zeros(box.shape, np.uint32)
        for tile in self.plan.grid.meet(box):
            if tile.number not in tables:
                tables[tile.number] = self._table(tile.number)
            part = tile.core.meet(box)
            rows[part.within(box)] = name_particles(
                read_box(self.bodies, part), tables[tile.number]
            )
        return rows

    def _table(self, number: int) -> NDArray[np.uint32]:
        """Return the row of each local id of a tile, counted from 1."""
        side = read_arrays(self.folder.side("reduce", number))
        row = self.first_row[side["phase"]] + side["particle_id"]
        return np.concatenate([[0], np.where(side["particle_id"] > 0, row, 0)]).astype(np.uint32)

    def _describe(self, row: int, mask: NDArray[np.bool_]) -> dict[str, float | None]:
        """Return the columns of one particle."""
        asked, rows = self.asked, self.rows
        columns: dict[str, float | None] = {}
        if asked.bending and rows["shape_class"][row] in SHEETS:
            normal = np.array([rows[f"minor_{a}"][row] for a in "zyx"])
            bending = measure_bending(mask, normal, self.plan.voxel_um)
            columns["bending_um"] = bending
            columns["bending"] = bending / float(rows["thickness_um"][row])
        if asked.skeleton:
            columns |= dict(zip(SKELETON, count_skeleton(mask), strict=True))
        return columns

    def _split(self, row: int, mask: NDArray[np.bool_]) -> NDArray[np.void]:
        """Return the members of a particle."""
        voxel_um = self.plan.voxel_um
        split = split_members(mask, voxel_um, float(self.rows["thickness_um"][row]))
        found = measure_members(split, voxel_um)
        plates = np.zeros(found.voxels.size, PLATE)
        plates["row"] = row
        plates["voxels"], plates["normal"] = found.voxels, found.normal
        plates["centroid"] = found.centroid + self.boxes[0][row] * np.array(voxel_um)
        plates["sizes"] = np.stack([found.thickness, found.length, found.width], 1)
        return plates

    def fold(self) -> None:
        """Complete the rows of the particles; doing it again replaces the same columns."""
        path = self.folder.product("particles.parquet")
        table = pq.read_table(path)
        sides = [
            read_arrays(self.folder.side("anatomy", number))
            for number in range(len(self.plan.grid))
        ]
        rows = np.concatenate([side["row"] for side in sides])
        for name in ANATOMY:
            values = np.full(table.num_rows, np.nan)
            values[rows] = np.concatenate([side[name] for side in sides])
            at = table.schema.get_field_index(name)
            column = pa.array(values, mask=np.isnan(values)).cast(PARTICLES.column(name).type)
            table = table.set_column(at, table.schema.field(at), column)
        if self.asked.members:
            members = self._tabulate(table, np.concatenate([side["members"] for side in sides]))
            product = self.folder.product("members.parquet")
            write_partly(product, lambda partial: pq.write_table(members, partial))
        write_partly(path, lambda partial: pq.write_table(table, partial))

    def _tabulate(self, particles: pa.Table, plates: NDArray[np.void]) -> pa.Table:
        """Return the rows of table `members`, in the order of their bodies."""
        plates = plates[np.argsort(plates["row"], kind="stable")]
        body, first = plates["row"], np.searchsorted(plates["row"], plates["row"])
        of_body = particles.take(pa.array(body))
        load = np.array(self.plan.recipe.load_axis) / np.linalg.norm(self.plan.recipe.load_axis)
        normal = plates["normal"]
        cosine = np.abs(normal[:, 0] * load[0] + normal[:, 1] * load[1] + normal[:, 2] * load[2])
        values: dict[str, Any] = {
            **{name: of_body[name] for name in ("scan_id", "job", "phase", "particle_id")},
            "member_id": np.arange(body.size) - first + 1,
            "n_voxels": plates["voxels"],
            "volume_um3": plates["voxels"] * float(np.prod(self.plan.voxel_um)),
            "load_angle_deg": np.degrees(np.arccos(np.minimum(cosine, 1.0))),
            **dict(zip(("thickness_um", "length_um", "width_um"), plates["sizes"].T, strict=True)),
        }
        for i, axis in enumerate("zyx"):
            values[f"centroid_{axis}_um"] = plates["centroid"][:, i]
            values[f"normal_{axis}"] = normal[:, i]
        return pa.table([values[c.name] for c in MEMBERS.columns], schema=MEMBERS.schema)


def _box(low: NDArray[np.int64], high: NDArray[np.int64]) -> Box:
    (a, b, c), (d, e, f) = low.tolist(), high.tolist()
    return Box((a, b, c), (d, e, f))
