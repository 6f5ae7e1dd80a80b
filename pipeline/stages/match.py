"""Match: a tile of either scan a task; fates, and the commit, when all are done."""

from __future__ import annotations

import json
from functools import cached_property
from typing import Any

import numpy as np
import pyarrow as pa
import zarr
from numpy.typing import NDArray

from pipeline.analysis.fates import Side, decide_fates
from pipeline.errors import NotFoundError, PlanError
from pipeline.kernels.overlap import Overlaps, count_overlaps, merge_overlaps, near_offsets
from pipeline.model.grid import Box, TileGrid, Triple
from pipeline.model.match import MatchedScan, MatchTask
from pipeline.model.plan import Plan
from pipeline.model.records import FATES
from pipeline.model.similarity import Similarity
from pipeline.stages.warm import warm_match
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.crops import open_crops
from pipeline.stores.job import JobFolder, read_arrays, write_arrays, write_whole
from pipeline.stores.volume import open_volume, read_box

BLOCK_VX = 128
"""Longest edge of the blocks that a tile is looked up in."""

# 2V/S of a plate falls when it breaks, though its pieces are as thick: local thickness does not.
_THICKNESS = "local_thickness_mean_um"
_COLUMNS = (
    "phase",
    "particle_id",
    "n_voxels",
    "centroid_z_um",
    "centroid_y_um",
    "centroid_x_um",
    _THICKNESS,
)
_FIELDS = ("ids", "n_voxels", "n_in_field", "pairs", "n_same", "n_near")


class MatchStage:
    """Labels of two scans to fates.  The first tiles are those of the scan before."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        if plan.match is None:
            raise PlanError(f"job {folder.name} asks for no match.")
        self.folder, self.task = folder, plan.match
        self.grids = [grid_of(scan) for scan in (self.task.before, self.task.after)]

    @cached_property
    def sides(self) -> list[_Labels]:
        """Both scans, each to be looked up in the other."""
        task = self.task
        return [_Labels(self.folder, scan, task.phases) for scan in (task.before, task.after)]

    def prepare(self) -> None:
        """Check that both censuses still stand, and compile what workers will run."""
        for scan in (self.task.before, self.task.after):
            check_census(Catalogue(self.folder.workspace / "catalogue"), scan)
        warm_match()

    def process(self, number: int) -> int:
        """Look up the particles of one tile, and return its voxels."""
        which, place = self._find(number)
        core = self.grids[which].tile(place).core
        own, other = self.sides[which], self.sides[1 - which]
        move = self.task.move if which == 0 else self.task.move.inverse()
        matrix, shift = index_move(move, own.scan, other.scan)
        offsets = near_offsets(self.task.tolerance_um, other.scan.voxel_um)
        arrays: dict[str, NDArray[Any]] = {}
        for position, phase in enumerate(self.task.phases):
            parts = []
            for tile in TileGrid(core.shape, (BLOCK_VX,) * 3):
                block = _shifted(tile.core, core.start)
                labels = read_box(own.particles[phase], block)
                box = other_box(block, matrix, shift, offsets, other.scan.shape)
                if not labels.any():
                    continue
                parts.append(
                    count_overlaps(
                        labels,
                        np.asarray(block.start, np.int64),
                        read_box(other.particles[phase], box),
                        read_box(other.phases, box),
                        box,
                        matrix,
                        shift,
                        offsets,
                    )
                )
            found = merge_overlaps(parts)
            arrays |= {f"{position}_{name}": getattr(found, name) for name in _FIELDS}
        write_arrays(self.folder.side("match", number), arrays)
        return core.n_voxels

    def fold(self) -> None:
        """Merge the counts of all tiles, decide fates, and commit them with the scan before."""
        task, catalogue = self.task, Catalogue(self.folder.workspace / "catalogue")
        for scan in (task.before, task.after):
            check_census(catalogue, scan)
        rows: list[dict[str, Any]] = []
        tables = [
            catalogue.read("particles", scan.scan_id, _COLUMNS)
            for scan in (task.before, task.after)
        ]
        for position, phase in enumerate(task.phases):
            sides = [self._side(which, position, phase, tables[which]) for which in (0, 1)]
            found = decide_fates(sides[0], sides[1], task.move, task.change_share)
            rows += [{"phase": phase, **row} for row in found]
        common = {
            "scan_id": task.before.scan_id,
            "job": task.before.census_job,
            "scan_after": task.after.scan_id,
            "registration_error_um": task.error_um,
            "tolerance_um": task.tolerance_um,
            "change_share": task.change_share,
            "job_after": task.after.census_job,
            "match_job": self.folder.name,
        }
        table = pa.Table.from_pylist([row | common for row in rows], schema=FATES.schema)
        earlier = catalogue.read(FATES.name, task.before.scan_id)
        kept = earlier.filter(pa.compute.field("scan_after") != task.after.scan_id)
        table = pa.concat_tables([kept.cast(FATES.schema), table])
        version = catalogue.amend(task.before.scan_id, task.before.census_job, FATES.name, table)
        write_whole(self.folder.product("commit.json"), json.dumps({"version": version}).encode())

    def _find(self, number: int) -> tuple[int, int]:
        n = len(self.grids[0])
        return (0, number) if number < n else (1, number - n)

    def _side(self, which: int, position: int, phase: str, particles: pa.Table) -> Side:
        first = 0 if which == 0 else len(self.grids[0])
        names = [f"{position}_{name}" for name in _FIELDS]
        parts = []
        for number in range(first, first + len(self.grids[which])):
            stored = read_arrays(self.folder.side("match", number), names)
            parts.append(Overlaps(*(stored[name] for name in names)))
        found = merge_overlaps(parts)
        rows = particles.filter(pa.compute.field("phase") == phase)
        scan = (self.task.before, self.task.after)[which]
        if rows["particle_id"].to_pylist() != found.ids.tolist():
            raise NotFoundError(
                f"scan {scan.scan_id} has {rows.num_rows} {phase} particles in the catalogue and "
                f"{found.ids.size} in its labels.",
                "Submit the scan again with --replace.",
            )
        return Side(
            ids=found.ids,
            n_voxels=found.n_voxels,
            n_in_field=found.n_in_field,
            pairs=found.pairs,
            n_same=found.n_same,
            n_near=found.n_near,
            voxel_um3=float(np.prod(scan.voxel_um)),
            centroid_um=np.stack([rows[f"centroid_{a}_um"].to_numpy() for a in "zyx"], axis=1),
            thickness_um=rows[_THICKNESS].cast(pa.float64()).to_numpy(zero_copy_only=False),
        )


class _Labels:
    """The labels of one scan."""

    def __init__(self, folder: JobFolder, scan: MatchedScan, phases: tuple[str, ...]) -> None:
        store = open_crops(folder.workspace, scan.scan_id).store / "labels"
        self.scan = scan
        self.phases: zarr.Array[Any] = open_volume(store / "phases" / "0")
        self.particles = {phase: open_volume(store / phase / "0") for phase in phases}


def grid_of(scan: MatchedScan) -> TileGrid:
    """Return the tiles of one of the scans."""
    return TileGrid(scan.shape, scan.tile_shape)


def check_census(catalogue: Catalogue, scan: MatchedScan) -> None:
    """Refuse a scan that was counted again since the job was planned.

    Raises
    ------
    NotFoundError
        If another job holds its rows.
    """
    holder = catalogue.read("scans", scan.scan_id, ["job"])["job"][0].as_py()
    if holder != scan.census_job:
        raise NotFoundError(
            f"scan {scan.scan_id} was counted again by job {holder}; this match is about job "
            f"{scan.census_job}.",
            "Match the scans again.",
        )


def index_move(
    move: Similarity, own: MatchedScan, other: MatchedScan
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return matrix and shift from the place of a voxel to its place in the other volume.

    The place there is the floor of what they give: positions in um begin at the low faces, and a
    voxel is looked up by its centre.
    """
    v, w = np.asarray(own.voxel_um), np.asarray(other.voxel_um)
    return move.matrix * v / w[:, None], move.apply(0.5 * v) / w


