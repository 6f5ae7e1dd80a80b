"""What another threshold costs on a scan that is counted: share of the time of a run from scratch.

    python -m tests.benchmarks.reuse --size 512

A simulated specimen is counted; counted again with other thresholds, which takes over what an
earlier job left; and once more with these from scratch, whose fingerprint must be the same.
Processor time includes the start of the process.  What it does not know, it hands on to
`castcensus submit`, as in `--cluster loop`.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from pipeline.phantom.specimen import SpecimenSpec
from pipeline.phantom.writer import write_specimen
from pipeline.stores.fingerprint import fingerprint_scan


def submit(source: Path, workspace: Path, *more: str) -> dict[str, Any]:
    """Count the specimen in a process of its own; return what it printed, and processor time."""
    command = [sys.executable, "-m", "flows.cli", "submit", str(source), "--scan", "s", "--json"]
    command += ["--workspace", str(workspace), *more]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    result: dict[str, Any] = json.loads(done.stdout)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return {**result, "cpu_s": cpu_s}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=512, help="voxels along an edge")
    parser.add_argument("--set", action="append", default=[], help="as of castcensus submit")
    arguments, rest = parser.parse_known_args()
    changed = [f"--set={pair}" for pair in arguments.set or ["segment.method=multi-otsu"]]
    with tempfile.TemporaryDirectory() as place:
        spec = SpecimenSpec(size_vx=(arguments.size,) * 3, voxel_um=2.0, seed=11)
        source = write_specimen(spec, Path(place) / "source", "tiff").volume
        workspace = Path(place) / "workspace"
        rows = [
            ("first", submit(source, workspace, *rest)),
            ("changed", submit(source, workspace, "--replace", *changed, *rest)),
        ]
        marks = [fingerprint_scan(workspace, "s")]
        anew = submit(source, workspace, "--replace", "--anew", *changed, *rest)
        rows.append(("from scratch", anew))
        marks.append(fingerprint_scan(workspace, "s"))
    print(f"{'run':<14}{'s':>8}{'share':>8}{'processor s':>13}{'share':>8}")
    whole = rows[-1][1]
    for name, row in rows:
        shares = [row[key] / whole[key] for key in ("seconds", "cpu_s")]
        print(
            f"{name:<14}{row['seconds']:>8.1f}{shares[0]:>8.0%}"
            f"{row['cpu_s']:>13.1f}{shares[1]:>8.0%}"
        )
    print("fingerprints equal:", marks[0] == marks[1])


if __name__ == "__main__":
    main()
