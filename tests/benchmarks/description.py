"""What the description of particles costs on top of finding them.

`python -m tests.benchmarks.description` fills tiles to 5 % with ellipsoids of several sizes, and
prints processor time: finding and tallying bodies, what hulls, calipers, contacts and cavities add,
the whole label stage with its files, and how many times the stage without them that is; the anatomy
stage (bending of platelets) and the distances stage (thickness, neighbours) of tiles that stand
alone, so that no halo is read; then the reduction's own part, and scikit-image's largest Feret
diameter.  `ratio` is that of all three stages to the label stage without description,
`curvature %` what `describe.curvature` adds to the three stages.  `--scaling EDGE` runs whole scans
of two numbers of particles instead, 1000 times as many in the second, and prints the processor time
of each stage.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.measure import regionprops

from pipeline.kernels.bodies import label_tile
from pipeline.kernels.cavities import find_regions
from pipeline.kernels.contacts import count_contacts
from pipeline.kernels.convexity import HullColumns, TileHulls
from pipeline.kernels.feret import measure_hulls
from pipeline.kernels.label import find_runs, label_runs
from pipeline.kernels.outline import outline_runs
from pipeline.kernels.tally import BEYOND, PHASE
from pipeline.model.grid import Box
from pipeline.run import run, run_stage
from pipeline.stages.anatomy import AnatomyStage
from pipeline.stages.distances import DistancesStage
from pipeline.stages.label import LabelStage
from pipeline.stores.catalogue import Catalogue
from tests.conftest import BINARY, count_bodies, plan_job

VOXEL = (1.0, 1.0, 1.0)


def fill(edge: int, axes: tuple[float, float, float], share: float) -> NDArray[np.uint8]:
    """Return a volume filled with ellipsoids of those semi-axes, turned at random."""
    rng = np.random.default_rng(1)
    volume = np.zeros((edge,) * 3, np.uint8)
    reach = int(np.ceil(max(axes))) + 1
    grid = np.indices((2 * reach + 1,) * 3).reshape(3, -1).T - reach
    stamps = []
    for _ in range(24):
        turn = np.linalg.qr(rng.standard_normal((3, 3)))[0]
        stamps.append(grid[np.square(grid @ turn / axes).sum(1) <= 1])
    filled = 0
    while filled < share * volume.size:
        stamp = stamps[rng.integers(len(stamps))] + rng.integers(reach, edge - reach, 3)
        volume[tuple(stamp.T)] = 1
        filled += len(stamp)
    return volume


def clock(call: Callable[[], Any], repeats: int = 3) -> tuple[float, Any]:
    """Return the least processor time of this thread, and the last result."""
    call()
    times = []
    for _ in range(repeats):
        start = time.thread_time()
        result = call()
        times.append(time.thread_time() - start)
    return min(times), result


def measure(edge: int, axes: tuple[float, float, float]) -> str:
    """Return one line of the table."""
    volume = fill(edge, axes, 0.05)
    phases = np.full((edge + 2,) * 3, BEYOND, np.uint8)
    phases[1:-1, 1:-1, 1:-1] = volume
    grey = np.zeros(volume.shape, np.uint16)
    smallest = np.zeros(256, np.int64)
    smallest[1] = 1
    core = Box((0, 0, 0), volume.shape)
    whole, found = clock(lambda: label_tile(phases, grey, core, volume.shape, smallest, 26))
    runs = find_runs(phases[1:, 1:, 1:], smallest > 0)
    body, n = label_runs(runs, edge + 1, 26)
    hulls, _ = clock(lambda: outline_runs(runs, body, n, core.shape, edge + 1))
    kinds = found.tallies[:, PHASE].astype(np.uint8)
    contacts, _ = clock(lambda: count_contacts(found.labels, phases, (0, 0, 0), kinds))
    calipers, sizes = clock(lambda: measure_hulls(found.hull_offsets, found.hull_corners, VOXEL))
    regions, _ = clock(lambda: find_regions(runs, body, core, volume.shape, (1,), 26, 1))
    added = hulls + calipers + contacts + regions
    stage, anatomy, distances = time_stages(volume)
    bent = time_stages(volume, "describe.curvature=true")[2]
    every = stage + anatomy + distances
    n = len(sizes)
    return (
        f"{n:9} {volume.sum() / n:10.0f} {whole - hulls - contacts - regions:9.3f} "
        f"{hulls:8.3f} {calipers:9.3f} {contacts:9.3f} {regions:9.3f} "
        f"{stage:8.3f} {anatomy:8.3f} {distances:9.3f} {every / (stage - added):6.2f} "
        f"{100 * (bent - distances) / every:11.0f} "
        f"{2e-6 * volume.size / every:10.1f} {n / (hulls + calipers):15.0f}"
    )


def time_stages(volume: NDArray[np.uint8], *keys: str) -> list[float]:
    """Return the processor times of the label, anatomy and distances stages of one tile."""
    with tempfile.TemporaryDirectory() as name:
        source = Path(name) / "volume.npy"
        np.save(source, volume)
        tiles = f"tiling.tile_shape={list(volume.shape)}"
        folder = plan_job(Path(name), source, BINARY, tiles, *keys, voxel_um=VOXEL)
        run(folder.path)
        least = []
        for stage in (
            LabelStage(folder, folder.read_plan()),
            AnatomyStage(folder, folder.read_plan()),
            DistancesStage(folder, folder.read_plan()),
        ):
            # The finished run has moved its store away.
            stage.prepare()
            times = []
            for _ in range(3):
                start = time.process_time()
                stage.process(0)
                times.append(time.process_time() - start)
            least.append(min(times))
    return least


def compare_feret(edge: int) -> None:
    """Print the rate of hulls and calipers beside scikit-image's largest Feret diameter."""
    volume = fill(edge, (14.0, 14.0, 2.5), 0.02)
    bodies = count_bodies(volume)
    properties = regionprops(bodies.labels)
    start = time.thread_time()
    for region in properties[:3]:
        _ = region.feret_diameter_max
    theirs = (time.thread_time() - start) / 3
    columns = bodies.rows
    phases = np.pad(volume, 1, constant_values=BEYOND)
    smallest = np.zeros(256, np.int64)
    smallest[1] = 1
    tile = label_tile(phases, np.zeros(volume.shape, np.uint16), Box((0, 0, 0), volume.shape),
                      volume.shape, smallest, 26)  # fmt: skip
    runs = find_runs(phases[1:, 1:, 1:], smallest > 0)
    body, n = label_runs(runs, edge + 1, 26)
    hulls, _ = clock(lambda: outline_runs(runs, body, n, volume.shape, edge + 1))
    calipers, sizes = clock(lambda: measure_hulls(tile.hull_offsets, tile.hull_corners, VOXEL))
    hulls_of = TileHulls(np.arange(n), tile.hull_offsets, tile.hull_corners, sizes, (0, 0, 0))
    rest, _ = clock(
        lambda: HullColumns(columns, VOXEL, (1.0, 0.0, 0.0)).describe(
            1, lambda number: hulls_of, bodies.merged
        )
    )
    print(
        f"\n{n} platelets of {volume.sum() / n:.0f} voxels: scikit-image feret_diameter_max "
        f"{theirs:.3f} s a particle; here all calipers, volume and shadows "
        f"{(hulls + calipers) / n * 1e6:.0f} us ({n / (hulls + calipers):.0f} a second), "
        f"and {rest / n * 1e6:.1f} us in the reduction."
    )


