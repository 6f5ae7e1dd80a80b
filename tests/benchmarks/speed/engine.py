"""The stages on worker processes: against the floor of the same bytes, on one process, on more."""

from __future__ import annotations

import shutil
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

from pipeline.model.grid import Box
from pipeline.readers import open_source
from pipeline.stages.levels import open_levels
from pipeline.stores.job import JobFolder
from pipeline.stores.volume import (
    create_volume,
    open_volume,
    prepare_process,
    read_box,
    write_tile,
)
from tests.benchmarks.speed.jobs import (
    StageTime,
    map_in_pool,
    open_pool,
    plan_job,
    run_timed,
    simulate,
)
from tests.benchmarks.speed.timing import Figure

MVOX = 1e6


def copy_tile(job: Path, target: Path, scan: Path, number: int) -> None:
    """Move the bytes of every stage of one tile, and compute nothing.

    Source to image; image to flatten; image with halo to conditioned; conditioned with halo to
    phases and local ids; local ids to labels: each read and written once, on every level.
    """
    prepare_process()
    plan = JobFolder(job).read_plan()
    core = plan.grid.tile(number).core
    voxels = open_source(plan.source, plan.options).read(core)
    _write_like(scan, target / "image", core, voxels)
    image = open_volume(target / "image" / "0")
    read_box(image, core)
    halo = plan.stage("condition").halo_vx
    read_box(image, core.grow((halo,) * 3).clip(plan.header.shape))
    grey = read_box(open_volume(job / "conditioned.zarr"), core)
    write_tile(open_volume(target / "conditioned.zarr"), core, grey)
    halo = plan.stage("label").halo_vx
    read_box(open_volume(job / "conditioned.zarr"), core.grow((halo,) * 3).clip(plan.header.shape))
    for labels in sorted((scan / "labels").iterdir()):
        if labels.is_dir():
            ids = read_box(open_volume(labels / "0"), core)
            _write_like(labels, target / "labels" / labels.name, core, ids)
    local = read_box(open_volume(job / "bodies.zarr"), core)
    write_tile(open_volume(target / "bodies.zarr"), core, local)


def _write_like(source: Path, target: Path, core: Box, voxels: object) -> None:
    """Write a tile's own voxels, then what the coarser levels of the source hold there."""
    start, stop = core.start, core.stop
    for number, (old, new) in enumerate(zip(open_levels(source), open_levels(target), strict=True)):
        if number:
            start = (start[0] // 2, start[1] // 2, start[2] // 2)
            stop = tuple(min(-(-b // 2), n) for b, n in zip(stop, old.shape, strict=True))
        box = Box(start, (stop[0], stop[1], stop[2]))
        write_tile(new, box, voxels if not number else read_box(old, box))


def _create_like(source: Path, target: Path, tile_shape: tuple[int, int, int]) -> None:
    for number, old in enumerate(open_levels(source)):
        shards = old.shards or old.chunks
        create_volume(
            target / str(number),
            old.shape,
            str(old.dtype),
            (shards[0], shards[1], shards[2]),
            label="labels" in target.parts,
        )


def time_floor(job: JobFolder, scan: Path, folder: Path, pool: ProcessPoolExecutor) -> float:
    """Return the seconds that moving the bytes of a finished job takes."""
    plan = job.read_plan()
    _create_like(scan, folder / "image", plan.tile_shape)
    for labels in (scan / "labels").iterdir():
        if labels.is_dir():
            _create_like(labels, folder / "labels" / labels.name, plan.tile_shape)
    create_volume(folder / "conditioned.zarr", plan.header.shape, "uint16", plan.tile_shape)
    create_volume(folder / "bodies.zarr", plan.header.shape, "uint32", plan.tile_shape, label=True)
    start = time.perf_counter()
    move = partial(copy_tile, job.path, folder, scan)
    list(pool.map(move, range(len(plan.grid))))
    return time.perf_counter() - start


def run_once(
    folder: Path, size: int, pool: ProcessPoolExecutor, overrides: list[str]
) -> tuple[JobFolder, list[StageTime]]:
    """Run a job of a simulated specimen on a pool."""
    source = simulate(folder, size)
    job = plan_job(source, folder / f"run-{time.monotonic_ns()}", overrides)
    return job, run_timed(job, map_in_pool(pool))


def _forget(job: JobFolder) -> None:
    shutil.rmtree(job.workspace.parent)


def measure(folder: Path, sizes: list[int], overrides: list[str]) -> list[Figure]:
    """Return the lines of this section.

    Parameters
    ----------
    folder : Path
        Room for volumes.
    sizes : list of int
        Edges of the specimens, ascending; floor and scaling are taken at the first.
    overrides : list of str
        Changes to the default recipe.

    Returns
    -------
    list of Figure
        Floor, scaling from one process to two, growth.
    """
    lines = []
    small = sizes[0]
    with open_pool(2) as pool:
        _forget(run_once(folder, 96, pool, overrides)[0])
        job, times = run_once(folder, small, pool, overrides)
        ours = sum(t.seconds for t in times)
        scan = job.workspace / "scans" / "s.zarr"
        floor = time_floor(job, scan, folder / "floor", pool)
        shutil.rmtree(folder / "floor")
        _forget(job)
        lines.append(Figure(f"{small}^3, 2 processes", small**3 / ours / MVOX, "Mvox/s",
                            peak_mib=max(t.peak_mib for t in times)))  # fmt: skip
        for t in times:
            lines.append(Figure(f"  stage {t.name}", 1e9 * t.seconds / small**3, "ns/voxel"))
        lines.append(Figure("  the same bytes moved, nothing computed", floor, "s"))
        lines.append(Figure("  times the floor", ours / floor, "", 2.5, least=False))
    with open_pool(1) as pool:
        _forget(run_once(folder, 96, pool, overrides)[0])
        job, alone = run_once(folder, small, pool, overrides)
        _forget(job)
    lines.append(Figure("  1 -> 2 processes", sum(t.seconds for t in alone) / ours, "times", 1.85))
    first = small**3 / ours
    peak = max(t.peak_mib for t in times)
    for size in sizes[1:]:
        with open_pool(2) as pool:
            _forget(run_once(folder, 96, pool, overrides)[0])
            job, times = run_once(folder, size, pool, overrides)
            _forget(job)
        rate = size**3 / sum(t.seconds for t in times)
        here = max(t.peak_mib for t in times)
        lines.append(Figure(f"{size}^3, 2 processes", rate / MVOX, "Mvox/s", peak_mib=here))
        lines.append(Figure(f"  rate over that of {small}^3", rate / first, "times", 0.9))
        lines.append(Figure(f"  peak over that of {small}^3", here / peak, "times", 1.1, False))
    return lines
