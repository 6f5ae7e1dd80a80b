"""Workspaces copied to object storage and back, against an emulator that is a real server."""

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import DamageError, NotFoundError, StoreError, UsageError
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.integrity import inspect_scan
from pipeline.stores.ome import mark_job
from pipeline.stores.places import open_place
from pipeline.stores.transfer import MARK, copy_workspace
from tests.benchmarks.groups import Group, Scatter, write_groups


@pytest.fixture(scope="module")
def counted(tmp_path_factory, plan_job, binary_recipe) -> Path:
    """Return the workspace of one scan of several tiles."""
    folder = tmp_path_factory.mktemp("transfer")
    rng = np.random.default_rng(5)
    np.save(folder / "v.npy", (rng.random((64, 64, 64)) > 0.95).astype(np.uint8))
    run(
        plan_job(folder / "w", folder / "v.npy", binary_recipe, "tiling.tile_shape=[32,64,64]").path
    )
    return folder / "w"


@pytest.fixture
def workspace(counted, tmp_path) -> Path:
    """Return a copy of it, which has only moved."""
    copy_workspace(counted, tmp_path / "here")
    return tmp_path / "here"


@pytest.fixture
def bucket(storage, request) -> str:
    """Return the name of a bucket of the test's own."""
    name = request.node.name.replace("_", "-")[:50]
    storage.bucket(name)
    return name


def grow(workspace: Path, name: str = "bar") -> None:
    """Commit another scan, of rows alone."""
    write_groups(workspace / "catalogue", [Group("F", [name])], 20, Scatter())


def files(folder: Path) -> dict[str, bytes]:
    paths = [p for name in ("catalogue", "scans") for p in (folder / name).rglob("*")]
    return {str(p.relative_to(folder)): p.read_bytes() for p in paths if p.is_file()}


def test_there_and_back_every_byte_is_the_same(counted, bucket, storage, tmp_path) -> None:
    away = open_place(f"s3://{bucket}/lab/census")
    sent = copy_workspace(counted, away)
    assert (sent.scans, sent.n_there, sent.elsewhere) == (("scan",), 0, ())
    assert sent.n_files == len(storage.keys(bucket))
    assert all(key.startswith("lab/census/") for key in storage.keys(bucket))
    assert fingerprint_scan(away, "scan") == fingerprint_scan(counted, "scan")
    assert inspect_scan(away, "scan") == inspect_scan(counted, "scan")
    again = copy_workspace(counted, away)
    assert (again.n_files, again.n_there) == (0, sent.n_files)
    back = copy_workspace(away, tmp_path / "back")
    assert back.n_bytes == sent.n_bytes
    wanted = files(counted)
    got = files(tmp_path / "back")
    assert {k: v for k, v in wanted.items() if "/.locks/" not in k} == got
    # What came back is a workspace to go on with.
    grow(tmp_path / "back")
    assert Catalogue(tmp_path / "back" / "catalogue").scan_ids() == ["bar-F-0", "scan"]


def test_a_newer_or_another_catalogue_is_never_written_over(workspace, bucket, tmp_path) -> None:
    away = open_place(f"s3://{bucket}/census")
    copy_workspace(workspace, away)
    copy_workspace(away, tmp_path / "other")
    grow(tmp_path / "other")
    copy_workspace(tmp_path / "other", away)
    for mine in ((), ("mine",)):
        for name in mine:
            grow(workspace, name)
        with pytest.raises(StoreError, match="another catalogue, or a newer one"):
            copy_workspace(workspace, away)
    assert Catalogue(away / "catalogue").scan_ids() == ["bar-F-0", "scan"]


def test_what_is_new_goes_what_is_gone_goes_too_and_older_rows_stay(
    workspace, bucket, storage
) -> None:
    away = open_place(f"s3://{bucket}")
    first = copy_workspace(workspace, away)
    grow(workspace)
    coarse = workspace / "scans/scan.zarr/labels/grain/1"
    n_gone = sum(path.is_file() for path in coarse.rglob("*"))
    shutil.rmtree(coarse)
    second = copy_workspace(workspace, away)
    assert (second.catalogue_version, second.n_there) == (2, first.n_files - n_gone)
    stored = {
        str(p.relative_to(workspace)) for p in (workspace / "scans").rglob("*") if p.is_file()
    }
    assert set(storage.keys(bucket, "scans/")) == stored
    catalogue = Catalogue(away / "catalogue")
    assert [catalogue.scan_ids(version) for version in (1, 2)] == [["scan"], ["bar-F-0", "scan"]]


