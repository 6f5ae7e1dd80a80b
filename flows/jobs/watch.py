"""A job watched from any process and any host that sees its folder: changes, tiles, events."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flows.jobs.status import JobStatus, events_file, find_job, read_status, show_job
from pipeline.errors import NotFoundError
from pipeline.model.grid import Triple
from pipeline.stores.job import JobFolder

LOOK_INTERVAL_S = 0.5
"""How often a job that is followed is looked at."""

ENDED = ("done", "failed", "cancelled", "interrupted")
"""States in which nothing more happens by itself."""


@dataclass(frozen=True, slots=True)
class TileMap:
    """How each tile of a stage is.

    Parameters
    ----------
    job, stage : str
        Which job and stage.
    counts, tile_shape : tuple of int
        Tiles along (z, y, x), and voxels of a tile; of a stage whose tasks are no tiles of a grid,
        its tasks along x.
    states : list of str
        ``waiting running done failed`` of every tile in raster order.
    retried : list of int
        Tiles that were begun again since their worker was lost.
    totals : dict of str to int
        Tiles by state.
    """

    job: str
    stage: str
    counts: Triple
    tile_shape: Triple
    states: list[str]
    retried: list[int]
    totals: dict[str, int]


def follow_job(workspace: Path, name: str) -> Iterator[JobStatus]:
    """Yield the status of a job now, and again whenever it has changed, until the job has ended.

    Parameters
    ----------
    workspace : Path
        The workspace.
    name : str
        Id of the job, or of its scan.

    Yields
    ------
    JobStatus
        The status; the last one tells how the job ended.

    Raises
    ------
    NotFoundError
        If there is no such job.
    """
    status = show_job(workspace, name)
    folder = JobFolder(workspace / "jobs" / status.job)
    shown: JobStatus | None = None
    while True:
        if shown is None or _told(status) != _told(shown):
            shown = status
            yield status
        if status.state in ENDED:
            return
        time.sleep(LOOK_INTERVAL_S)
        status = read_status(folder)


def map_tiles(workspace: Path, name: str, stage: str | None = None) -> TileMap:
    """Return how each tile of a stage of a job is.

    Parameters
    ----------
    workspace : Path
        The workspace.
    name : str
        Id of the job, or of its scan.
    stage : str, optional
        A stage with tiles; the one under way, or the last one that has any, if left out.

    Raises
    ------
    NotFoundError
        If there is no such job, or no such stage with tiles.
    """
    folder = find_job(workspace, name)
    plan, status = folder.read_plan(), read_status(folder)
    tiled = {planned.name: planned for planned in plan.stages if planned.n_tiles}
    under_way = status.stage if status.stage in tiled else None
    chosen = stage or under_way or list(tiled)[-1]
    if chosen not in tiled:
        raise NotFoundError(
            f"job {folder.name} has no stage {chosen!r} with tiles.", f"Some: {', '.join(tiled)}."
        )
    planned = tiled[chosen]
    done, sealed = folder.ledger(chosen, planned.key).finished()
    states = ["done" if sealed else "waiting"] * planned.n_tiles
    for number in done:
        states[number] = "done"
    for running in status.running if status.stage == chosen else ():
        if states[running.tile] != "done":
            states[running.tile] = "running"
    failure = status.error
    if failure and failure.stage == chosen and failure.tile is not None:
        states[failure.tile] = "failed"
    retried = {
        e["tile"]
        for e in read_events(folder)
        if e["event"] == "tile retried" and e["stage"] == chosen
    }
    is_grid = planned.n_tiles == len(plan.grid)
    return TileMap(
        job=folder.name,
        stage=chosen,
        counts=plan.grid.counts if is_grid else (1, 1, planned.n_tiles),
        tile_shape=plan.tile_shape if is_grid else (1, 1, 1),
        states=states,
        retried=sorted(retried),
        totals={state: states.count(state) for state in ("waiting", "running", "done", "failed")},
    )


def read_events(folder: JobFolder) -> list[dict[str, Any]]:
    """Return what happened to a job so far, oldest first; a line that is torn is left out."""
    try:
        lines = events_file(folder).read_bytes().splitlines()
    except FileNotFoundError:
        return []
    events = []
    for line in lines:
        try:
            events.append(json.loads(line))
        except ValueError:
            continue
    return events


def _told(status: JobStatus) -> JobStatus:
    """Return what counts as a change: that time goes by is none."""
    still = {"seconds": 0.0, "updated_at": status.created_at, "voxels_per_s": None}
    return status.model_copy(update=still)
