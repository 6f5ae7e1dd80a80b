"""Files forced to disk before they are on record, seen from outside; leftovers swept."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from pipeline.model.grid import Box
from pipeline.stores import durability
from pipeline.stores.durability import set_durable, sweep_partials, written_together
from pipeline.stores.job import write_arrays, write_whole
from pipeline.stores.volume import create_volume, prepare_process, shard_path, write_tile


@pytest.fixture
def synced(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return the list of what is forced to disk, in order, as it grows; the real call is made."""
    seen: list[str] = []
    real = os.fsync

    def note(number: int) -> None:
        seen.append(os.readlink(f"/proc/self/fd/{number}"))
        real(number)

    monkeypatch.setattr(os, "fsync", note)
    return seen


def test_a_shard_is_forced_to_disk_with_every_folder_that_names_it(
    tmp_path: Path, synced: list[str]
) -> None:
    prepare_process()
    volume = create_volume(tmp_path / "v.zarr", (32, 32, 32), "uint8", (16, 16, 16))
    assert synced[:2] == [str(tmp_path / "v.zarr" / "zarr.json"), str(tmp_path / "v.zarr")]
    synced.clear()
    write_tile(volume, Box((16, 0, 16), (32, 16, 32)), np.ones((16, 16, 16), np.uint8))
    shard = shard_path(volume, (1, 0, 1))
    wanted = [shard, *list(shard.parents)[:4]]
    assert [Path(p) for p in synced] == wanted


def test_a_small_file_is_forced_to_disk_before_and_its_name_after_the_rename(
    tmp_path: Path, synced: list[str]
) -> None:
    set_durable(True)
    write_whole(tmp_path / "a.json", b"{}")
    assert ".partial" in synced[0]
    assert synced[1:3] == [str(tmp_path / "a.json"), str(tmp_path)]


def test_what_is_written_together_is_forced_to_disk_at_the_end(
    tmp_path: Path, synced: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    set_durable(True)
    real, disks = durability.sync_disk, []
    monkeypatch.setattr(durability, "sync_disk", lambda path: (disks.append(path), real(path)))
    with written_together():
        for name in ("a", "b"):
            write_arrays(tmp_path / "sides" / f"{name}.npz", {"a": np.ones(3)})
        assert synced == []
    assert (synced, disks) == ([], [tmp_path / "sides" / "b.npz"])


def test_a_system_that_syncs_no_whole_disk_is_given_each_file(
    tmp_path: Path, synced: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    set_durable(True)
    monkeypatch.setattr(durability, "_SYNCFS", None)
    with written_together():
        for name in ("a", "b"):
            write_arrays(tmp_path / "sides" / f"{name}.npz", {"a": np.ones(3)})
        assert synced == []
    sides = tmp_path / "sides"
    assert [Path(p) for p in synced] == [sides / "a.npz", sides / "b.npz", sides, tmp_path]
    write_whole(tmp_path / "c", b"")
    assert str(tmp_path / "c") in synced


def test_it_can_be_turned_off(tmp_path: Path, synced: list[str]) -> None:
    prepare_process(durable=False)
    try:
        volume = create_volume(tmp_path / "v.zarr", (16,) * 3, "uint8", (16,) * 3)
        write_tile(volume, Box((0,) * 3, (16,) * 3), np.ones((16,) * 3, np.uint8))
        write_arrays(tmp_path / "a.npz", {"a": np.ones(3)})
    finally:
        prepare_process()
    assert synced == []


WRITER = """
import os, signal, sys
from pathlib import Path
import numpy as np
from pipeline.stores.job import write_partly
from pipeline.stores.volume import create_volume

folder = Path(sys.argv[1])
volume = create_volume(folder / "v.zarr", (16, 16, 16), "uint8", (16, 16, 16))
real = os.replace
def die(*_):
    os.kill(os.getpid(), signal.SIGKILL)
if sys.argv[2] == "zarr":
    Path.replace = die
    volume[...] = 1
else:
    write_partly(folder / "sides" / "000000001.npz", lambda p: (np.savez(p, a=np.ones(9)), die()))
"""


@pytest.mark.parametrize("writer", ["zarr", "side"])
def test_what_a_killed_process_left_half_written_is_swept(tmp_path: Path, writer: str) -> None:
    done = subprocess.run([sys.executable, "-c", WRITER, str(tmp_path), writer], check=False)
    assert done.returncode == -9
    left = [p for p in tmp_path.rglob("*") if p.is_file() and p.name != "zarr.json"]
    assert len(left) == 1
    (tmp_path / "a.partial.txt").touch()  # somebody's own file
    assert sweep_partials(tmp_path) == 1
    assert sorted(p.name for p in tmp_path.rglob("*") if p.is_file()) == [
        "a.partial.txt",
        "zarr.json",
    ]
    shutil.rmtree(tmp_path / "v.zarr")
    assert sweep_partials(tmp_path / "v.zarr") == 0