def scatter(edge: int, along: int) -> NDArray[np.uint8]:
    """Return a volume of along^3 ellipsoids that fill 5 % of it and do not touch."""
    rng = np.random.default_rng(along)
    cell = edge / along
    # Ball of 5 % of a cell, stretched; room is left for shifts.
    axes = (0.05 * 3 / (4 * np.pi)) ** (1 / 3) * cell * np.array([1.25, 1.0, 0.8])
    reach = int(np.ceil(axes.max())) + 1
    grid = np.indices((2 * reach + 1,) * 3).reshape(3, -1).T - reach
    stamps = []
    for _ in range(64):
        turn = np.linalg.qr(rng.standard_normal((3, 3)))[0]
        moved = grid - rng.uniform(-0.5, 0.5, 3)
        stamps.append(grid[np.square(moved @ turn / axes).sum(1) <= 1])
    volume = np.zeros((edge,) * 3, np.uint8)
    room = max(cell - 2 * axes.max() - 2, 0.0)
    for place in np.ndindex(along, along, along):
        middle = (np.array(place) + 0.5) * cell + rng.uniform(-0.5, 0.5, 3) * room
        volume[tuple((stamps[rng.integers(64)] + np.rint(middle).astype(int)).T)] = 1
    return volume


def time_path(volume: NDArray[np.uint8]) -> tuple[int, dict[str, float]]:
    """Return the particles of a scan and the processor time of each of its stages."""
    with tempfile.TemporaryDirectory() as name:
        source = Path(name) / "volume.npy"
        np.save(source, volume)
        tiles = f"tiling.tile_shape={[min(256, n) for n in volume.shape]}"
        job = plan_job(Path(name), source, BINARY, tiles, "label.connectivity=26", voxel_um=VOXEL)
        seconds = {}
        for stage in job.read_plan().stages:
            start = time.process_time()
            run_stage(job.path, stage.name)
            seconds[stage.name] = time.process_time() - start
        table = Catalogue(Path(name) / "catalogue").read("particles")
        return table.num_rows, seconds


def compare_scaling(edge: int) -> None:
    """Print what each stage takes for few and for many particles of one share of the volume."""
    time_path(scatter(64, 4))
    along = max(edge * 10 // 1024, 1)
    few, many = (time_path(scatter(edge, n)) for n in (along, 10 * along))
    print(f"processor seconds of whole scans of {edge}^3 voxels, 5 % of them in particles")
    print(f"{'particles':12}{few[0]:10}{many[0]:10}{'ratio':>8}")
    described = ("label", "seams", "reduce", "anatomy", "distances")
    rows = {name: (few[1][name], many[1][name]) for name in few[1]}
    rows["description"] = tuple(sum(part[1][n] for n in described) for part in (few, many))
    rows["all"] = (sum(few[1].values()), sum(many[1].values()))
    for name, (a, b) in rows.items():
        print(f"{name:12}{a:10.2f}{b:10.2f}{b / max(a, 1e-3):8.2f}")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--edge", type=int, default=256, help="voxels along a tile")
    parser.add_argument("--scaling", type=int, help="voxels along a scan, 1024 for 10^3 and 10^6")
    given = parser.parse_args()
    if given.scaling:
        compare_scaling(given.scaling)
        return
    edge = given.edge
    print("processor seconds of one thread for a tile; Mvoxel/s is for two such processes")
    print(
        "particles   voxels a   finding    hulls  calipers  contacts  cavities    stage  anatomy "
        "distances  ratio curvature %   Mvoxel/s  hulls a second"
    )
    for axes in ((20.0, 16.0, 12.0), (16.0, 16.0, 2.5), (7.0, 6.5, 5.0), (3.0, 2.4, 1.8)):
        print(measure(edge, axes))
    compare_feret(min(edge, 160))


if __name__ == "__main__":
    main()
