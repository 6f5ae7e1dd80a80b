"""One volume, several tilings and schedulers: one fingerprint.

`python -m tests.benchmarks.same_result --size 512` prints a line for each way of running it.
`--set` changes the recipe, as in `--set condition.denoise.method=nlm`; `--bodies rich` gives the
specimen odd shapes; `--cluster loop` leaves the other schedulers out.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from pipeline.phantom.specimen import RICH_BODIES, SpecimenSpec
from pipeline.phantom.writer import write_specimen

TILES = ("[64,64,64]", "[128,128,128]", "[96,160,224]", "[256,256,256]")
CLUSTERS = ("loop", "threads", "local")


def run(
    source: Path, workspace: Path, tile: str, cluster: str, overrides: list[str]
) -> tuple[str, float]:
    """Submit one way and return the fingerprint and the seconds of the job."""
    command = [sys.executable, "-m", "flows.cli"]
    where = ["--workspace", str(workspace)]
    submit = ["submit", str(source), "--scan", "specimen", "--cluster", cluster, "--json"]
    for override in (f"tiling.tile_shape={tile}", *overrides):
        submit += ["--set", override]
    done = subprocess.run(command + submit + where, check=True, capture_output=True, text=True)
    printed = subprocess.run(
        [*command, "fingerprint", "specimen", *where], check=True, capture_output=True, text=True
    )
    return printed.stdout.strip(), float(json.loads(done.stdout)["seconds"])


def main() -> None:
    """Run every way and say whether they agree."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=512)
    parser.add_argument("--set", action="append", default=[], dest="overrides")
    parser.add_argument("--cluster", action="append", choices=CLUSTERS)
    parser.add_argument("--bodies", choices=("plain", "rich"), default="plain")
    given = parser.parse_args()
    seen = set()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        spec = SpecimenSpec(
            size_vx=(given.size,) * 3,
            voxel_um=2.0,
            seed=7,
            **({"rich": RICH_BODIES} if given.bodies == "rich" else {}),
        )
        source = write_specimen(spec, folder / "specimen", "tiff").volume
        for tile in TILES:
            for cluster in given.cluster or CLUSTERS:
                found, seconds = run(source, folder / "workspace", tile, cluster, given.overrides)
                shutil.rmtree(folder / "workspace")
                seen.add(found)
                print(f"{tile:16}{cluster:9}{seconds:7.1f} s  {found}", flush=True)
    print("one fingerprint" if len(seen) == 1 else f"{len(seen)} fingerprints")
    sys.exit(len(seen) != 1)


if __name__ == "__main__":
    main()
