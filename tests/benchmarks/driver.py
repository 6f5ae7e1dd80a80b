"""What the driver alone takes for a tile: tiles that do nothing, at the sizes of a huge volume.

`python -m tests.benchmarks.driver --tiles 100000 --tiles 1000000 --map loop --map dask` runs one
stage of so many tiles through the ledger, and prints milliseconds a tile and the resident size of
this process (with Dask, its scheduler included) for the first and the last tenth of the tiles.
"""

from __future__ import annotations

import argparse
import itertools
import tempfile
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import psutil

from flows.cluster import open_cluster
from flows.jobs.planning import plan_source
from flows.jobs.submission import create_job
from flows.settings import ClusterConfig, ClusterSize, find_cluster, find_recipe
from pipeline.model.header import ReadOptions
from pipeline.model.plan import Plan
from pipeline.model.reports import TileReport
from pipeline.run import MapTiles, Progress, run_stage
from pipeline.stages import registry
from pipeline.stores.job import JobFolder

MIB = 1 << 20


class IdleStage:
    """A stage that prepares nothing and folds nothing."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        del folder, plan

    def prepare(self) -> None:
        """Prepare nothing."""

    def process(self, number: int) -> int:
        """Process nothing."""
        return number * 0

    def fold(self) -> None:
        """Fold nothing."""


def idle(number: int) -> TileReport:
    """Report a tile that took no time."""
    return TileReport(number, 1, 1e-6, "nobody", 1)


class Gauge:
    """Notes time and resident size at each tenth of the tiles."""

    def __init__(self, n_tiles: int) -> None:
        self.step = max(n_tiles // 10, 1)
        self.marks: list[tuple[float, int]] = []

    def __call__(self, progress: Progress) -> None:
        """Take progress in."""
        if progress.report is not None and (progress.n_done - 1) % self.step == 0:
            self.mark()

    def mark(self) -> None:
        """Note where time and memory stand."""
        self.marks.append((time.perf_counter(), psutil.Process().memory_info().rss))


def plan_idle(folder: Path, n_tiles: int) -> Path:
    """Create a job of one stage of so many tiles that do nothing."""
    np.save(folder / "source.npy", np.arange(32**3, dtype=np.uint16).reshape((32,) * 3))
    recipe = find_recipe("one-phase", ["segment.thresholds=[9]", "tiling.tile_shape=[16,16,16]"])
    plan = plan_source(str(folder / "source.npy"), "idle", recipe, ReadOptions(voxel_um=(2, 2, 2)))
    stage = plan.stages[0].model_copy(update={"name": "idle", "n_tiles": n_tiles})
    plan = plan.model_copy(update={"stages": (stage,)})
    return create_job(plan, folder / "workspace", find_cluster("loop")).path


def measure(n_tiles: int, map_tiles: MapTiles) -> Gauge:
    """Run a stage of so many tiles that do nothing."""

    def map_idle(process: Any, numbers: Iterable[int]) -> Iterator[Any]:
        del process
        return iter(map_tiles(idle, numbers))

    gauge = Gauge(n_tiles)
    with tempfile.TemporaryDirectory() as name:
        job = plan_idle(Path(name), n_tiles)
        run_stage(job, "idle", map_idle, gauge)
        gauge.mark()
    return gauge


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tiles", type=int, action="append")
    parser.add_argument("--map", choices=("loop", "dask"), action="append", dest="maps")
    given = parser.parse_args()
    registry.STAGES["idle"] = IdleStage
    print(f"{'':6}{'tiles':>9}{'ms a tile':>26}{'MiB':>18}")
    print(f"{'':6}{'':9}{'all':>10}{'first':>8}{'last':>8}{'first':>10}{'last':>8}")
    for name in given.maps or ["loop", "dask"]:
        for n_tiles in given.tiles or [100_000]:
            config = ClusterConfig(kind="loop" if name == "loop" else "local")
            with open_cluster(config, ClusterSize(2, 1, 1 << 30)) as map_tiles:
                marks = measure(n_tiles, map_tiles).marks
            spans = [1e4 * (b[0] - a[0]) / n_tiles for a, b in itertools.pairwise(marks)]
            every = 1e3 * (marks[-1][0] - marks[0][0]) / n_tiles
            row = f"{name:6}{n_tiles:9}{every:10.3f}{spans[0]:8.3f}{spans[-1]:8.3f}"
            print(f"{row}{marks[1][1] / MIB:10.0f}{marks[-1][1] / MIB:8.0f}", flush=True)


if __name__ == "__main__":
    main()
