"""Workers and drivers killed in the middle of the label stage leave the undisturbed result.

`python -m tests.benchmarks.kills --size 512 --tile 64` does the same on a larger volume.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import psutil
import pytest

from pipeline.phantom.specimen import SpecimenSpec
from pipeline.phantom.writer import write_specimen

WAIT_S = 240.0
POLL_S = 0.02


def castcensus(*arguments: str, workspace: Path) -> list[str]:
    """Return a command line of this interpreter's castcensus."""
    return [sys.executable, "-m", "flows.cli", *arguments, "--workspace", str(workspace)]


def submit(source: Path, workspace: Path, tile: int) -> list[str]:
    """Return the command that submits a source with two worker processes."""
    return castcensus(
        *("submit", str(source), "--scan", "specimen", "--workers", "2", "--json"),
        *("--set", f"tiling.tile_shape=[{tile},{tile},{tile}]"),
        workspace=workspace,
    )


def fingerprint(workspace: Path) -> str:
    """Return what `castcensus fingerprint` prints."""
    command = castcensus("fingerprint", "specimen", workspace=workspace)
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()


def wait_for_label(workspace: Path, driver: subprocess.Popen[str]) -> Path:
    """Wait until some, not all, tiles of the label stage are on record; return the job."""
    deadline = time.monotonic() + WAIT_S
    while time.monotonic() < deadline and driver.poll() is None:
        for ledger in workspace.glob("jobs/*/ledger/label.log"):
            lines = ledger.read_bytes().splitlines()
            if any(b"sealed" in line for line in lines):
                pytest.fail("the label stage was over before it could be disturbed")
            if len(lines) >= 2:
                return ledger.parent.parent
        time.sleep(POLL_S)
    pytest.fail(f"no label stage was seen: {driver.communicate()}")


def find_workers(driver: int) -> list[psutil.Process]:
    """Return the worker processes of a driver: they spawned, and hold a kernel's libraries."""
    return [
        child
        for child in psutil.Process(driver).children(recursive=True)
        if "spawn_main" in " ".join(child.cmdline())
    ]


def run_disturbed(
    source: Path, workspace: Path, tile: int, disturb: Callable[[int], None]
) -> tuple[int, str]:
    """Submit, disturb the label stage, and return the exit status and the standard output."""
    with subprocess.Popen(
        submit(source, workspace, tile),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as driver:
        wait_for_label(workspace, driver)
        disturb(driver.pid)
        out, error = driver.communicate(timeout=WAIT_S)
    return driver.returncode, out or error


def kill_worker(driver: int) -> None:
    """Kill one worker process of a driver without warning."""
    victims = find_workers(driver)
    assert victims, "no worker was found"
    victims[0].kill()


def kill_driver(driver: int) -> None:
    """Kill a driver without warning."""
    os.kill(driver, signal.SIGKILL)


def check_kills(folder: Path, size: int, tile: int) -> dict[str, str]:
    """Run undisturbed, with a worker killed, and with the driver killed and resumed."""
    spec = SpecimenSpec(size_vx=(size,) * 3, voxel_um=2.0, seed=11)
    source = write_specimen(spec, folder / "source", "tiff").volume
    found = {}
    subprocess.run(submit(source, folder / "calm", tile), check=True, capture_output=True)
    found["undisturbed"] = fingerprint(folder / "calm")

    status, out = run_disturbed(source, folder / "worker", tile, kill_worker)
    assert status == 0
    assert json.loads(out)["state"] == "done"
    found["worker killed"] = fingerprint(folder / "worker")

    status, _ = run_disturbed(source, folder / "driver", tile, kill_driver)
    assert status == -signal.SIGKILL
    (job,) = [p.parent.name for p in (folder / "driver").glob("jobs/*/plan.json")]
    resume = castcensus("resume", job, "--json", workspace=folder / "driver")
    done = subprocess.run(resume, check=True, capture_output=True, text=True)
    assert json.loads(done.stdout)["state"] == "done"
    found["driver killed, resumed"] = fingerprint(folder / "driver")
    return found


# The same kills on a smaller volume run with the others: tests/flows/test_jobs.py.
@pytest.mark.slow
@pytest.mark.cluster
@pytest.mark.timeout(600)
def test_kills_leave_the_undisturbed_fingerprint(tmp_path: Path) -> None:
    """SIGKILL of a worker and of the driver changes nothing in the result."""
    found = check_kills(tmp_path, size=160, tile=32)
    assert len(set(found.values())) == 1, found
