"""Run a plan: stage by stage, tile by tile, on whatever maps tiles.

This is the whole engine.  A scheduler is a `MapTiles`: it receives tile numbers and yields their
reports in any order, notices of what happens to tiles, and None now and then while there is nothing
to report, so that a wish to stop is heard during long tiles too.  The default is a plain loop; each
other one must give the same result.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.errors import CancelledError
from pipeline.model.reports import TileNotice, TileReport
from pipeline.stages.registry import open_stage, process_tile
from pipeline.stores.durability import sweep_partials, written_together
from pipeline.stores.job import JobFolder

ProcessTile = Callable[[int], TileReport]
MapTiles = Callable[[ProcessTile, Iterable[int]], Iterator[TileReport | TileNotice | None]]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a stage is.

    Parameters
    ----------
    stage : str
        Name of the stage.
    n_tiles, n_done : int
        Units of work in the stage and how many of them are finished, earlier runs included.
    report : TileReport or None
        The tile that was just finished; None at the beginning and the end of a stage.
    notice : TileNotice or None
        What just happened to a tile otherwise.
    finished : bool
        Whether the stage is finished with its fold.
    reused_from : str or None
        The job that a finished stage was taken over from.
    """

    stage: str
    n_tiles: int
    n_done: int
    report: TileReport | None = None
    notice: TileNotice | None = None
    finished: bool = False
    reused_from: str | None = None


OnProgress = Callable[[Progress], None]
ShouldStop = Callable[[], bool]


def map_in_loop(process: ProcessTile, numbers: Iterable[int]) -> Iterator[TileReport]:
    """Map tiles in this process, one after the other."""
    return map(process, numbers)


def ignore_progress(progress: Progress) -> None:
    """Take no notice."""


def never_stop() -> bool:
    """Return False."""
    return False


def run_stage(
    job: Path,
    name: str,
    map_tiles: MapTiles = map_in_loop,
    on_progress: OnProgress = ignore_progress,
    should_stop: ShouldStop = never_stop,
) -> None:
    """Do what is left of one stage of a job: its tiles, then its fold.

    Parameters
    ----------
    job : Path
        Folder of the job.
    name : str
        Stage of the job's plan; the stages before it must be finished.
    map_tiles : callable, optional
        Maps tile numbers to reports.
    on_progress : callable, optional
        Told of every tile.
    should_stop : callable, optional
        Asked after every tile.

    Raises
    ------
    CancelledError
        If `should_stop` said so; finished tiles are on record and the stage can be run again.
    """
    folder = JobFolder(job)
    planned = folder.read_plan().stage(name)
    ledger = folder.ledger(name, planned.key)
    done, sealed = ledger.finished()
    if sealed:
        n, source = planned.n_tiles, ledger.reused_from()
        on_progress(Progress(name, n, n, finished=True, reused_from=source))
        return
    on_progress(Progress(name, planned.n_tiles, len(done)))
    sweep_partials(folder.path)
    with written_together():
        open_stage(str(job), name, planned.key).prepare()
    # Not a list: a volume may have a million tiles, and few of them are wanted at a time.
    pending = (number for number in range(planned.n_tiles) if number not in done)
    n_done = len(done)
    with ledger:
        process = partial(process_tile, str(job), name, planned.key)
        for report in map_tiles(process, pending):
            if isinstance(report, TileNotice):
                on_progress(Progress(name, planned.n_tiles, n_done, notice=report))
            elif report is not None:
                ledger.record(report)
                n_done += 1
                on_progress(Progress(name, planned.n_tiles, n_done, report))
            if should_stop():
                raise CancelledError(f"job {folder.name} was stopped in stage {name}.")
        with written_together():
            open_stage(str(job), name, planned.key).fold()
        ledger.seal()
    on_progress(Progress(name, planned.n_tiles, n_done, finished=True))


def run(
    job: Path,
    map_tiles: MapTiles = map_in_loop,
    on_progress: OnProgress = ignore_progress,
    should_stop: ShouldStop = never_stop,
) -> None:
    """Run every stage of a job that is not finished yet, in order; see `run_stage`."""
    for stage in JobFolder(job).read_plan().stages:
        run_stage(job, stage.name, map_tiles, on_progress, should_stop)
