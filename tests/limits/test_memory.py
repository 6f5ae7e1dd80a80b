"""Measured peaks of workers stay under what the plan promised before the run."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest

from tests.limits.test_kills import castcensus

MIB = 1 << 20


@pytest.mark.cluster
@pytest.mark.timeout(300)
@pytest.mark.parametrize(
    ("dtype", "tile", "denoise", "described"),
    [
        ("uint16", 192, "median", ()),
        ("float32", 96, "median", ()),
        ("uint8", 128, "gaussian", ("skeleton", "members", "curvature")),
    ],
)
def test_peak_of_workers_is_under_the_plan(
    tmp_path: Path, dtype: str, tile: int, denoise: str, described: tuple[str, ...]
) -> None:
    rng = np.random.default_rng(5)
    volume = rng.normal(100, 12, (192, 192, 192))
    volume[rng.random(volume.shape) < 0.05] = 200
    volume *= rng.normal(1, 0.02, 192)[:, None, None]  # drift, which is taken off
    np.save(tmp_path / "volume.npy", volume.astype(dtype))
    command = castcensus(
        *("submit", str(tmp_path / "volume.npy"), "--scan", "s", "--voxel-um", "2", "--json"),
        *("--workers", "1", "--set", f"tiling.tile_shape=[{tile},{tile},{tile}]"),
        *("--set", f"condition.denoise.method={denoise}"),
        *(word for name in described for word in ("--set", f"describe.{name}=true")),
        workspace=tmp_path / "workspace",
    )
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    # A worker that only imported its libraries takes most of the least of these.
    assert 300 * MIB < result["peak_worker_bytes"] <= result["planned_worker_bytes"]
