from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from pipeline.errors import DamageError, NotFoundError, StoreError
from pipeline.stores.job import (
    JobFolder,
    read_arrays,
    write_arrays,
    write_partly,
    write_whole,
)


def files_below(path):
    return sorted(p.name for p in path.rglob("*") if p.is_file())


@pytest.fixture
def volume(tmp_path):
    np.save(tmp_path / "volume.npy", np.zeros((9, 10, 11), np.uint8))
    return tmp_path / "volume.npy"


def test_plan_round_trip(tmp_path, volume, plan_job, binary_recipe):
    folder = plan_job(tmp_path / "workspace", volume, binary_recipe, job="j-1")
    assert (folder.name, folder.workspace) == ("j-1", tmp_path / "workspace")
    plan = folder.read_plan()
    assert plan.header.shape == (9, 10, 11)
    assert plan.voxel_um == (2.0, 2.0, 2.0)
    assert plan.recipe.segment.thresholds == (0.5,)
    before = (folder.path / "plan.json").read_bytes()
    folder.write_plan(plan)
    assert (folder.path / "plan.json").read_bytes() == before


def test_absent_job(tmp_path):
    with pytest.raises(NotFoundError, match="no job x in"):
        JobFolder(tmp_path / "jobs" / "x").read_plan()


def test_paths_do_not_collide(tmp_path):
    folder = JobFolder(tmp_path / "jobs" / "x")
    paths = [
        folder.scan_store,
        folder.conditioned,
        folder.bodies,
        folder.side("label", 1),
        folder.side("label", 2),
        folder.side("seams", 1),
        folder.product("grey.json"),
        folder.ledger("label", "k").path,
    ]
    assert len(set(paths)) == len(paths)
    assert all(folder.path in p.parents for p in paths)


def test_whole_files_replace_each_other_and_leave_nothing(tmp_path):
    path = tmp_path / "a" / "b.json"
    write_whole(path, b"one")
    write_whole(path, b"two")
    assert path.read_bytes() == b"two"
    assert files_below(tmp_path) == ["b.json"]


def test_failed_write_leaves_the_old_file(tmp_path):
    path = tmp_path / "b.json"
    write_whole(path, b"old")

    def fail(partial):
        partial.write_bytes(b"half")
        raise OSError(28, "No space left on device")

    with pytest.raises(StoreError, match=r"b\.json cannot be written.*No space left") as caught:
        write_partly(path, fail)
    assert "--workspace" in caught.value.remedy
    assert path.read_bytes() == b"old"
    assert files_below(tmp_path) == ["b.json"]


def test_folder_that_is_a_file(tmp_path):
    (tmp_path / "a").write_text("")
    with pytest.raises(StoreError):
        write_whole(tmp_path / "a" / "b", b"")


def test_threads_that_write_the_same_file_do_not_meet(tmp_path):
    path = tmp_path / "b.json"
    data = [bytes([i]) * 50_000 for i in range(8)]
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda d: write_whole(path, d), data * 5))
    assert path.read_bytes() in data
    assert files_below(tmp_path) == ["b.json"]


def test_arrays_round_trip(tmp_path):
    path = tmp_path / "side.npz"
    arrays = {"a": np.arange(7), "b": np.zeros((0, 2), np.uint32), "c": np.eye(3)}
    write_arrays(path, arrays)
    got = read_arrays(path)
    assert list(got) == ["a", "b", "c"]
    for name, values in arrays.items():
        assert got[name].dtype == values.dtype
        assert np.array_equal(got[name], values)
    assert list(read_arrays(path, ["c"])) == ["c"]


def test_no_arrays(tmp_path):
    write_arrays(tmp_path / "side.npz", {})
    assert read_arrays(tmp_path / "side.npz") == {}


@pytest.mark.parametrize("length", [0, 10, 200, -30])
def test_damaged_arrays_are_named(tmp_path, length):
    path = tmp_path / "side.npz"
    write_arrays(path, {"a": np.arange(1000)})
    path.write_bytes(path.read_bytes()[:length])
    with pytest.raises(DamageError, match=r"side\.npz is missing or damaged"):
        read_arrays(path)


def test_a_flipped_bit_in_arrays_is_met(tmp_path):
    path = tmp_path / "side.npz"
    write_arrays(path, {"a": np.arange(1000)})
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    with pytest.raises(DamageError, match=r"side\.npz"):
        read_arrays(path)


def test_missing_file_and_missing_name(tmp_path):
    with pytest.raises(DamageError, match="missing or damaged"):
        read_arrays(tmp_path / "none.npz")
    write_arrays(tmp_path / "side.npz", {"a": np.arange(3)})
    with pytest.raises(DamageError, match="missing or damaged"):
        read_arrays(tmp_path / "side.npz", ["b"])


def test_nothing_is_unpickled(tmp_path):
    path = tmp_path / "side.npz"
    np.savez(path, a=np.array([{}], dtype=object))
    with pytest.raises(DamageError):
        read_arrays(path)
