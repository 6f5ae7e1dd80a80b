"""From two scans of the catalogue to a planned match job."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flows.jobs.submission import Wishes, create_job
from flows.settings import ClusterConfig, code_version
from pipeline.analysis.registration import LIMIT_VX, register
from pipeline.errors import NotFoundError, UsageError
from pipeline.model.header import ReadOptions, VolumeHeader
from pipeline.model.match import CHANGE_SHARE, TOLERANCE_VX, MatchedScan, MatchTask
from pipeline.model.metadata import ScanMetadata
from pipeline.model.plan import WORKER_BASE_BYTES, Plan, StagePlan, fit_tile
from pipeline.model.recipe import Recipe, hash_values, read_recipe
from pipeline.stages.match import grid_of, project_tile
from pipeline.stages.scenes import open_scene
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.crops import open_crops
from pipeline.stores.job import JobFolder

Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class MatchWish:
    """What is asked of two scans.

    Parameters
    ----------
    tolerance_vx : float
        Distance, in the longest edge of a voxel of either scan, up to which a voxel is taken to
        lie in the nearest particle.
    change_share : float
        Change of volume from which a body counts as shrunk or grown.
    limit_vx : float
        Largest standard error of the registration that is taken, in the same unit.
    """

    tolerance_vx: float = TOLERANCE_VX
    change_share: float = CHANGE_SHARE
    limit_vx: float = LIMIT_VX

    def __post_init__(self) -> None:
        if not 0.0 <= self.tolerance_vx <= 8.0:
            raise UsageError(f"--tolerance-vx {self.tolerance_vx} wants 0 to 8 voxels.")
        if not 0.0 < self.change_share < 1.0:
            raise UsageError(f"--change {self.change_share} wants a share between 0 and 1.")
        if not 0.0 < self.limit_vx <= 8.0:
            raise UsageError(f"--limit-vx {self.limit_vx} wants more than 0, at most 8 voxels.")


def plan_match(
    workspace: Path, before: str, after: str, wish: MatchWish, tell: Tell | None = None
) -> Plan:
    """Plan a match job: scans opened, laid on each other, memory projected.

    Parameters
    ----------
    workspace : Path
        The workspace.
    before, after : str
        Two scans of its catalogue.
    wish : MatchWish
        What is asked.
    tell : callable, optional
        Told what is done, and what to mind.

    Returns
    -------
    Plan
        A plan of one stage, tile by tile over both scans.

    Raises
    ------
    NotFoundError
        If a scan or its labels are not there.
    RegistrationError
        If the scans cannot be laid on each other for sure.
    UsageError
        If they share no phase of particles.
    """
    tell = tell or (lambda _: None)
    rows = [_read_scan(workspace, name) for name in (before, after)]
    recipes = [read_recipe(r["recipe_yaml"], f"of scan {r['scan_id']}") for r in rows]
    scans = [_matched(row, recipe) for row, recipe in zip(rows, recipes, strict=True)]
    phases = _common_phases(workspace, before, after, tell)
    if before == after:
        tell(f"Mind: {before} is matched with itself; every body should be kept.")
    specimens = [row["specimen"] for row in rows]
    if None not in specimens and specimens[0] != specimens[1]:
        tell(f"Mind: {before} shows specimen {specimens[0]}, {after} specimen {specimens[1]}.")
    if rows[0]["recipe_hash"] != rows[1]["recipe_hash"]:
        tell(
            f"Mind: {before} and {after} were counted by different recipes; what differs between "
            "these looks like growth or dissolution."
        )
    plain = [s.scan_id for s, recipe in zip(scans, recipes, strict=True) if recipe.draws_shells]
    if plain:
        tell(
            f"Mind: {' and '.join(dict.fromkeys(plain))} counted by plain thresholds, which wrap "
            "the brightest bodies in shells of the phase between; these bridge narrow gaps, so "
            "that pieces look like one body. A recipe with segment.edges aware draws none."
        )
    found = register(
        open_scene(workspace, before),
        open_scene(workspace, after),
        limit_vx=wish.limit_vx,
        tell=tell,
    )
    longest = max(max(scan.voxel_um) for scan in scans)
    task = MatchTask(
        before=scans[0],
        after=scans[1],
        phases=phases,
        move=found.move,
        error_um=found.error_um,
        n_boxes=found.n_boxes,
        n_agreeing=found.n_agreeing,
        score=found.score,
        overlap=found.overlap,
        tolerance_um=wish.tolerance_vx * longest,
        change_share=wish.change_share,
    )
    return _plan(rows[0], recipes[0], task)


def create_match_job(plan: Plan, workspace: Path, cluster: ClusterConfig) -> JobFolder:
    """Create the folder of a match job; see `flows.jobs.submission.create_job`."""
    return create_job(plan, workspace, cluster, Wishes(replace=True))


def _read_scan(workspace: Path, scan_id: str) -> dict[str, Any]:
    open_crops(workspace, scan_id)  # whether labels are there is told now, not by the first task
    row: dict[str, Any] = Catalogue(workspace / "catalogue").read("scans", scan_id).to_pylist()[0]
    return row


def _matched(row: dict[str, Any], recipe: Recipe) -> MatchedScan:
    shape = (row["size_z_vx"], row["size_y_vx"], row["size_x_vx"])
    return MatchedScan(
        scan_id=row["scan_id"],
        census_job=row["job"],
        shape=shape,
        tile_shape=fit_tile(recipe.tiling.tile_shape, shape),
        voxel_um=(row["voxel_z_um"], row["voxel_y_um"], row["voxel_x_um"]),
    )


def _common_phases(workspace: Path, before: str, after: str, tell: Tell) -> tuple[str, ...]:
    crops = [open_crops(workspace, name) for name in (before, after)]
    first, second = (each.particle_phases for each in crops)
    common = tuple(phase for phase in first if phase in second)
    if not common:
        raise UsageError(
            f"{before} has particles of {', '.join(first)}, {after} of {', '.join(second)}: no "
            "phase is the same.",
            "Submit both with one recipe.",
        )
    for phase in sorted({*first, *second} - set(common)):
        tell(f"Mind: {phase} has particles in one of the scans only and is left out.")
    for each in crops:
        for name in ("phases", *common):
            if not (each.store / "labels" / name).is_dir():
                raise NotFoundError(
                    f"{each.store} lacks labels/{name}, though the catalogue has scan "
                    f"{each.scan_id}.",
                    "Restore it, or submit the scan again with --replace.",
                )
    return common


def _plan(row: dict[str, Any], recipe: Recipe, task: MatchTask) -> Plan:
    before = task.before
    header = VolumeHeader(
        location=row["source_location"],
        format=row["source_format"],
        shape=before.shape,
        dtype=row["dtype"],
        voxel_um=before.voxel_um,
        n_bytes=0,
        voxel_origin="option",
    )
    facts = {key: row[key] for key in ScanMetadata.model_fields if row.get(key) is not None}
    version = code_version()
    n_tiles = len(grid_of(before)) + len(grid_of(task.after))
    stage = StagePlan(
        name="match",
        n_tiles=n_tiles,
        halo_vx=0,
        read_bytes=0,
        write_bytes=65_536 * n_tiles,
        worker_bytes=WORKER_BASE_BYTES + project_tile(task),
        key=hash_values([task.model_dump(mode="json"), version]),
    )
    return Plan(
        scan_id=before.scan_id,
        source=row["source_location"],
        options=ReadOptions(voxel_um=before.voxel_um),
        header=header,
        recipe=recipe,
        metadata=ScanMetadata.model_validate(facts),
        code_version=version,
        stages=(stage,),
        match=task,
    )
