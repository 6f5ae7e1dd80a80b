"""Whether a workspace's file system does what the engine builds on: tried out, not guessed.

Files are put in place by rename, a scan's store is moved from ``jobs`` to ``scans``, a commit of
the catalogue is the one hard link to a name that is not taken, and locks keep two drivers apart.
Network and FUSE file systems that lack one of these lose rows in silence; they are refused instead.
"""

from __future__ import annotations

import os
import shutil
import uuid
from pathlib import Path

from filelock import FileLock, Timeout

from pipeline.errors import StoreError
from pipeline.stores.durability import sync_path

FOLDERS = ("jobs", "scans", "catalogue")
"""Folders of a workspace; each may be a link to another place."""


def probe_workspace(workspace: Path, *, durable: bool = True) -> None:
    """Try out a workspace; takes some milliseconds and leaves nothing behind.

    Parameters
    ----------
    workspace : Path
        The workspace; made if it is not there.
    durable : bool
        Whether files and folders must be forced to disk.

    Raises
    ------
    StoreError
        If it cannot be written, or its file system lacks what the engine builds on.
    """
    name = f".probe-{uuid.uuid4().hex[:12]}"
    places = [workspace / folder / name for folder in FOLDERS]
    try:
        try:
            for place in places:
                place.mkdir(parents=True)
            (places[0] / "file").write_bytes(b"castcensus")
        except OSError as error:
            raise StoreError(
                f"workspace {workspace} cannot be written: {error}.",
                "Choose another --workspace, free some disk, or correct its permissions.",
            ) from None
        for place in places:
            _probe_exclusive(place)
            _probe_rename(place)
            _probe_lock(place)
            if durable:
                _probe_sync(place)
        _probe_link(places[2])
        _probe_move(places[0], places[1])
    finally:
        for place in places:
            shutil.rmtree(place, ignore_errors=True)


def _probe_exclusive(place: Path) -> None:
    path = place / "exclusive"
    try:
        path.open("xb").close()
    except OSError as error:
        raise _unfit(place, "does not create a file", error) from None
    try:
        path.open("xb").close()
    except FileExistsError:
        return
    raise _unfit(place, "creates one file twice as a new one")


def _probe_rename(place: Path) -> None:
    old, new = place / "old", place / "new"
    try:
        old.write_bytes(b"old")
        new.write_bytes(b"new")
        new.replace(old)
        whole = old.read_bytes() == b"new" and not new.exists()
    except OSError as error:
        raise _unfit(place, "does not rename a file over another", error) from None
    if not whole:
        raise _unfit(place, "does not rename a file over another")


def _probe_link(place: Path) -> None:
    """Delta commits by a hard link, which must fail where the name is taken."""
    first, second, name = place / "first", place / "second", place / "name"
    try:
        first.write_bytes(b"1")
        second.write_bytes(b"2")
        os.link(first, name)
    except OSError as error:
        raise _unfit(place, "makes no hard links", error) from None
    try:
        os.link(second, name)
    except FileExistsError:
        return
    raise _unfit(place, "links a second file to a name that is taken")


def _probe_lock(place: Path) -> None:
    path = place / "lock"
    try:
        with FileLock(path, timeout=0):
            try:
                with FileLock(path, timeout=0):
                    pass
            except Timeout:
                return
    except (OSError, NotImplementedError) as error:
        raise _unfit(place, "locks no files", error) from None
    raise _unfit(place, "gives one lock to two owners")


def _probe_sync(place: Path) -> None:
    try:
        sync_path(place / "old")
        sync_path(place)
    except OSError as error:
        raise StoreError(
            f"{place.parent} does not force files to disk: {error}.",
            "Choose another --workspace, or give up surviving power failures with durable: false "
            "in the service file.",
        ) from None


def _probe_move(jobs: Path, scans: Path) -> None:
    store = jobs / "store"
    try:
        store.mkdir()
        store.rename(scans / "store")
    except OSError as error:
        raise StoreError(
            f"a folder cannot be moved from {jobs.parent} to {scans.parent}: {error}.",
            "Keep the whole workspace on one file system.",
        ) from None


def _unfit(place: Path, what: str, error: Exception | None = None) -> StoreError:
    reason = f": {error}" if error else ""
    return StoreError(
        f"the file system of {place.parent} {what}{reason}; results could be lost there.",
        "Choose a --workspace on a local disk, NFS 4, Lustre, GPFS or BeeGFS.",
    )
