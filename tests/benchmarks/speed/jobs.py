"""Jobs on simulated specimens, run by plain worker processes: no scheduler but a pool."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from flows.settings.lookup import find_recipe
from pipeline.model.header import ReadOptions
from pipeline.model.metadata import ScanMetadata
from pipeline.model.plan import plan_scan
from pipeline.model.reports import TileReport
from pipeline.phantom.specimen import SpecimenSpec
from pipeline.phantom.writer import write_specimen
from pipeline.readers import open_source
from pipeline.run import MapTiles, ProcessTile, run_stage
from pipeline.stores.job import JobFolder

VOXEL_UM = 2.0


@dataclass(frozen=True, slots=True)
class StageTime:
    """What a stage took.

    Parameters
    ----------
    name : str
        The stage.
    seconds : float
        From its beginning to the end of its fold.
    tile_seconds : float
        Sum over its tiles, as the workers count.
    peak_mib : float
        Largest peak of a worker so far.
    """

    name: str
    seconds: float
    tile_seconds: float
    peak_mib: float


def simulate(folder: Path, size: int) -> Path:
    """Write a simulated specimen as a folder of TIFF slices; one that is there is used again."""
    target = folder / f"specimen-{size}"
    spec = SpecimenSpec(size_vx=(size,) * 3, voxel_um=VOXEL_UM, seed=7)
    if not target.exists():
        return write_specimen(spec, target, "tiff").volume
    return target


def plan_job(
    source: Path, folder: Path, overrides: list[str], recipe: str = "cast-al-si-cu"
) -> JobFolder:
    """Plan a job under a workspace of its own."""
    options = ReadOptions(voxel_um=(VOXEL_UM,) * 3)
    header = open_source(str(source), options).header
    found = find_recipe(recipe, overrides)
    plan = plan_scan("s", str(source), options, header, found, ScanMetadata(), "benchmark")
    job = JobFolder(folder / "workspace" / "jobs" / "job")
    job.path.mkdir(parents=True)
    job.write_plan(plan)
    return job


@contextmanager
def open_pool(n_workers: int) -> Iterator[ProcessPoolExecutor]:
    """Yield worker processes that have all been started."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(n_workers, mp_context=context) as pool:
        list(pool.map(_arrive, [0.5] * n_workers))
        yield pool


def _arrive(seconds: float) -> None:
    """Import what a worker needs, and stay until the others have come too."""
    from pipeline.stages.registry import process_tile  # noqa: F401

    time.sleep(seconds)


def map_in_pool(pool: ProcessPoolExecutor) -> MapTiles:
    """Return a mapper of tiles over worker processes."""

    def mapper(process: ProcessTile, numbers: Iterable[int]) -> Iterator[TileReport]:
        return pool.map(process, numbers)

    return mapper


def run_timed(job: JobFolder, mapper: MapTiles) -> list[StageTime]:
    """Run every stage of a job and return what each took."""
    times = []
    for stage in job.read_plan().stages:
        reports: list[TileReport] = []
        start = time.perf_counter()
        run_stage(
            job.path,
            stage.name,
            mapper,
            lambda progress, kept=reports: (
                kept.append(progress.report) if progress.report else None
            ),
        )
        seconds = time.perf_counter() - start
        peak = max((r.peak_bytes for r in reports), default=0) / 2**20
        times.append(StageTime(stage.name, seconds, sum(r.seconds for r in reports), peak))
    return times
