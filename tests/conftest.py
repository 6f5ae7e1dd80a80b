"""What tests of several rooms share: bodies of tiles merged in memory, jobs, the data folder."""

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from numpy.typing import NDArray

from pipeline.analysis.expectation import expect_phases
from pipeline.kernels.bodies import TileBodies, label_tile
from pipeline.kernels.cavities import RegionForest, enclose_bodies
from pipeline.kernels.contacts import Contacts, merge_contacts
from pipeline.kernels.convexity import HullColumns, TileHulls
from pipeline.kernels.descriptors import describe_particles
from pipeline.kernels.feret import measure_hulls
from pipeline.kernels.reduce import (
    MergedTallies,
    merge_boxes,
    merge_sums,
    sum_sizes,
    take_census,
)
from pipeline.kernels.seams import cut_faces, flatten_forest, match_faces, merge_pairs
from pipeline.kernels.shapes import classify_shapes
from pipeline.kernels.tally import BEYOND, NO_VOXEL
from pipeline.model.grid import Box, TileGrid, Triple
from pipeline.model.header import ReadOptions
from pipeline.model.metadata import ScanMetadata
from pipeline.model.plan import plan_scan
from pipeline.model.recipe import read_recipe
from pipeline.readers import open_source
from pipeline.stages.warm import warm_kernels, warm_meshes
from pipeline.stores.job import JobFolder


def pytest_configure(config: pytest.Config) -> None:
    """Compile the kernels once before several test processes would each do it."""
    if getattr(config.option, "numprocesses", None):  # set in the process that starts the others
        warm_kernels()
        warm_meshes()


STEPS = [step for step in product((0, 1), repeat=3) if any(step)]

BINARY = {
    "name": "binary",
    "condition": {"mask": "none", "denoise": {"method": "none"}},
    "segment": {"method": "manual", "thresholds": [0.5]},
    "phases": [
        {"name": "void", "kind": "background"},
        {"name": "grain", "kind": "particles", "min_voxels": 1},
    ],
}
"""Recipe of a 0/1 volume: every voxel of 1 counts, nothing is filtered."""


@dataclass(frozen=True)
class Bodies:
    """Particles of a volume, merged from its tiles in memory."""

    labels: NDArray[np.int64]
    phase: NDArray[np.uint8]
    particle_id: NDArray[np.int64]
    rows: dict[str, NDArray[Any]]
    merged: MergedTallies
    small_bodies: NDArray[np.int64]
    small_voxels: NDArray[np.int64]
    contacts: Contacts

    def equals(self, other: "Bodies") -> bool:
        """Whether labels, ids and every descriptor agree bit for bit."""
        return (
            np.array_equal(self.labels, other.labels)
            and np.array_equal(self.phase, other.phase)
            and np.array_equal(self.particle_id, other.particle_id)
            and np.array_equal(self.small_bodies, other.small_bodies)
            and np.array_equal(self.small_voxels, other.small_voxels)
            and all(
                np.array_equal(getattr(self.contacts, name), getattr(other.contacts, name))
                for name in ("body", "other", "kind", "faces")
            )
            and all(self.rows[k].tobytes() == other.rows[k].tobytes() for k in self.rows)
        )


def smallest_of(least: dict[int, int]) -> NDArray[np.int64]:
    """Return the table of fewest voxels by phase."""
    smallest = np.zeros(256, np.int64)
    for phase, n in least.items():
        smallest[phase] = n
    return smallest


def label_box(
    phases: NDArray[np.uint8],
    grey: NDArray[np.uint16],
    core: Box,
    least: dict[int, int],
    connectivity: int,
    pore: int = -1,
) -> TileBodies:
    """Label one tile as the label stage does, but of a volume in memory."""
    shape: Triple = phases.shape  # type: ignore[assignment]
    box = core.grow((0, 0, 0), (1, 1, 1)).clip(shape)
    padded = np.full([n + 2 for n in core.shape], BEYOND, np.uint8)
    padded[tuple(slice(1, 1 + n) for n in box.shape)] = phases[box.slices]
    return label_tile(
        padded,
        np.ascontiguousarray(grey[box.slices]),
        core,
        shape,
        smallest_of(least),
        connectivity,
        pore,
    )