def other_box(
    block: Box,
    matrix: NDArray[np.float64],
    shift: NDArray[np.float64],
    offsets: NDArray[np.int64],
    shape: Triple,
) -> Box:
    """Return the voxels of the other volume that a block and its neighbours within reach meet."""
    low, high = np.asarray(block.start), np.asarray(block.stop) - 1
    corners = np.array(np.meshgrid(*zip(low, high, strict=True))).reshape(3, -1).T
    places = corners @ matrix.T + shift
    reach = np.abs(offsets).max(axis=0) if len(offsets) else np.zeros(3, np.int64)
    # One voxel more on either side is safe against rounding at the corners.
    a = np.floor(places.min(axis=0)).astype(np.int64) - reach - 1
    b = np.floor(places.max(axis=0)).astype(np.int64) + reach + 2
    box = Box((int(a[0]), int(a[1]), int(a[2])), (int(b[0]), int(b[1]), int(b[2])))
    return box.clip(shape)


def project_tile(task: MatchTask) -> int:
    """Return the bytes that a tile takes in a worker, from the larger of both ways."""
    most = 0
    pairs = ((task.before, task.after, task.move), (task.after, task.before, task.move.inverse()))
    for own, other, move in pairs:
        matrix, _ = index_move(move, own, other)
        edges = np.minimum(own.tile_shape, BLOCK_VX)
        reach = np.ceil(task.tolerance_um / np.asarray(other.voxel_um)) + 2
        box = np.minimum(np.abs(matrix) @ edges + 2 * reach + 2, other.shape)
        # Ids of up to 8 bytes and phases of the other scan, decoded once more on the way; ids of
        # the block; looked-up voxels of some planes, sorted in copies.
        block = int(np.prod(edges))
        found = min(16, int(edges[0])) * int(edges[1] * edges[2]) * 4 * 8 * 4
        most = max(most, int(np.prod(box)) * 2 * 9 + block * 16 + found)
    return most


def _shifted(box: Box, by: Triple) -> Box:
    a, b = box.start, box.stop
    return Box(
        (a[0] + by[0], a[1] + by[1], a[2] + by[2]), (b[0] + by[0], b[1] + by[1], b[2] + by[2])
    )
