"""The whole path, TIFF folder to catalogue, beside what people would use instead.

`python -m tests.benchmarks.whole_path --size 1024` simulates a specimen, submits it with two
worker processes, then runs the peers on a crop, and prints one table and JSON.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.model.grid import Box
from pipeline.phantom.specimen import SpecimenSpec
from pipeline.phantom.writer import write_specimen
from pipeline.readers import open_source
from pipeline.stores.catalogue import Catalogue

MIB = 1 << 20


def run_json(command: list[str]) -> dict[str, Any]:
    """Run a command of this interpreter and return the object that it prints."""
    done = subprocess.run(
        [sys.executable, "-m", *command], capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise SystemExit(f"{' '.join(command)} ended with {done.returncode}:\n{done.stderr}")
    values: dict[str, Any] = json.loads(done.stdout)
    return values


def crop_source(source: Path, size: int, path: Path) -> None:
    """Save the middle of a volume as one array."""
    opened = open_source(str(source))
    start = [(n - size) // 2 for n in opened.header.shape]
    box = Box((start[0], start[1], start[2]), (start[0] + size, start[1] + size, start[2] + size))
    np.save(path, opened.read(box))


def measure(
    source: Path,
    folder: Path,
    workers: int,
    crop: int,
    peers: list[str],
    overrides: Sequence[str] = (),
) -> dict[str, Any]:
    """Submit a source, by a changed recipe if so told, and run the peers on a crop of it."""
    folder.mkdir(parents=True, exist_ok=True)
    submit = ["flows.cli", "submit", str(source), "--scan", "bench", "--json"]
    submit += ["--workers", str(workers), "--workspace", str(folder / "workspace")]
    for override in overrides:
        submit += ["--set", override]
    start = time.perf_counter()
    result: dict[str, Any] = {"castcensus": run_json(submit)}
    result["castcensus"]["command_seconds"] = round(time.perf_counter() - start, 2)
    scan = Catalogue(folder / "workspace" / "catalogue").read("scans", "bench").to_pylist()[0]
    crop_source(source, crop, folder / "crop.npy")
    for peer in peers:
        thresholds = [str(t) for t in scan["thresholds"]]
        command = ["tests.benchmarks.peers", peer, str(folder / "crop.npy"), *thresholds]
        result[peer] = run_json(command)
    return result


def print_table(result: dict[str, Any]) -> None:
    """Print one line a contestant."""
    ours = result["castcensus"]
    print(f"{'':16}{'Mvox/s':>10}{'seconds':>10}{'peak MiB':>10}")
    peak = ours["peak_worker_bytes"] / MIB
    print(f"{'castcensus':16}{ours['voxels_per_s'] / 1e6:10.2f}{ours['seconds']:10.1f}{peak:10.0f}")
    for peer, values in result.items():
        if peer == "castcensus":
            continue
        total = sum(s for step, s in values["seconds"].items() if not step.startswith("labels"))
        speed, peak = values["n_voxels"] / total / 1e6, values["peak_bytes"] / MIB
        print(f"{peer:16}{speed:10.2f}{total:10.1f}{peak:10.0f}")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=1024)
    parser.add_argument("--source", type=Path, help="an existing volume instead of a simulated one")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--crop", type=int, default=512)
    parser.add_argument("--peer", action="append", choices=["scikit-image", "dask-image"])
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source = given.source
        if source is None:
            spec = SpecimenSpec(size_vx=(given.size,) * 3, voxel_um=2.0, seed=7)
            source = write_specimen(spec, folder / "specimen", "tiff").volume
        peers = given.peer or ["scikit-image", "dask-image"]
        result = measure(source, folder, given.workers, given.crop, peers)
    print_table(result)
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
