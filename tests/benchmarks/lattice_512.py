"""Random lattices of 512^3 voxels at their percolation thresholds, in tiles of 128.

`python -m tests.benchmarks.lattice_512` labels them through the stages in a plain loop, compares the
labels voxel by voxel with `scipy.ndimage.label`, and the densities of clusters of one, two and three
voxels with their exact values (lattice animals; thresholds: Wang et al., Phys. Rev. E 87, 052107
(2013) for 6 neighbours, Kurzawski & Malarz, Rep. Math. Phys. 70, 163 (2012) for 26).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy import ndimage

from pipeline.model.header import ReadOptions
from pipeline.model.metadata import ScanMetadata
from pipeline.model.plan import plan_scan
from pipeline.model.recipe import read_recipe
from pipeline.readers import open_source
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.job import JobFolder
from pipeline.stores.volume import open_volume

P_THRESHOLD = {6: 0.3116077, 26: 0.0976}

RECIPE = """
name: lattice
condition: {{mask: none, denoise: {{method: none}}}}
segment: {{method: manual, thresholds: [0.5]}}
phases:
  - {{name: void, kind: background}}
  - {{name: grain, kind: particles, min_voxels: 1}}
label: {{connectivity: {connectivity}}}
tiling: {{tile_shape: [{tile}, {tile}, {tile}]}}
"""


def exact_densities(connectivity: int) -> list[float]:
    """Return clusters of one, two (and three) voxels per lattice site: exact, by enumeration."""
    p = P_THRESHOLD[connectivity]
    q = 1.0 - p
    if connectivity == 6:
        return [p * q**6, 3 * p**2 * q**10, p**3 * (3 * q**14 + 12 * q**13)]
    return [p * q**26, p**2 * (3 * q**34 + 6 * q**40 + 4 * q**44)]


def process(folder: Path, volume: np.ndarray, connectivity: int, tile: int) -> None:
    """Run the stages on a volume of zeros and ones."""
    np.save(folder / "lattice.npy", volume)
    options = ReadOptions(voxel_um=(1.0, 1.0, 1.0))
    header = open_source(str(folder / "lattice.npy"), options).header
    recipe = read_recipe(RECIPE.format(connectivity=connectivity, tile=tile), "lattice")
    source = str(folder / "lattice.npy")
    plan = plan_scan("lattice", source, options, header, recipe, ScanMetadata(), "0")
    job = JobFolder(folder / "jobs" / "lattice")
    job.path.mkdir(parents=True)
    job.write_plan(plan)
    run(job.path)


def count_small(particles: dict[str, np.ndarray], size: int, n: int) -> tuple[int, float]:
    """Count clusters of `size` voxels whose place does not depend on the border.

    Their first voxel lies 3 or more voxels from the low faces and their bounding box 3 or more
    from the high ones: as many origins as the interior has voxels, for every shape up to 3 long.
    """
    chosen = particles["n_voxels"] == size
    for axis in "zyx":
        chosen &= particles[f"bbox_{axis}_start_vx"] >= 3
        chosen &= particles[f"bbox_{axis}_stop_vx"] <= n - 3
    # A shape of extent e has n - 6 - (e - 1) origins along an axis: each cluster counts as the
    # inverse of its own number of origins.
    extents = np.prod(
        [
            n - 5 - (particles[f"bbox_{a}_stop_vx"] - particles[f"bbox_{a}_start_vx"])[chosen]
            for a in "zyx"
        ],
        axis=0,
        dtype=float,
    )
    return int(chosen.sum()), float((1.0 / extents).sum())


def check(connectivity: int, n: int, tile: int, seed: int) -> bool:
    """Label one lattice and print how it compares."""
    rng = np.random.default_rng(seed)
    volume = (rng.random((n, n, n), np.float32) < P_THRESHOLD[connectivity]).astype(np.uint8)
    good = True
    with tempfile.TemporaryDirectory() as name:
        start = time.perf_counter()
        process(Path(name), volume, connectivity, tile)
        seconds = time.perf_counter() - start
        structure = ndimage.generate_binary_structure(3, {6: 1, 26: 3}[connectivity])
        expected, n_expected = ndimage.label(volume, structure)
        labels = open_volume(Path(name) / "scans" / "lattice.zarr" / "labels" / "grain" / "0")
        n_different = sum(
            int(np.count_nonzero(labels[z : z + tile] != expected[z : z + tile]))
            for z in range(0, n, tile)
        )
        columns = ["n_voxels"] + [f"bbox_{a}_{e}_vx" for a in "zyx" for e in ("start", "stop")]
        table = Catalogue(Path(name) / "catalogue").read("particles", "lattice", columns)
        particles = {column: table[column].to_numpy() for column in columns}
    good &= n_different == 0 and table.num_rows == n_expected
    print(
        f"{connectivity} neighbours, p = {P_THRESHOLD[connectivity]}: {table.num_rows} clusters "
        f"(scipy {n_expected}), {n_different} voxels differ, {seconds:.0f} s"
    )
    for size, exact in enumerate(exact_densities(connectivity), start=1):
        found, density = count_small(particles, size, n)
        # Poisson is the upper bound here: small clusters keep each other at a distance.
        sd = density / np.sqrt(found)
        z = (density - exact) / sd
        good &= abs(z) <= 3.0
        print(f"  {size} voxels: density {density:.9f}, exact {exact:.9f}, z = {z:+.2f}")
    return bool(good)


def main() -> None:
    """Check both lattices."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=512)
    parser.add_argument("--tile", type=int, default=128)
    parser.add_argument("--seed", type=int, default=20261125)
    given = parser.parse_args()
    results = [check(c, given.size, given.tile, given.seed) for c in P_THRESHOLD]
    sys.exit(not all(results))


if __name__ == "__main__":
    main()
