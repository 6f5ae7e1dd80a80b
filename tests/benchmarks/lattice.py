"""A random lattice at its percolation threshold through the real stages, tile by tile.

`python -m tests.benchmarks.lattice --connectivity 6 --size 512 --tile 128` prints the seconds of
each stage, cluster densities against their exact values, and whether every label equals that of
`scipy.ndimage.label`.  512^3 takes some minutes and some 9 GB.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.model.grid import Box
from pipeline.run import Progress, run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.volume import open_volume, read_box
from tests.conftest import BINARY, plan_job
from tests.published.test_lattices import STRUCTURE, THRESHOLD, density_scores

SLAB = 32


def make_lattice(path: Path, size: int, p: float, seed: int) -> None:
    """Write a 0/1 volume plane by plane."""
    rng = np.random.default_rng(seed)
    out = np.lib.format.open_memmap(path, mode="w+", dtype=np.uint8, shape=(size, size, size))
    for z in range(size):
        out[z] = rng.random((size, size)) < p
    out.flush()


def process_lattice(folder: Path, connectivity: int, tile: int) -> dict[str, float]:
    """Run the job of ``lattice.npy`` and return the seconds of each stage."""
    overrides = (
        f"label.connectivity={connectivity}",
        f"tiling.tile_shape=[{tile}, {tile}, {tile}]",
    )
    job = plan_job(folder, folder / "lattice.npy", BINARY, *overrides)
    seconds: dict[str, float] = {}
    last = time.perf_counter()

    def note(progress: Progress) -> None:
        nonlocal last
        if progress.finished:
            seconds[progress.stage] = time.perf_counter() - last
            last = time.perf_counter()

    run(job.path, on_progress=note)
    return seconds


def count_differences(folder: Path, reference: NDArray[np.int32]) -> int:
    """Return in how many voxels the written labels differ from a reference."""
    labels = open_volume(folder / "scans" / "scan.zarr" / "labels" / "grain" / "0")
    n = reference.shape[0]
    total = 0
    for z in range(0, n, SLAB):
        box = Box((z, 0, 0), (min(z + SLAB, n), n, n))
        total += int(np.count_nonzero(read_box(labels, box) != reference[box.slices]))
    return total


def main() -> None:
    """Make the lattice, process it, compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--connectivity", type=int, default=6, choices=(6, 18, 26))
    parser.add_argument("--size", type=int, default=512)
    parser.add_argument("--tile", type=int, default=128)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    p = THRESHOLD[given.connectivity]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_lattice(folder / "lattice.npy", given.size, p, given.seed)
        seconds = process_lattice(folder, given.connectivity, given.tile)
        for stage, value in seconds.items():
            print(f"{stage:12}{value:10.1f} s")
        columns = ["n_voxels", *(f"bbox_{a}_start_vx" for a in "zyx")]
        table = Catalogue(folder / "catalogue").read("particles", scan_id="scan")
        rows = {column: table[column].to_numpy() for column in columns}
        lattice = np.load(folder / "lattice.npy")
        reference, n_bodies = ndimage.label(lattice, STRUCTURE[given.connectivity])
        differ = count_differences(folder, reference)
    print(f"bodies      {table.num_rows} (scipy.ndimage.label: {n_bodies})")
    print(f"labels      {differ} of {lattice.size} voxels differ from scipy.ndimage.label")
    worst = 0.0
    scores = density_scores(rows, given.size, p, given.connectivity)
    for s, (count, expected, z) in scores.items():
        print(f"clusters of {s}: {count}, exact mean {expected:.1f}, z = {z:+.2f}")
        worst = max(worst, abs(z))
    sys.exit(int(differ > 0 or table.num_rows != n_bodies or worst > 3))


if __name__ == "__main__":
    main()
