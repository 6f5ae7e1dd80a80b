"""Time and memory of `castcensus compare` over all descriptors of many scans.

`python -m tests.benchmarks.comparison_speed FOLDER [--scans 300] [--particles 20000]` writes a
catalogue through the real stores (kept in FOLDER for the next run), then times the command.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from pathlib import Path

from tests.benchmarks.groups import Group, write_groups

SCANS_A_SPECIMEN = 3
BAR_S, BAR_BYTES = 15.0, 2 * 2**30


def write(folder: Path, n_scans: int, n_particles: int) -> None:
    """Write two tempers with three scans a specimen, unless they are there."""
    done = folder / f"groups-{n_scans}-{n_particles}"
    if done.exists():
        return
    half = n_scans // (2 * SCANS_A_SPECIMEN)
    groups = [
        Group("F", [f"bar-{i:03d}" for i in range(half)], SCANS_A_SPECIMEN),
        Group("T6", [f"bar-{i:03d}" for i in range(half, 2 * half)], SCANS_A_SPECIMEN, 0.9),
    ]
    started = time.perf_counter()
    write_groups(folder / "catalogue", groups, n_particles)
    done.touch()
    print(f"catalogue written in {time.perf_counter() - started:.0f} s")


def measure(folder: Path) -> tuple[float, int, int]:
    """Run the command once; return seconds, peak bytes of its largest process, and rows."""
    where = "alloy = 'CC-319R' AND tube_kv = 60"
    command = [sys.executable, "-m", "flows.cli", "compare", "--by", "temper", "--where", where,
               "--json", "--workspace", str(folder)]  # fmt: skip
    answer = folder / "answer.json"
    started = time.perf_counter()
    with answer.open("wb") as out:
        process = subprocess.Popen(command, stdout=out)
        _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - started
    if status:
        raise SystemExit(f"the command ended with status {status}")
    print(f"processor time {usage.ru_utime + usage.ru_stime:.1f} s")
    return seconds, usage.ru_maxrss * 1024, len(json.loads(answer.read_bytes())["rows"])


def main() -> None:
    """Write the catalogue and time the command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--scans", type=int, default=300)
    parser.add_argument("--particles", type=int, default=20_000)
    parser.add_argument("--runs", type=int, default=3)
    options = parser.parse_args()
    write(options.folder, options.scans, options.particles)
    for _ in range(options.runs):
        seconds, n_bytes, n_rows = measure(options.folder)
        print(
            f"{options.scans} scans of {options.particles} particles, {n_rows} rows: "
            f"{seconds:.1f} s (at most {BAR_S:g}), {n_bytes / 2**30:.2f} GiB "
            f"(at most {BAR_BYTES / 2**30:g}); load {os.getloadavg()[0]:.1f} on "
            f"{os.cpu_count()} cores"
        )


if __name__ == "__main__":
    main()
