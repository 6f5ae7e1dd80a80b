"""One Delta table of the catalogue: made, widened, written, listed and synced to disk.

Every change opens the table anew, tries once, and goes around again when another process was
faster; a predicate overwrite of a stale version raises instead of being merged.  Delta commits by
hard link and never fsyncs, so each change is synced here.
"""

from __future__ import annotations

import json
import random
import re
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import unquote

import pyarrow as pa
from deltalake import CommitProperties, DeltaTable, write_deltalake
from deltalake import Schema as DeltaSchema
from deltalake.exceptions import CommitFailedError, DeltaError, TableNotFoundError

from pipeline.errors import DamageError, StoreError
from pipeline.model.records import Table
from pipeline.stores.durability import sync_path
from pipeline.stores.objects import has_delta, open_delta
from pipeline.stores.places import ObjectFolder, Place, need_disk
from pipeline.stores.rows import RowFile, check_partition, check_rows

T = TypeVar("T")

N_ATTEMPTS = 25
"""Tries of a change that others keep overtaking; with the pauses between them about 20 s."""

NOTES = "castcensus"
"""Key of the notes that a commit carries in the log."""

_PARTITION = ["scan_id", "job"]
_COLOURS = re.compile(r"\x1b\[[0-9;]*m")
_KEPT = {
    "delta.deletedFileRetentionDuration": "interval 36500 days",
    "delta.logRetentionDuration": "interval 36500 days",
    "delta.enableExpiredLogCleanup": "false",
}


class DeltaRows:
    """Rows of one table, partitioned by scan and job.

    Parameters
    ----------
    path : Path or ObjectFolder
        Folder of the table; made by `prepare`.
    table : Table
        Its columns.
    """

    def __init__(self, path: Place, table: Table) -> None:
        self.path = path
        self.table = table

    def version(self) -> int:
        """Return the latest version, -1 while there is no table."""
        if isinstance(self.path, ObjectFolder):
            return _remote_version(self.path)
        if not (self.path / "_delta_log").is_dir():
            return -1
        try:
            return int(open_delta(self.path).version())
        except TableNotFoundError:
            return -1
        except DeltaError as error:
            raise DamageError(f"Table {self.path} cannot be opened: {flat(error)}.") from None

    def files(self, version: int) -> tuple[RowFile, ...]:
        """Return the files of a version by scan, job and name.

        Raises
        ------
        DamageError
            The version cannot be read.
        """
        try:
            if isinstance(self.path, ObjectFolder):
                return _remote_files(self.path, version)
            return _files_of(self.path, open_delta(self.path, version))
        except (DeltaError, OSError) as error:
            raise DamageError(
                f"Version {version} of table {self.path} cannot be read: {flat(error)}."
            ) from None

    def notes(self, version: int) -> dict[str, int]:
        """Return the notes of a version, or of the last version before it that carries some.

        Read from the log itself: the history that the library gives for an old version starts at
        the newest one (deltalake 1.6).  Commits without notes are those of foreign tools.

        Raises
        ------
        DamageError
            A file of the log is missing or damaged, or no commit carries notes.
        """
        log = self.path / "_delta_log"
        try:
            for v in range(version, -1, -1):
                for line in (log / f"{v:020d}.json").read_text("utf-8").splitlines():
                    notes = json.loads(line).get("commitInfo", {}).get(NOTES)
                    if notes:
                        return {str(name): int(value) for name, value in notes.items()}
        except (OSError, ValueError) as error:
            raise DamageError(f"Log {log} cannot be read: {flat(error)}.") from None
        raise DamageError(f"Log {log} names no versions of the tables beside it.")

    def prepare(self) -> None:
        """Make the table, or give it the columns that it lacks (null in the rows it has).

        Raises
        ------
        StoreError
            The folder cannot be written, or a column of the table has another type.
        """
        retry(self._prepare, f"preparing {self.path}")

    def overwrite(self, batches: Iterable[pa.RecordBatch], scan_id: str, job: str) -> None:
        """Replace the rows of (scan, job) in one change.

        Parameters
        ----------
        batches : iterable of pyarrow.RecordBatch
            Streamed to disk and checked on the way.  An iterator can be read only once, so the
            change is not tried again when another process widens the table at that moment.
        scan_id, job : str
            What every row must say.

        Raises
        ------
        StoreError
            Rows that do not fit the table, or a table that cannot be written.
        """
        failures: list[Exception] = []

        def checked() -> Iterator[pa.RecordBatch]:
            try:
                for batch in batches:
                    fitting = check_rows(self.table, batch)
                    check_partition(self.table, fitting, scan_id, job)
                    yield fitting
            except Exception as error:
                failures.append(error)
                raise

        def step() -> None:
            opened = DeltaTable(need_disk(self.path))
            write_deltalake(
                opened,
                pa.RecordBatchReader.from_batches(self.table.schema, checked()),
                mode="overwrite",
                predicate=where(scan_id, f"AND job = {quoted(job)}"),
                schema_mode="merge",
            )
            self._sync(opened, (scan_id, job))

        once = iter(batches) is batches
        try:
            retry(step, f"writing scan {scan_id} to {self.path}", 1 if once else N_ATTEMPTS)
        except StoreError:
            # The writer knows a failed batch only as text; what was raised says more.
            if failures:
                raise failures[0] from None
            raise

    def replace(self, row: pa.Table, scan_id: str, job: str, notes: Callable[[], Any]) -> int:
        """Replace all rows of a scan in one change that carries notes; return its version.

        The table is opened before `notes` is called, and a change on top of an older version is
        refused rather than rebased: what `notes` reads is never older than what the notes of the
        version before had read.

        Raises
        ------
        StoreError
            The table cannot be written.
        """

        def step() -> int:
            opened = DeltaTable(need_disk(self.path))
            write_deltalake(
                opened,
                row,
                mode="overwrite",
                predicate=where(scan_id),
                schema_mode="merge",
                commit_properties=_noted(notes()),
            )
            self._sync(opened, (scan_id, job))
            return int(opened.version())

        return retry(step, f"writing scan {scan_id} to {self.path}")

    def delete(self, predicate: str, notes: Callable[[], Any] | None = None) -> int:
        """Take rows out of the current version and return the version after that.

        Whole partitions go, so that only the log changes.  See `replace` for `notes`.

        Raises
        ------
        StoreError
            The table cannot be written.
        """

        def step() -> int:
            opened = DeltaTable(need_disk(self.path))
            before = opened.version()
            opened.delete(predicate, commit_properties=_noted(notes()) if notes else None)
            if opened.version() > before:
                self._sync(opened)
            return int(opened.version())

        return retry(step, f"deleting rows of {self.path}")

    def _prepare(self) -> None:
        path = need_disk(self.path)
        if not has_delta(path):
            path.mkdir(parents=True, exist_ok=True)
            # Several processes may find no table; one of them makes version 0, and the conflict
            # sends the others around to open it.
            made = DeltaTable.create(
                path,
                self.table.schema,
                partition_by=_PARTITION,
                configuration=_KEPT,
                mode="ignore",
                commit_properties=CommitProperties(max_commit_retries=0),
            )
            self._sync(made)
        opened = DeltaTable(path)
        have = pa.schema(opened.schema())
        for field in self.table.schema:
            if field.name in have.names and not have.field(field.name).type.equals(field.type):
                raise StoreError(
                    f"Table {self.path}, column {field.name}: the table has "
                    f"{have.field(field.name).type}, wanted {field.type}.",
                    "Use a new workspace, or the version that wrote this one.",
                )
        new = [f.with_nullable(True) for f in self.table.schema if f.name not in have.names]
        if new:
            opened.alter.add_columns(list(DeltaSchema.from_arrow(pa.schema(new)).fields))
            self._sync(opened)

    def _sync(self, opened: DeltaTable, partition: tuple[str, str] | None = None) -> None:
        """Force the last change, and the data files of a partition, to disk."""
        root = need_disk(self.path)
        log = root / "_delta_log"
        paths = {log / f"{opened.version():020d}.json", log, root, root.parent}
        for file in _files_of(self.path, opened) if partition else ():
            if (file.scan_id, file.job) == partition:
                data = Path(file.path)
                paths |= {data, data.parent, data.parent.parent}
        for path in paths:
            sync_path(path)


