"""A workspace copied to another place: to a folder, to object storage and back.

What is copied is the catalogue with all its versions, the stores of its scans, reports, and of jobs
the small files that results are read with.  The order is that of a job: a scan's store first, the
catalogue's files next, its log last, so that who reads the other place meanwhile sees the scans of
before or those of after.  Every file is hashed where it comes from, and read back where it went.  A
scan that is counted again meanwhile ends the copy, or has its turn with the next one.

Entries of the catalogue's log are only ever put where there is none of their name (a conditional
put).  So a place holds one catalogue: another one, or a newer one, is refused, and of two that copy
at once the second is.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

from pipeline.errors import DamageError, NotFoundError, StoreError, UsageError
from pipeline.model.records import SCANS, SPECIMENS, TABLES
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.durability import sync_disk
from pipeline.stores.ome import job_of
from pipeline.stores.places import N_AT_ONCE, ObjectFolder, Place, answered

MARK = ".castcensus-copy.json"
"""Lies in a place while somebody copies there."""

_HASH = "castcensus-sha256"
"""Metadata of an object: what its bytes hashed to where they came from."""

_RECORDS = re.compile(
    r"jobs/[^/]+/(?:(?:plan|status|request)\.json|ledger/.+|products/(?:histogram\.npz|source\.json))"
)
_ENTRY = re.compile(r".*/_delta_log/\d{20}\.json")

Tell = Callable[[int, int, int], object]
Hold = Callable[[str], AbstractContextManager[object]]


@dataclass(frozen=True, slots=True)
class Copied:
    """What a copy did.

    Parameters
    ----------
    source, target : str
        From where, to where.
    scans : tuple of str
        Scans that the other place holds now.
    n_files, n_bytes : int
        Files that were sent, and their bytes.
    n_there : int
        Files that were there already, by their hash.
    catalogue_version : int
        Version of the catalogue that the other place holds now.
    elsewhere : tuple of str
        Scans whose full resolution was used in place, and so is no part of the workspace.
    """

    source: str
    target: str
    scans: tuple[str, ...]
    n_files: int
    n_bytes: int
    n_there: int
    catalogue_version: int
    elsewhere: tuple[str, ...]


def copy_workspace(
    source: Place,
    target: Place,
    jobs: Sequence[str] | None = None,
    *,
    hold: Hold = nullcontext,
    read_back: bool = True,
    take_over: bool = False,
    tell: Tell = lambda *_: None,
) -> Copied:
    """Copy a workspace; again, it sends what is new and goes on where it was stopped.

    Parameters
    ----------
    source, target : Path or ObjectFolder
        From where, to where; both workspaces.
    jobs : sequence of str, optional
        Jobs whose records go along; all by default.
    hold : callable
        Given a scan, keeps others from counting it inside a block, in which its store is sent.
    read_back : bool
        Whether every file is read again where it went; without, the storage's own check of the
        checksum that travels along is relied on.
    take_over : bool
        Whether the mark of another copy is removed first, one that was killed.
    tell : callable, optional
        Told the files that are done, all files, and bytes sent.

    Returns
    -------
    Copied
        What was done.

    Raises
    ------
    NotFoundError
        If the source holds no scan.
    UsageError
        If one place lies in the other.
    StoreError
        If the target holds another catalogue, is being copied to, does no conditional put, or
        one of both does not answer.
    DamageError
        If a file is not what was written.
    """
    if f"{target}/".startswith(f"{source}/"):
        raise UsageError(f"{target} lies in {source} itself.", "Choose another place.")
    catalogue = Catalogue(source / "catalogue")
    version = catalogue.version()
    if version < 0:
        raise NotFoundError(f"{source} holds no scan to copy.", "Name another --workspace.")
    rows = catalogue.read(SCANS.name, None, ["scan_id", "job"], version).to_pylist()
    scans = {row["scan_id"]: row["job"] for row in rows}
    a, b = _open_side(source), _open_side(target)
    order = _list_all(a, scans, jobs, version)
    with b.held(take_over) as still_ours:
        there = b.list("")
        known = _need_same_catalogue(a, b, order.entries, there)
        sending = _Sending(a, b, there, read_back, tell, order.n_files - len(known))
        for scan, job in scans.items():
            with hold(scan):
                sending.send_store(scan, job)
        sending.send(order.files)
        b.sync()
        still_ours()
        # One after the other: a log has no gaps at any moment.
        for name in order.entries:
            if name not in known:
                sending.send([name])
        b.sync()
    return Copied(
        str(source), str(target), tuple(scans), sending.n_files, sending.n_bytes,
        sending.n_there + len(known), version, tuple(sending.elsewhere),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Order:
    """Names of files in the order in which they go after the stores: the log last."""

    files: list[str]
    entries: list[str]
    n_files: int


@dataclass(frozen=True)
class _Side:
    """One of the two places, through the library for object storage."""

    place: Place
    store: Any
    key: str = ""

    def list(self, part: str) -> dict[str, int]:
        """Return names below a part, and their bytes."""
        if isinstance(self.place, Path) and not (self.place / part).is_dir():
            return {}
        root = f"{self.key}/" if self.key else ""
        with answered(self.place):
            found = [o for some in self.store.list(root + part or None) for o in some]
        return {str(o["path"]).removeprefix(root): int(o["size"]) for o in found}

    def read(self, name: str) -> bytes:
        with answered(self.place):
            return bytes(self.store.get(self._key(name)).bytes())

    def hash_of(self, name: str) -> str:
        """Return SHA-256 of a file: of an object as it was noted when it was put, if it was."""
        if isinstance(self.place, ObjectFolder):
            noted = self.noted(name)
            if noted:
                return noted
        return _hash(self.read(name))

    def noted(self, name: str) -> str | None:
        """Return the hash that an object was put with."""
        if not isinstance(self.place, ObjectFolder):
            return None
        with answered(self.place):
            found = self.store.get(self._key(name), options={"head": True})
        return {str(k).lower(): str(v) for k, v in found.attributes.items()}.get(_HASH)

    def write(self, name: str, data: bytes, digest: str = "", *, new: bool = False) -> None:
        """Put a file as a whole; a new one raises FileExistsError where its name is taken."""
        from obstore.exceptions import AlreadyExistsError  # noqa: PLC0415 - an optional extra

        attributes = {_HASH: digest} if isinstance(self.place, ObjectFolder) and digest else None
        mode = "create" if new else "overwrite"
        with answered(self.place):
            try:
                self.store.put(
                    self._key(name), data, mode=mode, attributes=attributes, use_multipart=False
                )
            except AlreadyExistsError:
                raise FileExistsError(name) from None

    def remove(self, names: Iterable[str]) -> None:
        with answered(self.place):
            for name in names:
                self.store.delete(self._key(name))

    def sync(self) -> None:
        """Force to disk what was written, where it is a folder."""
        if isinstance(self.place, Path):
            try:
                sync_disk(self.place)
            except OSError as error:
                raise StoreError(f"{self.place} is not forced to disk: {error}.") from None

    @contextmanager
    def held(self, take_over: bool) -> Iterator[Callable[[], None]]:
        """Keep others from copying here inside the block; yield what tells whether they are."""
        own = json.dumps(
            {
                "host": platform.node(),
                "process": os.getpid(),
                "since": datetime.now(UTC).isoformat(timespec="seconds"),
                "id": uuid4().hex,
            }
        ).encode()
        if take_over and MARK in self.list(""):
            self.remove([MARK])
        try:
            self.write(MARK, own, new=True)
        except FileExistsError:
            raise self._taken() from None
        try:
            self._need_conditions(own)
            yield lambda: self._need_mark(own)
        finally:
            if self._mark() == own:
                self.remove([MARK])

    def _need_conditions(self, own: bytes) -> None:
        try:
            self.write(MARK, own, new=True)
        except FileExistsError:
            return
        raise StoreError(
            f"{self.place} lets one object be put twice as a new one (no conditional put); two "
            "that write there at once could mix.",
            "Choose a storage that heeds If-None-Match.",
        )

    def _need_mark(self, own: bytes) -> None:
        if self._mark() != own:
            raise StoreError(f"{self.place} was taken over by another copy.", "Let that one end.")

    def _mark(self) -> bytes | None:
        try:
            return self.read(MARK)
        except FileNotFoundError:
            return None

    def _taken(self) -> StoreError:
        try:
            who = json.loads(self._mark() or b"{}")
            told = f"process {who['process']} on {who['host']} since {who['since']}"
        except (ValueError, KeyError, TypeError):
            told = "another process"
        return StoreError(
            f"{self.place} is being copied to by {told}.",
            "Wait for it; where it was killed, repeat with --take-over.",
        )

    def _key(self, name: str) -> str:
        return f"{self.key}/{name}" if self.key else name


@dataclass
class _Sending:
    """Files on their way, and how many went."""

    source: _Side
    target: _Side
    there: dict[str, int]
    read_back: bool
    tell: Tell
    n_all: int
    n_files: int = field(default=0, init=False)
    n_bytes: int = field(default=0, init=False)
    n_there: int = field(default=0, init=False)
    elsewhere: list[str] = field(default_factory=list, init=False)

    def send_store(self, scan: str, job: str) -> None:
        """Send the store of a scan, and remove what an earlier store of it had beyond."""
        folder = f"scans/{scan}.zarr"
        if job_of(self.source.place / folder) not in (None, job):
            raise StoreError(
                f"scan {scan} was counted again while {self.source.place} was copied.",
                "Copy again.",
            )
        names = [n for n in self.source.list(folder) if ".partial" not in n]
        first = [n for n in names if n == f"{folder}/zarr.json"]
        # Its own metadata go first: they name the job, so that who reads labels under the rows of
        # before is refused until the rows follow.
        self.send(first)
        self.send([n for n in names if n not in first])
        wanted = set(names)
        self.target.remove(n for n in self.there if n.startswith(f"{folder}/") and n not in wanted)
        if wanted and f"{folder}/0/zarr.json" not in wanted:
            self.elsewhere.append(scan)

    def send(self, names: Sequence[str]) -> None:
        """Send files in any order; those that are there as they should be are left alone.

        Several are under way at once, and each is in memory as a whole: a shard at most.
        """
        with ThreadPoolExecutor(N_AT_ONCE) as pool:
            try:
                for n in pool.map(self._send, names):
                    self.n_files += n is not None
                    self.n_there += n is None
                    self.n_bytes += n or 0
                    self.tell(self.n_files + self.n_there, self.n_all, self.n_bytes)
            except BaseException:
                pool.shutdown(wait=True, cancel_futures=True)
                raise

    def _send(self, name: str) -> int | None:
        """Send a file; return its bytes, or None where it was there."""
        if name in self.there and self.source.hash_of(name) == self.target.hash_of(name):
            return None
        try:
            data = self.source.read(name)
        except FileNotFoundError:
            raise StoreError(
                f"{self.source.place}/{name} went away while it was copied.",
                "Copy again when no job runs.",
            ) from None
        digest = _hash(data)
        if self.source.noted(name) not in (None, digest):
            raise DamageError(
                f"{self.source.place}/{name} is not what was put there.",
                "Copy the workspace there again from where it is whole.",
            )
        try:
            self.target.write(name, data, digest, new=_ENTRY.fullmatch(name) is not None)
        except FileExistsError:
            if self.target.read(name) != data:
                raise _another(self.target, name) from None
            return None
        if self.read_back and _hash(self.target.read(name)) != digest:
            raise DamageError(
                f"{self.target.place}/{name} is not what was sent.", "Copy the workspace again."
            )
        return len(data)


def _open_side(place: Place) -> _Side:
    if isinstance(place, ObjectFolder):
        return _Side(place, place.store, place.key)
    try:
        from obstore.store import LocalStore  # noqa: PLC0415 - an optional extra
    except ImportError:
        raise UsageError(
            "a library that copying needs is not installed.",
            "Install it with: pip install 'castcensus[s3]'",
        ) from None
    try:
        return _Side(place, LocalStore(place, mkdir=True))
    except OSError as error:
        raise StoreError(f"{place} cannot be made: {error}.", "Choose another place.") from None


def _list_all(
    side: _Side, scans: Iterable[str], jobs: Sequence[str] | None, version: int
) -> _Order:
    """List what is copied; of the catalogue what its version rests on, whoever commits meanwhile.

    The log of `scans` ends with the version; those of the tables beside it are listed later than
    that was read, and hold at least what it names.
    """
    tables = [*(t.name for t in TABLES if t is not SCANS), SPECIMENS.name, SCANS.name]
    files, entries = [], []
    for table in tables:
        names = sorted(side.list(f"catalogue/{table}"))
        log = [name for name in names if _ENTRY.fullmatch(name)]
        entries += log[: version + 1] if table == SCANS.name else log
        # What Delta sums up now and then can be told from the entries.
        files += [name for name in names if "/_delta_log/" not in name]
    records = [name for name in side.list("jobs") if _RECORDS.fullmatch(name)]
    files += [n for n in records if jobs is None or n.split("/")[1] in jobs]
    files += side.list("reports")
    files = [name for name in files if ".partial" not in name]
    n_stored = sum(len(side.list(f"scans/{scan}.zarr")) for scan in scans)
    return _Order(files, entries, n_stored + len(files) + len(entries))


def _need_same_catalogue(
    source: _Side, target: _Side, entries: list[str], there: dict[str, int]
) -> set[str]:
    """Return the commits that both places hold; refuse a target that holds one more."""
    held = sorted(n for n in there if n.startswith("catalogue/") and _ENTRY.fullmatch(n))
    own = set(entries)

    def is_same(name: str) -> bool:
        return name in own and source.hash_of(name) == target.hash_of(name)

    with ThreadPoolExecutor(N_AT_ONCE) as pool:
        for name, same in zip(held, pool.map(is_same, held), strict=True):
            if not same:
                raise _another(target, name)
    return set(held)


def _another(target: _Side, name: str) -> StoreError:
    return StoreError(
        f"{target.place} holds another catalogue, or a newer one: {name} is not of this workspace.",
        "Copy to an empty place, or bring what is there here first.",
    )


def _hash(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
