"""Damaged data between stages are met and named; what a tile reports."""

from functools import partial

import pytest

from pipeline.errors import DamageError
from pipeline.run import map_in_loop, run, run_stage
from pipeline.stages.registry import process_tile
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.volume import open_volume, shard_path

SMALL_TILES = "tiling.tile_shape=[24, 24, 32]"


def flip(path, where=0.4):
    data = bytearray(path.read_bytes())
    data[int(where * len(data))] ^= 1
    path.write_bytes(data)


def run_through(folder, last):
    for stage in folder.read_plan().stages:
        run_stage(folder.path, stage.name)
        if stage.name == last:
            break


@pytest.mark.parametrize(
    ("last", "volume"), [("ingest", "scan.zarr/0"), ("condition", "conditioned.zarr")]
)
def test_a_damaged_shard_is_named(specimen, make_job, last, volume):
    folder = make_job("job", specimen(), SMALL_TILES)
    run_through(folder, last)
    shard = shard_path(open_volume(folder.path / volume), (1, 0, 1))
    flip(shard)
    with pytest.raises(DamageError) as caught:
        run(folder.path)
    assert str(shard) in str(caught.value)
    assert Catalogue(folder.workspace / "catalogue").version() == -1


def test_a_damaged_shard_of_local_ids_is_named(specimen, make_job):
    folder = make_job("job", specimen(), SMALL_TILES)
    run_through(folder, "catalogue")
    shard = shard_path(open_volume(folder.bodies), (0, 1, 0))
    flip(shard)
    with pytest.raises(DamageError) as caught:
        run(folder.path)
    assert str(shard) in str(caught.value)


@pytest.mark.parametrize("stage", ["condition", "label", "seams", "reduce"])
def test_a_damaged_side_file_is_named(specimen, make_job, stage):
    folder = make_job("job", specimen(), SMALL_TILES)
    run_through(folder, stage)
    side = folder.side(stage, 3)
    side.write_bytes(side.read_bytes()[:40])
    with pytest.raises(DamageError, match=r"000000003\.npz"):
        run(folder.path)


def test_another_plan_in_the_folder_is_met(specimen, make_job):
    folder = make_job("job", specimen(), SMALL_TILES)
    with pytest.raises(DamageError, match="holds another plan"):
        process_tile(str(folder.path), "ingest", "sha256:other", 0)


def test_a_tile_reports_itself(specimen, make_job):
    folder = make_job("job", specimen(), SMALL_TILES)
    planned = folder.read_plan().stage("ingest")
    reports = []

    def spy(process, numbers):
        for report in map_in_loop(process, numbers):
            reports.append(report)
            yield report

    run_stage(folder.path, "ingest", spy)
    assert [r.number for r in reports] == list(range(planned.n_tiles))
    assert all(r.seconds > 0 and r.peak_bytes > 1 << 20 and ":" in r.worker for r in reports)
    again = partial(process_tile, str(folder.path), "ingest", planned.key)
    assert again(0).n_voxels == reports[0].n_voxels == 24 * 24 * 32