def retry(step: Callable[[], T], what: str, n_attempts: int = N_ATTEMPTS) -> T:
    """Run `step` until no other process overtakes it; `step` opens its table itself.

    Raises
    ------
    StoreError
        It failed for another reason, or was overtaken every time.
    """
    last = ""
    for attempt in range(n_attempts):
        try:
            return step()
        except CommitFailedError as error:
            last = flat(error)
            # Whoever lost the race would lose it again at once: a random pause that grows lets
            # the processes pass one after the other.
            time.sleep(random.uniform(0.0, min(2.0, 0.01 * 2**attempt)))
        except (DeltaError, OSError) as error:
            raise StoreError(
                f"The catalogue refused {what}: {flat(error)}.",
                "Check that the workspace can be written and has space left.",
            ) from error
    raise StoreError(
        f"Other processes overtook {what} {n_attempts} times: {last}.",
        "Run the job again; its finished tiles are kept.",
    )


def quoted(text: str) -> str:
    """Return a text as a SQL literal.

    >>> quoted("o'clock")
    "'o''clock'"
    """
    return "'" + text.replace("'", "''") + "'"


def where(scan_id: str, more: str = "") -> str:
    """Return the predicate of a scan's rows.

    >>> where("a", "AND job <> 'b'")
    "scan_id = 'a' AND job <> 'b'"
    """
    return f"scan_id = {quoted(scan_id)} {more}".rstrip()


def flat(error: Exception) -> str:
    """Return the text of a library's error as one line without a full stop."""
    return " ".join(_COLOURS.sub("", str(error)).split()).rstrip(".")


def _files_of(path: Place, opened: DeltaTable) -> tuple[RowFile, ...]:
    actions = pa.table(opened.get_add_actions(flatten=True))
    columns = (actions[f"partition.{name}"].to_pylist() for name in _PARTITION)
    found = zip(actions["path"].to_pylist(), *columns, strict=True)
    root = path.absolute() if isinstance(path, Path) else path
    files = (RowFile(str(root / unquote(name)), scan, job) for name, scan, job in found)
    return tuple(sorted(files, key=lambda f: (f.scan_id, f.job, f.path)))


@lru_cache(maxsize=256)
def _remote_files(path: ObjectFolder, version: int) -> tuple[RowFile, ...]:
    """Return the files of a version, which never change: its log is read once a process."""
    return _files_of(path, open_delta(path, version))


def _remote_version(path: ObjectFolder) -> int:
    """Return the version that the newest entry of a log names."""
    names = (entry.name for entry in (path / "_delta_log").glob("*.json"))
    return max((int(name[:20]) for name in names if name[:20].isdigit()), default=-1)


def _noted(notes: Mapping[str, int]) -> CommitProperties:
    return CommitProperties(custom_metadata={NOTES: dict(notes)}, max_commit_retries=0)
