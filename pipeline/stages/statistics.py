"""Statistics: numbers of the whole scan from what tiles counted and from its rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from pipeline.analysis.counts import Columns, ScanCounts
from pipeline.analysis.estimates import Estimate
from pipeline.analysis.summary import describe_scan, describe_thresholds
from pipeline.analysis.surfaces import Steps
from pipeline.kernels.cells import DIRECTIONS
from pipeline.kernels.descriptors import crofton_weights
from pipeline.model.plan import CONTACT_BLOCKS, SAMPLE_BLOCKS, Plan, block_edge_vx
from pipeline.model.records import STATISTICS
from pipeline.stages.grey import sum_sides
from pipeline.stages.segment import read_thresholds
from pipeline.stores.job import JobFolder, read_arrays, write_partly


class StatisticsStage:
    """Side files of the label stage and ``particles.parquet`` to ``statistics.parquet``."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan

    def prepare(self) -> None:
        """Need nothing."""

    def process(self, number: int) -> int:
        """Have no tiles."""
        raise RuntimeError(f"the statistics stage has no tile {number}")

    def fold(self) -> None:
        """Add up the counts and describe the scan."""
        plan, folder = self.plan, self.folder
        asked = plan.recipe.statistics
        found = describe_scan(
            sum_counts(folder, plan), self._particles(), asked.component_mm3, asked.wanted_error
        )
        thresholds = read_thresholds(folder)
        histogram = read_arrays(folder.product("histogram.npz"))["histogram"]
        names = [phase.name for phase in plan.recipe.phases]
        found += describe_thresholds(names, histogram, thresholds.levels, thresholds.noise_sd)
        table = tabulate(found, plan.scan_id, folder.name)
        write_partly(folder.product("statistics.parquet"), lambda path: pq.write_table(table, path))

    def _particles(self) -> dict[str, Columns]:
        """Return the rows of each phase whose bodies are counted."""
        rows = pq.read_table(self.folder.product("particles.parquet"))
        split: dict[str, Columns] = {}
        for position in self.plan.recipe.particle_phases:
            name = self.plan.recipe.phases[position].name
            mine = rows.filter(pc.equal(rows["phase"], name))
            split[name] = {c: mine[c].to_numpy() for c in mine.column_names}
        return split


def sum_counts(folder: JobFolder, plan: Plan) -> ScanCounts:
    """Return the counts that the tiles of a job left, added up.

    Parameters
    ----------
    folder : JobFolder
        The job, with its label stage done.
    plan : Plan
        Its plan.

    Returns
    -------
    ScanCounts
        Counts of the scan.
    """
    shape, n_phases = plan.header.shape, len(plan.recipe.phases)
    block = block_edge_vx(shape, SAMPLE_BLOCKS)
    wide = block_edge_vx(shape, CONTACT_BLOCKS)
    voxels = np.zeros((*(-(-n // block) for n in shape), n_phases), np.int64)
    contacts = np.zeros((*(-(-n // wide) for n in shape), n_phases, n_phases), np.int64)
    names = ("sample_first", "sample_voxels", "contact_first", "sample_contacts")
    for number in range(len(plan.grid)):
        side = read_arrays(folder.side("label", number), names)
        _add(voxels, side["sample_voxels"], side["sample_first"])
        _add(contacts, side["sample_contacts"], side["contact_first"])
    lengths = np.sqrt(((np.array(DIRECTIONS) * np.array(plan.voxel_um)) ** 2).sum(1))
    return ScanCounts(
        phases=tuple(phase.name for phase in plan.recipe.phases),
        shape=shape,
        voxel_um=plan.voxel_um,
        block_vx=block,
        contact_vx=wide,
        voxels=voxels,
        contacts=contacts,
        pairs=sum_sides(folder, "label", plan.grid, "sample_pairs"),
        steps=Steps(lengths, crofton_weights(plan.voxel_um)),
        load_axis=plan.recipe.load_axis,
    )


def _add(total: NDArray[np.int64], part: NDArray[np.integer], first: NDArray[np.int64]) -> None:
    total[tuple(slice(a, a + n) for a, n in zip(first, part.shape[:3], strict=True))] += part


def tabulate(found: Sequence[Estimate], scan_id: str, job: str) -> pa.Table:
    """Return estimates as rows of the table `statistics`.

    Parameters
    ----------
    found : sequence of Estimate
        Numbers of a scan.
    scan_id, job : str
        What the rows belong to.

    Returns
    -------
    pyarrow.Table
        Rows in the same order.
    """
    rows = [{"scan_id": scan_id, "job": job, **asdict(estimate)} for estimate in found]
    return pa.Table.from_pylist(rows, schema=STATISTICS.schema)
