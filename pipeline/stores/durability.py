"""What is on record survives a power failure: files and folders forced to disk; leftovers swept.

A rename makes a file appear whole to other processes, but only `fsync` of the file, and of the
folder that names it, makes it outlive the machine.  A tile is put on record after its files were
synced, so a record never speaks of data that a power failure took.  What it costs is measured by
``python -m tests.benchmarks.durability``; the setting ``durable`` turns it off.
"""

from __future__ import annotations

import ctypes
import errno
import os
import re
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from pipeline.errors import StoreError

PARTIAL = re.compile(r"\.[0-9a-f]{12,32}\.partial(\.[a-z0-9]+)?$")
"""Names of files that a killed process left half written: ours and Zarr's."""


@dataclass(slots=True)
class _Process:
    durable: bool = True


class _Pending(threading.local):
    """Files that a thread has written inside `written_together`, each with its root."""

    files: dict[Path, Path] | None = None


_SYNCFS = getattr(ctypes.CDLL(None, use_errno=True), "syncfs", None)
_PROCESS = _Process()
_PENDING = _Pending()


def set_durable(durable: bool) -> None:
    """Say whether this process forces what it writes to disk."""
    _PROCESS.durable = durable


def sync_path(path: Path) -> None:
    """Force a file's bytes, or a folder's names, to disk.

    Raises
    ------
    OSError
        If the disk refuses, or the path is gone.
    """
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


@contextmanager
def written_together() -> Iterator[None]:
    """Force what this thread writes inside the block to disk at its end, all of it in one wait.

    A disk takes a few milliseconds for each file and folder that it is asked for by itself, and a
    tile has some twenty; where the system can, its whole file system is synced once instead.  Then
    what others are writing there is waited for too.

    Raises
    ------
    StoreError
        If the disk refuses.
    """
    pending: dict[Path, Path] = {}
    _PENDING.files = pending
    try:
        yield
    finally:
        _PENDING.files = None
    if pending:
        _sync_together(pending)


def is_at_once() -> bool:
    """Tell whether a file must be on disk as soon as it is written."""
    return _PROCESS.durable and _PENDING.files is None


def sync_files(paths: Iterable[Path], root: Path) -> None:
    """Force files to disk, with the folders that name them, where this process is durable.

    Parameters
    ----------
    paths : iterable of Path
        Files below `root`; absent ones are passed over.
    root : Path
        Folder up to which, itself included, the names of folders are forced to disk too.

    Raises
    ------
    StoreError
        If the disk refuses.
    """
    if not _PROCESS.durable:
        return
    if _PENDING.files is not None:
        _PENDING.files.update(dict.fromkeys(paths, root))
        return
    _sync(dict.fromkeys(paths, root))


def sync_disk(path: Path) -> None:
    """Force everything on the file system that a path lies on to disk, in one wait.

    Raises
    ------
    OSError
        If the disk refuses, or the system has no such call.
    """
    if _SYNCFS is None:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    number = os.open(path, os.O_RDONLY)
    try:
        if _SYNCFS(number):
            code = ctypes.get_errno()
            raise OSError(code, os.strerror(code), str(path))
    finally:
        os.close(number)


def _sync_together(files: dict[Path, Path]) -> None:
    disks = {}
    for path in files:
        with suppress(FileNotFoundError):
            disks[path.stat().st_dev] = path
    try:
        for path in disks.values():
            sync_disk(path)
    except OSError as error:
        if error.errno != errno.ENOSYS:
            raise _refused(error) from None
        _sync(files)


def _sync(files: dict[Path, Path]) -> None:
    there = {path: root for path, root in files.items() if path.exists()}
    try:
        for path in there:
            sync_path(path)
        for folder, root in {path.parent: root for path, root in there.items()}.items():
            sync_path(folder)
            inner = folder
            while inner != root and root in inner.parents:
                _sync_name(inner)
                inner = inner.parent
            _sync_name(root)
    except OSError as error:
        raise _refused(error) from None


def _refused(error: OSError) -> StoreError:
    return StoreError(
        f"what was written cannot be forced to disk: {error}.", "Free some disk and resume the job."
    )


@lru_cache(maxsize=1 << 14)
def _sync_name(folder: Path) -> None:
    """Force the name of a folder to disk, once a process."""
    sync_path(folder.parent)


def sweep_partials(folder: Path) -> int:
    """Remove what killed processes left half written below a folder.

    Nobody may be writing there.  Costs a listing: about a second for a million files.

    Parameters
    ----------
    folder : Path
        The folder; it need not exist.

    Returns
    -------
    int
        Files removed.
    """
    n_swept = 0
    for place, _, names in os.walk(folder):
        for name in names:
            if ".partial" in name and PARTIAL.search(name):
                with suppress(OSError):
                    Path(place, name).unlink()
                    n_swept += 1
    return n_swept
