"""A real CT volume of a cast engine block through `castcensus submit`, against known counts.

`python -m tests.benchmarks.cast_block cast-block-ct.nii.gz` wants 1 177 142 voxels above 68, one
component with 6, 18 and 26 neighbours, and an Euler number of -19 with 6 and 26 (computed outside
this project; the volume: neurolabusc/VolumeRenderingData, OpenSciVis/engine.nii.gz).
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from pipeline.stores.catalogue import Catalogue

N_VOXELS, EULER = 1_177_142, -19


def main() -> None:
    """Submit with each connectivity and compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("volume", type=Path)
    given = parser.parse_args()
    good = True
    with tempfile.TemporaryDirectory() as name:
        for connectivity in (6, 18, 26):
            scan = f"block-{connectivity}"
            command = [sys.executable, "-m", "flows.cli", "submit", str(given.volume)]
            command += ["--scan", scan, "--recipe", "one-phase", "--workspace", name]
            command += ["--set", "segment.thresholds=[68]", "--voxel-um", "500"]
            command += ["--set", f"label.connectivity={connectivity}"]
            command += ["--set", "condition.denoise.method=none", "--set", "condition.mask=none"]
            command += ["--set", "tiling.tile_shape=[64,96,64]"]
            subprocess.run(command, check=True, stderr=subprocess.DEVNULL)
            rows = Catalogue(Path(name) / "catalogue").read("particles", scan).to_pylist()
            n_voxels = sum(row["n_voxels"] for row in rows)
            euler = sum(row["euler_number"] for row in rows)
            print(f"{connectivity}: {n_voxels} voxels, {len(rows)} components, Euler {euler}")
            good &= n_voxels == N_VOXELS and len(rows) == 1
            good &= connectivity == 18 or euler == EULER
    sys.exit(not good)


if __name__ == "__main__":
    main()