def test_a_flipped_byte_is_found_and_not_taken_home(counted, bucket, storage, tmp_path) -> None:
    away = open_place(f"s3://{bucket}/census")
    copy_workspace(counted, away)
    key = "census/scans/scan.zarr/labels/grain/0/c/1/0/0"
    held = storage.client.get_object(Bucket=bucket, Key=key)
    data = bytearray(held["Body"].read())
    data[len(data) // 2] ^= 1
    put = {"Bucket": bucket, "Key": key, "Body": bytes(data)}
    storage.client.put_object(**put, Metadata=held["Metadata"])
    found = inspect_scan(away, "scan").damages
    assert [damage.place for damage in found] == [f"s3://{bucket}/{key}"]
    assert "damaged" in found[0].what
    with pytest.raises(DamageError, match=f"{key} is not what was put there"):
        copy_workspace(away, tmp_path / "back")
    storage.client.delete_object(Bucket=bucket, Key=key)
    assert copy_workspace(counted, away).n_files == 1
    # Another program's object says nothing of its hash, and is read.
    storage.client.put_object(**put)
    assert copy_workspace(counted, away).n_files == 1
    assert storage.client.get_object(Bucket=bucket, Key=key)["Metadata"] == held["Metadata"]


def test_of_two_at_once_the_second_is_told_of_the_first(counted, bucket) -> None:
    away, told = open_place(f"s3://{bucket}"), []

    def second(*_: int) -> None:
        if not told:
            with pytest.raises(StoreError, match=f"being copied to by process {os.getpid()} on"):
                copy_workspace(counted, away)
            told.append(True)

    copy_workspace(counted, away, tell=second)
    assert told
    assert Catalogue(away / "catalogue").scan_ids() == ["scan"]


def test_one_that_was_taken_over_stops_before_it_publishes(counted, bucket, storage) -> None:
    away, told = open_place(f"s3://{bucket}"), []

    def other(*_: int) -> None:
        if not told:
            told.append(True)
            storage.client.put_object(Bucket=bucket, Key=MARK, Body=b"{}")

    with pytest.raises(StoreError, match="taken over by another copy"):
        copy_workspace(counted, away, tell=other)
    assert not [key for key in storage.keys(bucket) if "_delta_log" in key]
    assert MARK in storage.keys(bucket)


def test_a_killed_copy_shows_nothing_and_goes_on(counted, bucket, storage) -> None:
    away = open_place(f"s3://{bucket}")
    code = (
        "import sys; from pathlib import Path; from pipeline.stores.places import open_place\n"
        "from pipeline.stores.transfer import copy_workspace\n"
        "copy_workspace(Path(sys.argv[1]), open_place(sys.argv[2]))"
    )
    process = subprocess.Popen([sys.executable, "-c", code, str(counted), f"s3://{bucket}"])
    while len(storage.keys(bucket)) < 20:
        assert process.poll() is None
        time.sleep(0.005)
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert Catalogue(away / "catalogue").version() == -1
    with pytest.raises(StoreError, match=f"process {process.pid} .*--take-over"):
        copy_workspace(counted, away)
    done = copy_workspace(counted, away, take_over=True)
    assert done.n_there >= 15
    assert Catalogue(away / "catalogue").scan_ids() == ["scan"]
    assert MARK not in storage.keys(bucket)


def test_storage_that_falls_silent_is_named(counted, bucket, monkeypatch) -> None:
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
    silent = open_place(f"s3://{bucket}")
    with pytest.raises(StoreError, match="does not answer"):
        inspect_scan(silent, "scan")
    with pytest.raises(StoreError, match="does not answer"):
        copy_workspace(counted, silent)


def test_storage_without_conditional_put_is_refused(counted, storage) -> None:
    away = open_place(storage.bucket("careless-one"))
    with pytest.raises(StoreError, match="no conditional put"):
        copy_workspace(counted, away)
    assert storage.keys("careless-one") == []


def test_a_store_of_another_job_than_the_rows_is_not_copied(workspace, bucket) -> None:
    mark_job(workspace / "scans/scan.zarr", "other")
    with pytest.raises(StoreError, match="counted again while"):
        copy_workspace(workspace, open_place(f"s3://{bucket}"))


def test_nothing_and_into_itself_are_refused(counted, tmp_path) -> None:
    with pytest.raises(NotFoundError, match="no scan to copy"):
        copy_workspace(tmp_path / "empty", tmp_path / "to")
    with pytest.raises(UsageError, match="lies in"):
        copy_workspace(counted, counted / "inside")
    assert not (counted / "inside").exists()
