"""``castcensus submit``."""

from __future__ import annotations

import json
from typing import Annotated, Any

import typer

from flows.cli import options
from flows.cli.console import say
from flows.cli.driving import drive, show_result
from flows.cli.plan import read_options
from flows.jobs.planning import plan_source
from flows.jobs.submission import Wishes, continue_job, create_job, start_detached
from flows.settings import find_cluster, find_recipe, load_settings
from pipeline.stores.job import JobFolder


def submit(
    source: options.Source,
    scan: Annotated[str, typer.Option(help="Identifier of the scan.", show_default=False)],
    specimen: Annotated[str | None, typer.Option(help="Specimen that was scanned.")] = None,
    condition: Annotated[str | None, typer.Option(help="Such as as-cast.")] = None,
    alloy: Annotated[str | None, typer.Option(help="Designation of the alloy.")] = None,
    temper: Annotated[str | None, typer.Option(help="Such as F or T6.")] = None,
    heat_treatment: Annotated[
        list[str] | None, typer.Option(help="A step of the heat treatment; repeatable.")
    ] = None,
    tube_kv: Annotated[float | None, typer.Option(help="Tube voltage in kV.")] = None,
    tube_power_w: Annotated[float | None, typer.Option(help="Tube power in W.")] = None,
    beam_energy_kev: Annotated[
        float | None, typer.Option(help="Energy of a monochromatic beam in keV.")
    ] = None,
    operator: Annotated[str | None, typer.Option(help="Who made the scan.")] = None,
    tag: Annotated[list[str] | None, typer.Option(help="A free word; repeatable.")] = None,
    metadata: options.MetadataFile = None,
    recipe: options.RecipeName = None,
    set_: options.Overrides = None,
    voxel_um: options.VoxelUm = None,
    shape: options.Shape = None,
    dtype: options.Dtype = None,
    byte_order: options.ByteOrder = None,
    offset_bytes: options.OffsetBytes = None,
    ingest: options.IngestMode = "auto",
    cluster: options.ClusterName = None,
    workers: options.Workers = None,
    memory_limit: options.MemoryLimit = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace a scan of this id.")] = False,
    keep_scratch: Annotated[
        bool, typer.Option("--keep-scratch", help="Keep the job's intermediate volumes.")
    ] = False,
    keep_conditioned: Annotated[
        bool,
        typer.Option(
            "--keep-conditioned/--drop-conditioned",
            help="Keep the conditioned volume, so that another threshold need not filter again.",
        ),
    ] = True,
    priority: Annotated[
        int, typer.Option(help="Of jobs that wait, the one with the highest begins first.")
    ] = 0,
    anew: Annotated[
        bool, typer.Option("--anew", help="Do again what this or another job has done.")
    ] = False,
    wait: Annotated[
        bool, typer.Option("--wait/--no-wait", help="Stay until the job has ended.")
    ] = True,
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Count a scan and enter it in the catalogue.

    The same submission once more goes on where an unfinished job stopped; with another recipe, the
    stages that it leaves as they were are taken over from the scan's earlier job.

    Example:  castcensus submit slices/ --scan A319-07-F --voxel-um 2.5 --temper F
    """
    settings = load_settings(workspace)
    stated: dict[str, Any] = {
        "specimen": specimen,
        "condition": condition,
        "alloy": alloy,
        "temper": temper,
        "heat_treatment": heat_treatment or None,
        "tube_kv": tube_kv,
        "tube_power_w": tube_power_w,
        "beam_energy_kev": beam_energy_kev,
        "operator": operator,
        "tags": tag or None,
    }
    planned = plan_source(
        source,
        scan,
        find_recipe(recipe or settings.recipe, set_ or ()),
        read_options(voxel_um, shape, dtype, byte_order, offset_bytes),
        {key: value for key, value in stated.items() if value is not None},
        metadata,
        ingest=ingest,
    )
    for warning in planned.expectation.warnings if planned.expectation else ():
        say(f"Mind: {warning}")
    on = find_cluster(cluster or settings.cluster).adjusted(workers, memory_limit)
    wishes = Wishes(replace, keep_scratch, keep_conditioned, anew, priority)
    folder = continue_job(planned, settings.workspace, on, wishes)
    if folder is not None:
        say(f"job {folder.name} goes on where it stopped{_place(folder)}")
    else:
        folder = create_job(planned, settings.workspace, on, wishes)
        say(f"job {folder.name}")
    if wait:
        show_result(drive(folder), json_, settings.workspace)
        return
    pid = start_detached(folder)
    if json_:
        queued = {"job": folder.name, "scan": scan, "state": "queued", "pid": pid}
        print(json.dumps(queued, indent=2))
    else:
        print(folder.name)
        say(f"Look at it with: castcensus show {folder.name}")


def _place(folder: JobFolder) -> str:
    """Say where a job stopped, as its ledger knows it."""
    for stage in folder.read_plan().stages:
        tiles, sealed = folder.ledger(stage.name, stage.key).finished()
        if not sealed:
            done = f", {len(tiles)} of {stage.n_tiles} tiles done" if tiles else ""
            return f": in stage {stage.name}{done}"
    return ""
