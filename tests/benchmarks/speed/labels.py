"""Label and measure beside dask-image: bodies of one phase, two processes against two threads."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.speed.jobs import map_in_pool, open_pool, plan_job, run_timed
from tests.benchmarks.speed.kernels import simulate_bodies
from tests.benchmarks.speed.timing import Figure

MVOX = 1e6
RECIPE = [
    "condition.mask=none",
    "condition.flatten=none",
    "condition.denoise.method=none",
]


def time_ours(source: Path, folder: Path, tile: int) -> tuple[float, float]:
    """Return the seconds of label, seams and reduce, and the peak of a worker in MiB."""
    overrides = [
        *RECIPE,
        "segment.thresholds=[0.5]",
        f"tiling.tile_shape=[{tile},{tile},{tile}]",
    ]
    job = plan_job(source, folder / "whole", overrides, recipe="one-phase")
    corner = source.parent / "corner.npy"
    np.save(corner, np.load(source, mmap_mode="r")[:64, :64, :64])
    first = plan_job(corner, folder / "corner", RECIPE, recipe="one-phase")
    with open_pool(2) as pool:
        run_timed(first, map_in_pool(pool))  # workers load their kernels
        times = run_timed(job, map_in_pool(pool))
    mine = [t for t in times if t.name in ("label", "seams", "reduce")]
    return sum(t.seconds for t in mine), max(t.peak_mib for t in mine)


def measure(folder: Path, size: int) -> list[Figure]:
    """Return the lines of this section."""
    volume = simulate_bodies(size)
    source = folder / "bodies.npy"
    np.save(source, volume.astype(np.uint16))
    lines = []
    seconds = {}
    for tile in (256, 128):
        seconds[tile], peak = time_ours(source, folder / f"tile-{tile}", tile)
        rate = size**3 / seconds[tile] / MVOX
        name = f"label, seams, all descriptors, {size}^3, tiles of {tile}"
        lines.append(Figure(name, rate, "Mvox/s", peak_mib=peak))
    lines.append(
        Figure("  tiles of 128 over tiles of 256", seconds[128] / seconds[256], "", 1.5, False)
    )
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.peers", "dask-image", str(source), "0", "0.5"],
        capture_output=True,
        text=True,
        check=True,
    )
    peer: dict[str, Any] = json.loads(done.stdout)
    took = peer["seconds"]
    some = took["area"] + took["centre of mass"]
    share = took["labels found"] / took["labels measured"]
    lines += [
        Figure("  peer: dask-image label, chunks of 256", size**3 / took["label"] / MVOX, "Mvox/s"),
        Figure(f"  peer: its area and centre of {took['labels measured']} bodies", some, "s"),
        Figure("  times dask-image, those bodies only", (took["label"] + some) / seconds[256], "",
               40.0),
        Figure(
            f"  times dask-image, all {took['labels found']} bodies (projected)",
            (took["label"] + some * share) / seconds[256],
            "",
        ),
    ]  # fmt: skip
    return lines