def count_bodies(
    phases: NDArray[np.uint8],
    grey: NDArray[np.uint16] | None = None,
    tile_shape: Triple | None = None,
    connectivity: int = 26,
    least: dict[int, int] | None = None,
    voxel_um: tuple[float, float, float] = (1.0, 1.0, 1.0),
    load_axis: tuple[float, float, float] = (1.0, 0.0, 0.0),
    gain: float = 1.0,
    offset: float = 0.0,
    pore: int = -1,
) -> Bodies:
    """Find, tally, merge and describe the bodies of a phase map, tile by tile."""
    shape: Triple = phases.shape  # type: ignore[assignment]
    grey = np.zeros(shape, np.uint16) if grey is None else grey
    least = {1: 1} if least is None else least
    grid = TileGrid(shape, tile_shape or shape)
    tiles = [label_box(phases, grey, tile.core, least, connectivity, pore) for tile in grid]
    offsets = np.concatenate([[0], np.cumsum([len(t.tallies) - 1 for t in tiles])]).astype(np.int64)
    faces = [cut_faces(tile.labels) for tile in tiles]
    root = np.arange(offsets[-1])
    forest = RegionForest([tile.regions.outside.size for tile in tiles])
    for number, tile in enumerate(tiles):
        forest.open(number, tile.regions.outside)
    for tile, step in product(grid, STEPS):
        place = tuple(p + s for p, s in zip(tile.place, step, strict=True))
        if all(p < n for p, n in zip(place, grid.counts, strict=True)):
            other = grid.number(place)  # type: ignore[arg-type]
            pairs = match_faces(step, faces[tile.number], faces[other])  # type: ignore[arg-type]
            merge_pairs(root, pairs, offsets[tile.number] - 1, offsets[other] - 1)
            regions = [tiles[n].regions.faces for n in (tile.number, other)]
            forest.join(tile.number, other, match_faces(step, *regions))  # type: ignore[arg-type]
    flatten_forest(root)
    forest.close()
    size, first = np.zeros(root.size, np.int64), np.full(root.size, NO_VOXEL)
    phase = np.zeros(root.size, np.uint8)
    for tile in grid:
        sum_sizes(tiles[tile.number].tallies, root, offsets[tile.number], size, first, phase)
    census = take_census(root, size, first, phase, smallest_of(least))
    merged = MergedTallies.empty(census.particle_id.size)
    for merge in (merge_boxes, merge_sums):
        for tile in grid:
            rows = census.row_of[offsets[tile.number] : offsets[tile.number + 1]]
            merge(merged, tiles[tile.number].tallies, rows, tile.core.start)
    ids = census.name_bodies()[0]
    labels = np.zeros(shape, np.int64)
    for tile in grid:
        table = np.concatenate([[0], ids[offsets[tile.number] : offsets[tile.number + 1]]])
        labels[tile.core.slices] = table[tiles[tile.number].labels[1:-1, 1:-1, 1:-1]]
    rows_of = describe_particles(merged, voxel_um, load_axis, gain, offset)

    def read_hulls(number: int) -> TileHulls:
        tile = tiles[number]
        rows = census.row_of[offsets[number] : offsets[number + 1]]
        sizes = measure_hulls(tile.hull_offsets, tile.hull_corners, voxel_um)
        origin = grid.tile(number).core.start
        return TileHulls(rows, tile.hull_offsets, tile.hull_corners, sizes, origin)

    rows_of |= HullColumns(rows_of, voxel_um, load_axis).describe(len(grid), read_hulls, merged)
    regions, tallies = [t.regions for t in tiles], [t.tallies for t in tiles]
    found = enclose_bodies(forest, regions, tallies, root, offsets, pore)
    of_row = np.zeros(census.particle_id.size, np.int64)
    of_row[census.row_of[census.row_of >= 0]] = root[census.row_of >= 0]
    rows_of["n_cavities"] = found.cavities[of_row]
    rows_of["n_tunnels"] = found.cavities[of_row] + 1 - rows_of["euler_number"]
    rows_of |= classify_shapes(rows_of)
    rows_of["n_voxels_enclosed"] = found.voxels[of_row]
    rows_of["n_pores_enclosed"] = found.pores[of_row]
    return Bodies(
        labels=labels,
        phase=census.phase,
        particle_id=census.particle_id,
        rows=rows_of,
        merged=merged,
        small_bodies=census.small_bodies + sum(t.small_bodies for t in tiles),
        small_voxels=census.small_voxels + sum(t.small_voxels for t in tiles),
        contacts=merge_contacts(
            (t.contacts, census.row_of[a:b])
            for t, a, b in zip(tiles, offsets, offsets[1:], strict=False)
        ),
    )


@pytest.fixture(scope="session", name="count_bodies")
def _count_bodies() -> Callable[..., Bodies]:
    """Return `count_bodies`."""
    return count_bodies


@pytest.fixture(scope="session", name="label_box")
def _label_box() -> Callable[..., TileBodies]:
    """Return `label_box`."""
    return label_box


def plan_job(
    workspace: Path,
    source: Path,
    recipe: dict[str, Any],
    *overrides: str,
    scan_id: str = "scan",
    job: str = "job",
    voxel_um: tuple[float, float, float] = (2.0, 2.0, 2.0),
    in_place: bool = False,
    metadata: ScanMetadata | None = None,
) -> JobFolder:
    """Plan a job of a file and leave it in a workspace, ready to run."""
    options = ReadOptions(voxel_um=voxel_um)
    header = open_source(str(source), options).header
    read = read_recipe(yaml.safe_dump(recipe), "test", overrides)
    metadata = metadata or ScanMetadata()
    plan = plan_scan(
        scan_id,
        str(source),
        options,
        header,
        read,
        metadata,
        "test",
        in_place=in_place,
        expectation=expect_phases(read, metadata),
    )
    folder = JobFolder(workspace / "jobs" / job)
    folder.path.mkdir(parents=True)
    folder.write_plan(plan)
    return folder


@pytest.fixture(scope="session", name="plan_job")
def _plan_job() -> Callable[..., JobFolder]:
    """Return `plan_job`."""
    return plan_job


@pytest.fixture(scope="session")
def binary_recipe() -> dict[str, Any]:
    """Return `BINARY`."""
    return BINARY


@pytest.fixture(scope="session")
def data_folder() -> Path:
    """Return the folder of real volumes; absent, CI fails and a workstation skips, saying so."""
    default = Path(__file__).parents[2] / "shared" / "data"
    folder = Path(os.environ.get("CASTCENSUS_TEST_DATA", default))
    if not folder.is_dir():
        message = f"no data folder {folder}: name one with CASTCENSUS_TEST_DATA"
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail(message)
        pytest.skip(message)
    return folder


@pytest.fixture(scope="session")
def storage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Return object storage on this machine, which the environment names."""
    from tests.emulator import emulate  # its libraries take a while to load

    log = tmp_path_factory.mktemp("storage") / "log"
    with emulate(log) as started, pytest.MonkeyPatch.context() as patch:
        for key, value in started.environment.items():
            patch.setenv(key, value)
        yield started
