"""``castcensus jobs | show | cancel | resume``."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from flows.cli import options
from flows.cli.census import read_scan, scan_json, show_scan
from flows.cli.console import print_json, say
from flows.cli.driving import drive, show_result
from flows.cli.tables import print_table
from flows.cli.watching import describe_job, show_changes, show_tiles, speed_of, tiles_of
from flows.jobs.status import (
    JobStatus,
    cancel_job,
    find_job,
    is_job,
    list_jobs,
    show_job,
)
from flows.jobs.watch import follow_job, map_tiles
from flows.settings import load_place, load_settings
from pipeline.errors import JobError, NotFoundError, UsageError
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.places import Place, at_hand

Name = Annotated[
    str, typer.Argument(metavar="JOB", help="Id of a job, or of a scan.", show_default=False)
]


def jobs(workspace: options.Workspace = None, json_: options.AsJson = False) -> None:
    """List the jobs of the workspace, newest first.

    Example:  castcensus jobs
    """
    with at_hand(load_place(workspace), "jobs", "status.json") as folder:
        statuses = list_jobs(folder)
    if json_:
        print(json.dumps([s.model_dump(mode="json") for s in statuses], indent=2))
        return
    print_table(
        ["job", "state", "stage", "tiles", "Mvoxels/s", "updated"],
        [
            [
                status.job,
                status.state,
                status.stage if status.state != "done" else None,
                tiles_of(status),
                speed_of(status),
                status.updated_at,
            ]
            for status in statuses
        ],
        ["job"],
    )


def show(
    job: Name,
    follow: Annotated[
        bool, typer.Option("--follow", help="Go on showing changes until the job has ended.")
    ] = False,
    tiles: Annotated[
        bool, typer.Option("--tiles", help="Show how the tiles of a stage are.")
    ] = False,
    stage: Annotated[
        str | None,
        typer.Option(help="Stage of --tiles [default: the one under way].", show_default=False),
    ] = None,
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Show a scan and its newest job, or one job.

    Of a scan: its quality, its phases and main numbers with their intervals, and what to mind.
    Of a job: its state, its progress, its error or its result.

    With --follow until it has ended, from this or any other host that sees the workspace; --json
    then prints a line of JSON a change.  A job that ends without a result gives exit status 5.

    Example:  castcensus show A319-07-F --follow
    """
    if follow and tiles:
        raise UsageError("--follow and --tiles exclude each other.", "Give one of them.")
    if follow:
        folder = load_settings(workspace).workspace
        if show_changes(follow_job(folder, job), json_).state != "done":
            raise typer.Exit(JobError.exit_code)
        return
    place = load_place(workspace)
    with at_hand(place, "jobs", "*" if tiles else "*.json") as folder:
        if tiles:
            show_tiles(map_tiles(folder, job, stage), json_)
            return
        found = None if is_job(folder, job) else read_scan(place, job)
        try:
            status = show_job(folder, job)
        except NotFoundError:
            # Counted, and its job's folder taken away since.
            if found is None:
                raise
            status = None
    if json_:
        told = {} if status is None else status.model_dump(mode="json")
        print(json.dumps(told | ({"census": scan_json(found)} if found else {}), indent=2))
        return
    if found:
        show_scan(found)
    if status:
        _show_status(place, status)


def _show_status(place: Place, status: JobStatus) -> None:
    rows = describe_job(status)
    if status.result:
        rows["notes"] = "\n".join(_notes(place, status))
    print_table([], [[key, value] for key, value in rows.items() if value])


def cancel(job: Name, workspace: options.Workspace = None, json_: options.AsJson = False) -> None:
    """Ask a job to stop after the tiles under way; it can be resumed.

    Example:  castcensus cancel A319-07-F
    """
    status = cancel_job(load_settings(workspace).workspace, job)
    if json_:
        print_json(status)
    if status.state != "cancelled":
        say(f"job {status.job} will stop after the tiles under way.")
    else:
        say(f"job {status.job} is cancelled.")


def resume(
    job: Name,
    workers: options.Workers = None,
    memory_limit: options.MemoryLimit = None,
    workspace: options.Workspace = None,
    detached: Annotated[bool, typer.Option("--detached", hidden=True)] = False,
    json_: options.AsJson = False,
) -> None:
    """Go on with a job that was stopped, killed or that failed; finished tiles stay.

    Example:  castcensus resume A319-07-F
    """
    folder = find_job(load_settings(workspace).workspace, job)
    result = drive(folder, resuming=not detached, workers=workers, memory_limit=memory_limit)
    show_result(result, json_, folder.workspace)


def _notes(workspace: Place, status: JobStatus) -> list[str]:
    """Return what flattening and thresholds met, while the scan is still that of the job."""
    for row in Catalogue(workspace / "catalogue").read("scans", status.scan).to_pylist():
        if row["job"] == status.job:
            return [*(row["flatten_notes"] or ()), *row["segment_notes"]]
    return []
