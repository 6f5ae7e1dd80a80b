"""A job as a person follows it: a table that changes on a terminal, else a line a change."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import asdict

from rich.console import Console
from rich.live import Live

from flows.cli.console import say
from flows.cli.tables import make_table, print_table
from flows.jobs.status import JobStatus
from flows.jobs.watch import TileMap
from pipeline.model.plan import MIB


def describe_job(status: JobStatus) -> dict[str, str]:
    """Return the facts of a job in words, those that there are."""
    rows = {
        "job": status.job,
        "scan": status.scan,
        "state": status.state,
        "stage": f"{status.stage or ''} {tiles_of(status)}".strip(),
        "speed": f"{speed_of(status)} Mvoxels/s" if speed_of(status) else "",
        "left": f"{_clock(status.stage_left_s)} in this stage" if status.stage_left_s else "",
        "time": f"{status.seconds:.1f} s",
        "memory": _memory(status),
        "driver": f"process {status.pid} on {status.host}" if status.pid else "",
        "lost": f"{status.n_worker_losses} workers" if status.n_worker_losses else "",
        "image": status.image or "",
        "incidents": "\n".join(
            f"{i.at:%H:%M:%S} {i.event}: tile {i.tile} of {i.stage}, {i.worker}"
            for i in status.incidents
        ),
        "error": _error(status),
    }
    if status.result:
        rows["particles"] = ", ".join(f"{p} {n:,}" for p, n in status.result.particles.items())
        rows["catalogue"] = f"version {status.result.catalogue_version}"
    return {key: value for key, value in rows.items() if value}


def show_changes(statuses: Iterator[JobStatus], as_json: bool) -> JobStatus:
    """Show every status of a job that is followed, and return the last one."""
    last: JobStatus | None = None
    if as_json or not sys.stdout.isatty():
        for last in statuses:
            print(last.model_dump_json() if as_json else _line(last), flush=True)
    else:
        with Live(console=Console(), auto_refresh=False) as live:
            for last in statuses:
                live.update(make_table([], list(describe_job(last).items())), refresh=True)
    if last is None:
        raise RuntimeError("a job that is followed has at least one status")
    return last


def show_tiles(tiles: TileMap, as_json: bool) -> None:
    """Print the map of a stage's tiles, or how many are in which state."""
    if as_json:
        print(json.dumps(asdict(tiles)))
        return
    print_table(
        ["stage", *tiles.totals, "retried"],
        [[tiles.stage, *tiles.totals.values(), len(tiles.retried)]],
    )
    failed = [n for n, state in enumerate(tiles.states) if state == "failed"]
    if failed:
        say(f"failed: tile {', '.join(map(str, failed))}")


def tiles_of(status: JobStatus) -> str:
    """Return how many tiles of the stage are done, while that tells anything."""
    if not status.n_tiles or status.state == "done":
        return ""
    retried = f", {status.n_retried} retried" if status.n_retried else ""
    return f"{status.n_done}/{status.n_tiles}{retried}"


def speed_of(status: JobStatus) -> str:
    """Return the speed of a job, or of its stage, in millions of voxels a second."""
    speed = status.result.voxels_per_s if status.result else status.voxels_per_s
    return f"{speed / 1e6:.2f}" if speed else ""


def _line(status: JobStatus) -> str:
    facts = describe_job(status)
    kept = ("stage", "speed", "left", "memory", "lost", "error", "particles")
    return "  ".join([f"{status.state:<9}", *(facts[key] for key in kept if key in facts)])


def _memory(status: JobStatus) -> str:
    if not status.peak_worker_bytes:
        return ""
    planned = status.planned_worker_bytes
    of = f" of {planned / MIB:,.0f} planned" if planned else ""
    return f"{status.peak_worker_bytes / MIB:,.0f} MiB a worker{of}"


def _error(status: JobStatus) -> str:
    failure = status.error
    if failure is None:
        return ""
    tile = f" (stage {failure.stage}, tile {failure.tile})" if failure.tile is not None else ""
    return f"{failure.what} {failure.remedy}{tile}".strip()


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{rest:02d}"
