"""Progress of a job: a bar on a terminal, else a line a stage."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

from flows.cli.console import say
from pipeline.run import OnProgress
from pipeline.run import Progress as StageProgress


@contextmanager
def shown_progress() -> Iterator[OnProgress]:
    """Show a job's progress on standard error inside the block.

    Yields
    ------
    OnProgress
        To be told of every tile.
    """
    console = Console(stderr=True)
    if not console.is_terminal:
        yield StageLines()
        return
    columns = (
        TextColumn("{task.description:<10}"),
        BarColumn(),
        TextColumn("{task.completed:.0f}/{task.total:.0f} tiles"),
        TextColumn("{task.fields[speed]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console) as bars:
        yield StageBars(bars)


class _Speed:
    """Speed of the stage under way, over this run's own tiles."""

    def __init__(self) -> None:
        self.stage = ""
        self.began = 0.0
        self.n_voxels = 0

    def take(self, progress: StageProgress) -> None:
        if progress.stage != self.stage:
            self.stage, self.began, self.n_voxels = progress.stage, time.monotonic(), 0
        if progress.report is not None:
            self.n_voxels += progress.report.n_voxels

    @property
    def seconds(self) -> float:
        return time.monotonic() - self.began

    def __str__(self) -> str:
        if not self.n_voxels:
            return ""
        return f"{self.n_voxels / max(self.seconds, 1e-9) / 1e6:.1f} Mvoxels/s"


class StageBars:
    """One bar a stage."""

    def __init__(self, bars: Progress) -> None:
        self._bars = bars
        self._tasks: dict[str, TaskID] = {}
        self._speed = _Speed()

    def __call__(self, progress: StageProgress) -> None:
        """Move the bar of the stage."""
        self._speed.take(progress)
        total = max(progress.n_tiles, 1)
        if progress.stage not in self._tasks:
            self._tasks[progress.stage] = self._bars.add_task(progress.stage, total=total, speed="")
        done = total if progress.finished else min(progress.n_done, total - (not progress.n_tiles))
        self._bars.update(self._tasks[progress.stage], completed=done, speed=str(self._speed))


class StageLines:
    """One line for each finished stage."""

    def __init__(self) -> None:
        self._speed = _Speed()

    def __call__(self, progress: StageProgress) -> None:
        """Write the line of a stage that is finished."""
        self._speed.take(progress)
        if progress.reused_from:
            say(f"{progress.stage:<10} as job {progress.reused_from} left it")
        elif progress.finished:
            tiles = f"{progress.n_done}/{progress.n_tiles} tiles" if progress.n_tiles else ""
            parts = [tiles, f"{self._speed.seconds:.1f} s", str(self._speed)]
            say(f"{progress.stage:<10} " + ", ".join(p for p in parts if p))
