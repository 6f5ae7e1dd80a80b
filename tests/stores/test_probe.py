"""A workspace tried out on file systems that are fit, and on real ones that are not."""

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from pipeline.errors import StoreError
from pipeline.stores.probe import probe_workspace
from tests.limits.faults import fill_disk


def need(*programs: str) -> None:
    """Skip, or in CI fail, where a file system cannot be mounted."""
    missing = [name for name in programs if shutil.which(name) is None]
    if os.geteuid() != 0:
        pytest.skip("only the superuser mounts file systems")
    if missing:
        message = f"not installed: {missing}"
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail(message)
        pytest.skip(message)


@pytest.fixture
def mount(tmp_path: Path) -> Iterator[Callable[..., Path]]:
    """Return a function that mounts a file system until the test ends."""
    mounted: list[Path] = []

    def mount_at(*command: str) -> Path:
        place = tmp_path / f"mount{len(mounted)}"
        place.mkdir()
        done = subprocess.run([*command, str(place)], capture_output=True, text=True, check=False)
        if done.returncode:
            pytest.skip(f"{command[0]} is not permitted here: {done.stderr.strip()}")
        mounted.append(place)
        return place

    yield mount_at
    for place in mounted:
        subprocess.run(["umount", "--lazy", str(place)], check=True)


def test_a_local_disk_is_fit_and_left_as_it_was(tmp_path: Path) -> None:
    probe_workspace(tmp_path / "w")
    probe_workspace(tmp_path / "w", durable=False)
    assert [p.name for p in (tmp_path / "w").rglob("*") if p.name.startswith(".")] == []
    assert {p.name for p in (tmp_path / "w").iterdir()} == {"jobs", "scans", "catalogue"}


def test_a_workspace_below_a_file_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(StoreError, match="cannot be written"):
        probe_workspace(tmp_path / "file")


def test_scans_on_another_file_system_are_refused(tmp_path: Path) -> None:
    elsewhere = Path("/dev/shm")
    if not elsewhere.is_dir() or elsewhere.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("there is only one file system here")
    target = elsewhere / f"castcensus-{os.getpid()}"
    target.mkdir()
    try:
        (tmp_path / "w").mkdir()
        (tmp_path / "w" / "scans").symlink_to(target)
        with pytest.raises(StoreError, match=r"moved from .*jobs to .*scans.*one file system"):
            probe_workspace(tmp_path / "w")
        assert list(target.iterdir()) == []
    finally:
        shutil.rmtree(target)


def test_a_file_system_without_rename_is_refused(mount: Callable[..., Path]) -> None:
    need("bindfs", "umount")
    backing = mount("mount", "-t", "tmpfs", "none")
    with pytest.raises(StoreError, match="does not rename a file over another"):
        probe_workspace(mount("bindfs", "--rename-deny", str(backing)) / "w")
    probe_workspace(mount("bindfs", str(backing)) / "w")


def test_a_read_only_file_system_is_refused(mount: Callable[..., Path]) -> None:
    need("mount", "umount")
    place = mount("mount", "-t", "tmpfs", "-o", "ro", "none")
    with pytest.raises(StoreError, match="Read-only file system"):
        probe_workspace(place / "w")


def test_a_full_disk_is_refused(mount: Callable[..., Path]) -> None:
    need("mount", "umount")
    place = mount("mount", "-t", "tmpfs", "-o", "size=64k", "none")
    fill_disk(place)
    with pytest.raises(StoreError, match=r"No space left on device.*free some disk"):
        probe_workspace(place / "w")
