"""A scan inspected whole, and after each kind of damage."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import NotFoundError
from pipeline.run import run
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.integrity import inspect_scan
from pipeline.stores.volume import open_volume, shard_path


@pytest.fixture(scope="module")
def counted(tmp_path_factory, plan_job, binary_recipe) -> Path:
    """Return the workspace of one scan of several tiles."""
    folder = tmp_path_factory.mktemp("integrity")
    rng = np.random.default_rng(5)
    np.save(folder / "v.npy", (rng.random((40, 48, 56)) > 0.8).astype(np.uint8))
    job = plan_job(
        folder / "workspace", folder / "v.npy", binary_recipe, "tiling.tile_shape=[32, 32, 32]"
    )
    run(job.path)
    return folder / "workspace"


@pytest.fixture
def workspace(counted: Path, tmp_path: Path) -> Path:
    """Return a copy of it, to be damaged."""
    return Path(shutil.copytree(counted, tmp_path / "copy"))


def damages(workspace: Path) -> list[tuple[str, str]]:
    return [(d.place, d.what) for d in inspect_scan(workspace, "scan").damages]


def test_a_whole_scan_has_no_damage_wherever_it_lies(workspace: Path) -> None:
    found = inspect_scan(workspace, "scan")
    assert found.damages == ()
    assert found.n_shards >= 3 * 8
    assert found.n_rows > 100


@pytest.mark.parametrize("volume", ["0", "labels/phases/0", "labels/grain/0", "1"])
def test_a_flipped_bit_is_named_by_its_shard(workspace: Path, volume: str) -> None:
    array = open_volume(workspace / "scans" / "scan.zarr" / volume)
    shard = shard_path(array, (0, 1, 0))
    data = bytearray(shard.read_bytes())
    data[len(data) // 3] ^= 4
    shard.write_bytes(data)
    assert damages(workspace)[0][0] == str(shard)


def test_a_shard_that_is_gone_is_named(workspace: Path) -> None:
    shard = shard_path(open_volume(workspace / "scans/scan.zarr/0"), (1, 0, 1))
    shard.unlink()
    assert damages(workspace) == [(str(shard), "is gone")]


def test_particles_without_their_voxels_are_counted(workspace: Path) -> None:
    labels = workspace / "scans/scan.zarr/labels/grain"
    shard_path(open_volume(labels / "0"), (0, 0, 0)).unlink()
    (place, what), *rest = damages(workspace)
    assert place == str(labels)
    assert "particles have other sizes than their rows; the first is 1 with" in what
    assert not rest


def test_labels_of_other_rows_are_met(workspace: Path) -> None:
    array = open_volume(workspace / "scans/scan.zarr/labels/phases/0")
    array[:2] = 1 - array[:2]
    (place, what), *_ = damages(workspace)
    assert place.endswith("labels/phases")
    assert "the catalogue" in what


def test_a_missing_store_and_a_torn_ledger_are_met(workspace: Path) -> None:
    shutil.rmtree(workspace / "scans/scan.zarr")
    ledger = workspace / "jobs/job/ledger/label.log"
    ledger.write_bytes(ledger.read_bytes()[:-20])
    places = [place for place, _ in damages(workspace)]
    assert places == [str(ledger), str(workspace / "scans/scan.zarr")]


def test_a_workspace_is_restored_from_a_copy_of_catalogue_and_scans(
    workspace: Path, tmp_path: Path
) -> None:
    wanted = fingerprint_scan(workspace, "scan")
    for name in ("catalogue", "scans"):
        shutil.copytree(workspace / name, tmp_path / "backup" / name)
    shard = shard_path(open_volume(workspace / "scans/scan.zarr/0"), (1, 0, 1))
    shard.write_bytes(shard.read_bytes()[:-9])
    assert [place for place, _ in damages(workspace)] == [str(shard)]
    # One damaged scan comes back by itself.
    shutil.rmtree(workspace / "scans/scan.zarr")
    shutil.copytree(tmp_path / "backup/scans/scan.zarr", workspace / "scans/scan.zarr")
    assert damages(workspace) == []
    # A whole workspace comes back elsewhere, without its old jobs.
    shutil.rmtree(workspace)
    shutil.move(tmp_path / "backup", tmp_path / "elsewhere")
    assert damages(tmp_path / "elsewhere") == []
    assert fingerprint_scan(tmp_path / "elsewhere", "scan") == wanted


def test_an_unknown_scan_is_not_found(workspace: Path) -> None:
    with pytest.raises(NotFoundError, match="other"):
        inspect_scan(workspace, "other")
