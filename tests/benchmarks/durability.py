"""What it costs that files are forced to disk before their tile is put on record.

`python -m tests.benchmarks.durability --size 256 --tile 128 --tile 64 --folder DIR` counts one
simulated specimen in this process, and prints how often and how long it waited for the disk.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from flows.jobs.planning import plan_source
from flows.jobs.submission import create_job
from flows.settings import find_cluster, find_recipe
from pipeline.phantom.specimen import SpecimenSpec
from pipeline.phantom.writer import write_specimen
from pipeline.run import run
from pipeline.stages.warm import warm_kernels
from pipeline.stores import durability


class Clock:
    """Counts and times waits for the disk."""

    def __init__(self) -> None:
        self.n, self.seconds = 0, 0.0

    def timed(self, sync: Callable[[Any], None]) -> Callable[[Any], None]:
        """Return a call that forces to disk and is counted."""

        def call(what: Any) -> None:
            began = time.perf_counter()
            sync(what)
            self.seconds += time.perf_counter() - began
            self.n += 1

        return call


def measure(source: Path, workspace: Path, tile: int) -> tuple[Clock, float, int]:
    """Count a source once; return the waits, the seconds in all, and the tiles."""
    recipe = find_recipe("cast-al-si-cu", [f"tiling.tile_shape=[{tile},{tile},{tile}]"])
    plan = plan_source(str(source), "specimen", recipe)
    clock = Clock()
    kept = os.fsync, durability.sync_disk
    os.fsync, durability.sync_disk = (clock.timed(sync) for sync in kept)
    try:
        began = time.perf_counter()
        run(create_job(plan, workspace, find_cluster("loop")).path)
        seconds = time.perf_counter() - began
    finally:
        os.fsync, durability.sync_disk = kept
    shutil.rmtree(workspace)
    return clock, seconds, len(plan.grid)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=512)
    parser.add_argument("--tile", type=int, action="append")
    parser.add_argument("--folder", type=Path, help="where to work; the system's by default")
    given = parser.parse_args()
    warm_kernels()
    print("  tile   tiles   syncs  ms a sync  ms a tile  of the time")
    with tempfile.TemporaryDirectory(dir=given.folder) as name:
        folder = Path(name)
        spec = SpecimenSpec(size_vx=(given.size,) * 3, voxel_um=2.0, seed=7)
        source = write_specimen(spec, folder / "specimen", "tiff").volume
        for tile in given.tile or [256]:
            clock, seconds, n_tiles = measure(source, folder / "workspace", tile)
            each, of_tile = (1e3 * clock.seconds / n for n in (clock.n, n_tiles))
            share = clock.seconds / seconds
            row = f"{tile:6}{n_tiles:8}{clock.n:8}{each:11.2f}{of_tile:11.1f}{share:13.1%}"
            print(row, flush=True)


if __name__ == "__main__":
    main()
