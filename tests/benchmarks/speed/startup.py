"""How long until something happens: help, a plan, the first tile of an embedded job."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from tests.benchmarks.speed.jobs import VOXEL_UM, simulate
from tests.benchmarks.speed.timing import Figure, take_turns


def time_first_tile(source: Path, workspace: Path) -> float:
    """Submit, and return the seconds until the ledger names a tile."""
    command = [sys.executable, "-m", "flows.cli", "submit", str(source), "--scan", "s"]
    command += ["--voxel-um", str(VOXEL_UM), "--workspace", str(workspace), "--workers", "2"]
    start = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as job:
        while job.poll() is None:
            ledgers = workspace.glob("jobs/*/ledger/ingest.log")
            if any(path.stat().st_size for path in ledgers):
                seconds = time.perf_counter() - start
                job.communicate()
                return seconds
            time.sleep(0.02)
        assert job.stderr is not None
        raise SystemExit(f"the job ended before its first tile:\n{job.stderr.read().decode()}")


def measure(folder: Path, repeats: int) -> list[Figure]:
    """Return the lines of this section."""
    source = simulate(folder, 160)
    command = [sys.executable, "-m", "flows.cli"]
    plan = [*command, "plan", str(source), "--voxel-um", str(VOXEL_UM)]

    def run(words: list[str]) -> None:
        subprocess.run(words, check=True, capture_output=True, cwd=folder)

    rates = take_turns(
        {"castcensus --help": lambda: run([*command, "--help"]), "plan": lambda: run(plan)},
        repeats,
    )
    bars = {"castcensus --help": 0.3, "plan": 1.0}
    lines = [Figure(name, rates.median(name), "s", bar, False) for name, bar in bars.items()]
    first = time_first_tile(source, folder / "first")
    return [*lines, Figure("first tile of an embedded job", first, "s", 12, least=False)]
