"""A volume far larger than memory beside a small one: time, speed and peaks of every process.

`python -m tests.benchmarks.large --size 2048 --size 512 --workers 2 --memory-limit 2GiB` simulates
specimens in `--folder`, submits each to worker processes of that limit, and prints a row a size.
The peaks are of a worker and of the driver, which runs the scheduler in its own process.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from pipeline.phantom.specimen import SpecimenSpec
from pipeline.phantom.writer import write_specimen

MIB = 1 << 20
COLUMNS = (
    "simulated s",
    "seconds",
    "Mvox/s",
    "worker MiB",
    "planned MiB",
    "driver MiB",
    "disk GiB",
)


def count(source: Path, workspace: Path, given: argparse.Namespace) -> dict[str, Any]:
    """Submit a source and return the object that the command prints."""
    command = [
        sys.executable,
        "-m",
        "flows.cli",
        "submit",
        str(source),
        "--scan",
        "large",
        "--json",
    ]
    command += ["--workers", str(given.workers), "--memory-limit", given.memory_limit]
    for override in given.overrides:
        command += ["--set", override]
    command += ["--workspace", str(workspace)]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    result: dict[str, Any] = json.loads(done.stdout)
    return result


def main() -> None:
    """Simulate, count, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, action="append", help="voxels of an edge; repeatable")
    parser.add_argument("--format", default="raw", choices=("tiff", "raw", "zarr", "hdf5"))
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--memory-limit", default="2GiB")
    parser.add_argument("--set", action="append", default=[], dest="overrides")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--folder", type=Path, help="where to work; needs some 15 bytes a voxel")
    given = parser.parse_args()
    print(f"{'size':>6}" + "".join(f"{name:>13}" for name in COLUMNS), flush=True)
    peaks: dict[int, int] = {}
    for size in given.size or [2048, 512]:
        with tempfile.TemporaryDirectory(dir=given.folder) as name:
            began = time.perf_counter()
            spec = SpecimenSpec(size_vx=(size,) * 3, voxel_um=2.0, seed=given.seed)
            source = write_specimen(spec, Path(name) / "specimen", given.format).volume
            simulated = time.perf_counter() - began
            result = count(source, Path(name) / "workspace", given)
        peaks[size] = result["peak_worker_bytes"]
        values = (
            simulated,
            result["seconds"],
            result["voxels_per_s"] / 1e6,
            result["peak_worker_bytes"] / MIB,
            result["planned_worker_bytes"] / MIB,
            result["driver_peak_bytes"] / MIB,
            result["disk_bytes"] / 1024 / MIB,
        )
        print(f"{size:6}" + "".join(f"{value:13.1f}" for value in values), flush=True)
    largest, least = peaks[max(peaks)], peaks[min(peaks)]
    print(f"peak of a worker at {max(peaks)} over that at {min(peaks)}: {largest / least:.3f}")


if __name__ == "__main__":
    main()
