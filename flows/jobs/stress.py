"""From a scan of the catalogue and a few wishes to a planned stress job."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from flows.jobs.submission import Wishes, create_job
from flows.settings import ClusterConfig, code_version
from pipeline.errors import NotFoundError, UsageError
from pipeline.kernels.elasticity import MAX_ITERATIONS, project_bytes
from pipeline.kernels.embedding import FINEST, LIMIT_VOXELS, fit_cell, pad_vx
from pipeline.model.header import ReadOptions, VolumeHeader
from pipeline.model.materials import find_elastic
from pipeline.model.metadata import ScanMetadata
from pipeline.model.plan import WORKER_BASE_BYTES, Plan, StagePlan
from pipeline.model.recipe import Recipe, hash_values, read_recipe
from pipeline.model.stress import StressTask
from pipeline.stages.screen import COLUMNS, find_matrix, screen_rows
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.crops import open_crops
from pipeline.stores.job import JobFolder

TOP = 20
"""Particles that the solver takes unless told otherwise."""

RATING_BYTES = 3 * 36 * 8
"""Bytes a voxel that is kept takes while its factors are found."""


@dataclass(frozen=True, slots=True)
class StressWish:
    """What is asked of a scan.

    Parameters
    ----------
    phase : str, optional
        Phase of the particles; the stiffest phase of particles when None.
    top : int
        Particles that the solver takes: the worst by the screen.
    particles : tuple of int
        Their ids instead.
    load_axis : tuple of float, optional
        Direction of the load (z, y, x); that of the scan's recipe when None.
    in_company : bool
        Whether each is solved with its surroundings too.
    overrides : tuple of str
        ``elastic.PHASE.KEY=VALUE`` pairs, over the scan's recipe.
    limit_voxels, max_iterations : int
        Limits of the solver.
    """

    phase: str | None = None
    top: int = TOP
    particles: tuple[int, ...] = ()
    load_axis: tuple[float, float, float] | None = None
    in_company: bool = False
    overrides: tuple[str, ...] = ()
    limit_voxels: int = LIMIT_VOXELS
    max_iterations: int = MAX_ITERATIONS


def plan_stress(workspace: Path, scan_id: str, wish: StressWish) -> Plan:
    """Plan a stress job: constants checked, particles screened and chosen, memory projected.

    Parameters
    ----------
    workspace : Path
        The workspace.
    scan_id : str
        A scan of its catalogue.
    wish : StressWish
        What is asked.

    Returns
    -------
    Plan
        A plan of one stage.

    Raises
    ------
    NotFoundError
        If there is no such scan, phase or particle.
    UsageError
        If a wish cannot be meant.
    """
    # Whether labels are there and belong to the rows is told now, not by the first task.
    open_crops(workspace, scan_id)
    catalogue = Catalogue(workspace / "catalogue")
    scan: dict[str, Any] = catalogue.read("scans", scan_id).to_pylist()[0]
    recipe = _read_recipe(scan, scan_id, wish.overrides)
    names = [phase.name for phase in recipe.phases]
    constants = find_elastic(recipe.elastic, names)
    matrix = constants[find_matrix([p.kind for p in recipe.phases], constants)]
    elastic = dict(zip(names, constants, strict=True))
    task = StressTask(
        census_job=scan["job"],
        particles=(),
        load_axis=wish.load_axis or recipe.load_axis,
        in_company=wish.in_company,
        elastic=elastic,
        limit_voxels=wish.limit_voxels,
        max_iterations=wish.max_iterations,
    )
    counted = [recipe.phases[i].name for i in recipe.particle_phases]
    phase = wish.phase or max(counted, key=lambda name: elastic[name].youngs_gpa)
    if phase not in counted:
        raise NotFoundError(
            f"scan {scan_id} has no particles of a phase {phase!r}.",
            f"Its phases of particles: {', '.join(counted)}.",
        )
    rows = catalogue.read("particles", scan_id, COLUMNS)
    rows = rows.filter(pc.field("phase") == phase)
    rank = screen_rows(rows, task.load_axis, matrix, elastic)["screen_rank"]
    chosen = _choose(rows.append_column("rank", rank), wish, scan_id, phase)
    ids = chosen["particle_id"].to_pylist()
    task = task.model_copy(update={"particles": tuple((phase, i) for i in ids)})
    return _plan(scan_id, scan, recipe, task, chosen)


def create_stress_job(plan: Plan, workspace: Path, cluster: ClusterConfig) -> JobFolder:
    """Create the folder of a stress job; see `flows.jobs.submission.create_job`."""
    return create_job(plan, workspace, cluster, Wishes(replace=True))


def _read_recipe(scan: dict[str, Any], scan_id: str, overrides: Iterable[str]) -> Recipe:
    for pair in overrides:
        if not pair.startswith("elastic."):
            raise UsageError(
                f"--set {pair!r}: a scan that is counted keeps its recipe.",
                "Override keys below elastic., such as elastic.iron-rich.youngs_gpa=190; anything "
                "else wants the scan submitted again.",
            )
    return read_recipe(scan["recipe_yaml"], f"of scan {scan_id}", overrides)


def _choose(rows: pa.Table, wish: StressWish, scan_id: str, phase: str) -> pa.Table:
    """Return the rows of the particles that the solver takes, the worst by the screen first."""
    rows = rows.sort_by("rank")
    if not wish.particles:
        return rows.slice(0, wish.top)
    have = set(rows["particle_id"].to_pylist())
    for wanted in wish.particles:
        if wanted not in have:
            raise NotFoundError(
                f"scan {scan_id} has no {phase} particle {wanted}; it has {len(have)} of them, "
                "numbered from 1.",
                "Query the table particles for their ids, or name another --phase.",
            )
    return rows.filter(pc.is_in(rows["particle_id"], pa.array(wish.particles, pa.int64())))


def _plan(
    scan_id: str, scan: dict[str, Any], recipe: Recipe, task: StressTask, chosen: pa.Table
) -> Plan:
    voxel = (scan["voxel_z_um"], scan["voxel_y_um"], scan["voxel_x_um"])
    shape = (scan["size_z_vx"], scan["size_y_vx"], scan["size_x_vx"])
    header = VolumeHeader(
        location=scan["source_location"],
        format=scan["source_format"],
        shape=shape,
        dtype=scan["dtype"],
        voxel_um=voxel,
        n_bytes=0,
        voxel_origin="option",
    )
    facts = {key: scan[key] for key in ScanMetadata.model_fields if scan.get(key) is not None}
    version = code_version()
    stage = StagePlan(
        name="stress",
        n_tiles=len(task.particles),
        halo_vx=0,
        read_bytes=0,
        write_bytes=16_384 * len(task.particles),
        worker_bytes=WORKER_BASE_BYTES + project_job(chosen, voxel, task),
        key=hash_values([scan["job"], task.model_dump(mode="json"), version]),
    )
    return Plan(
        scan_id=scan_id,
        source=scan["source_location"],
        options=ReadOptions(voxel_um=voxel),
        header=header,
        recipe=recipe,
        metadata=ScanMetadata.model_validate(facts),
        code_version=version,
        stages=(stage,),
        stress=task,
    )


def project_job(chosen: pa.Table, voxel_um: tuple[float, float, float], task: StressTask) -> int:
    """Return the bytes that the largest of a job's particles takes in a worker.

    How thick a particle is shows only in its voxels: the finest refinement is reckoned with.
    """
    most = 0
    for row in chosen.to_pylist():
        z, y, x = (row[f"bbox_{a}_stop_vx"] - row[f"bbox_{a}_start_vx"] for a in "zyx")
        extent = (z, y, x)
        margin = max(pad_vx(extent, voxel_um)) if task.in_company else 1
        crop = 16 * math.prod(n + 2 * margin for n in extent)
        shapes = [fit_cell(extent, voxel_um, t, task.limit_voxels) for t in (1.0, 2.0, 3.0, 6.0)]
        for fit in shapes:
            n = min(2 * row["n_voxels"] * min(fit.refine, FINEST) ** 3, math.prod(fit.shape))
            most = max(most, crop + project_bytes(fit.shape, n) + n * RATING_BYTES)
    return most
