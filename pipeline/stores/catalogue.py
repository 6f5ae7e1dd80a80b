"""The catalogue: scans, phases, particles and more as versioned Delta tables on a file system.

One commit to the table `scans` is what makes a scan's rows appear; everything before it is
invisible, everything after it is tidying:

1. Rows of all other tables are written under (scan, job).  Nobody sees them yet, because a
   row is visible only while `scans` holds its scan with its job.
2. One predicate overwrite of the scan's row in `scans`.  The commit also records the versions
   of the other tables (its pins), so a version of `scans` is a version of the whole catalogue.
3. Rows that older or abandoned jobs left under that scan are taken out of the current versions.

A crash anywhere leaves the old or the new result visible.  Data files are never deleted and old
versions never expire, so that a version can be cited; the price is disk.  Delta commits by hard
link and never fsyncs: every file of a commit is synced here, some fsyncs for each table of a scan.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from urllib.parse import quote

import pyarrow as pa
import pyarrow.dataset as pads
from filelock import FileLock, Timeout

from pipeline.errors import DamageError, NotFoundError, StoreError, UsageError
from pipeline.model.records import FATES, PARTICLES, PHASES, SCANS, STRESS, TABLES
from pipeline.stores.delta import DeltaRows, flat, quoted, where
from pipeline.stores.places import Place, need_disk
from pipeline.stores.rows import (
    RowFile,
    check_rows,
    hash_values,
    open_rows,
    order_rows,
)

LOCK_TIMEOUT_S = 120.0
"""Longest wait for another commit of the same scan."""

_BY_NAME = {table.name: table for table in TABLES}
_ASKED_LATER = (STRESS, FATES)
"""What is asked of a finished census."""

_BESIDE = tuple(table for table in TABLES if table is not SCANS)
_LOG = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The visible rows of one version of the catalogue.

    Parameters
    ----------
    version : int
        Version of the catalogue; -1 before anything was committed.
    files : mapping
        Name of a table to the files that hold its visible rows.
    """

    version: int
    files: Mapping[str, tuple[RowFile, ...]]

    @property
    def scan_ids(self) -> list[str]:
        """Scans of the version in alphabetical order."""
        return sorted({f.scan_id for f in self.files[SCANS.name]})

    def dataset(self, table_name: str, scan_id: str | None = None) -> pads.Dataset:
        """Return the visible rows of a table, of one scan or of all, in no promised order."""
        files = self.files[table_name]
        wanted = [f for f in files if scan_id is None or f.scan_id == scan_id]
        return open_rows(wanted, _BY_NAME[table_name].schema)


class Catalogue:
    """The tables of `pipeline.model.records` under one folder.

    Parameters
    ----------
    root : Path or ObjectFolder
        Folder of the tables; made by the first commit.
    """

    def __init__(self, root: Place) -> None:
        self.root = root
        self._tables = {t.name: DeltaRows(self.root / t.name, t) for t in TABLES}

    def version(self) -> int:
        """Return the latest version of the catalogue, -1 before anything was committed."""
        return self._tables[SCANS.name].version()

    def snapshot(self, version: int | None = None) -> Snapshot:
        """Open a version of the catalogue.

        Parameters
        ----------
        version : int, optional
            Version as returned by `commit`; the latest when None.

        Returns
        -------
        Snapshot
            Its visible rows.

        Raises
        ------
        NotFoundError
            There is no such version.
        DamageError
            Its log cannot be read.
        """
        latest = self.version()
        if version is None:
            version = latest
        elif not 0 <= version <= latest:
            have = f"has versions 0 to {latest}" if latest >= 0 else "is empty"
            raise NotFoundError(
                f"Catalogue version {version} does not exist: {self.root} {have}.",
                "Leave the version out to read the latest.",
            )
        if version < 0:
            return Snapshot(-1, {table.name: () for table in TABLES})
        files = {SCANS.name: self._tables[SCANS.name].files(version)}
        visible = {(f.scan_id, f.job) for f in files[SCANS.name]}
        pins = self._tables[SCANS.name].notes(version) if visible else {}
        for table in _BESIDE:
            # A version from before a table existed names no version of it.
            pin = pins.get(table.name, -1)
            rows = self._tables[table.name].files(pin) if pin >= 0 else ()
            files[table.name] = tuple(f for f in rows if (f.scan_id, f.job) in visible)
        return Snapshot(version, files)

    def scan_ids(self, version: int | None = None) -> list[str]:
        """Return the scans of a version in alphabetical order."""
        return self.snapshot(version).scan_ids

    def has(self, scan_id: str, version: int | None = None) -> bool:
        """Tell whether a version holds a scan."""
        return scan_id in self.scan_ids(version)

    def read(
        self,
        table_name: str,
        scan_id: str | None = None,
        columns: Iterable[str] | None = None,
        version: int | None = None,
    ) -> pa.Table:
        """Read visible rows in the canonical order of their table.

        Parameters
        ----------
        table_name : str
            A table of `pipeline.model.records`.
        scan_id : str, optional
            Rows of that scan only.
        columns : iterable of str, optional
            Columns wanted, in that order; all by default.
        version : int, optional
            Version of the catalogue; the latest when None.

        Returns
        -------
        pyarrow.Table
            Columns as in `pipeline.model.records`; one that did not exist yet when its rows were
            written is null there.

        Raises
        ------
        NotFoundError
            No such version, or no such scan in it.
        UsageError
            No such table or column.
        DamageError
            A file of the table is missing or unreadable.
        """
        table = _BY_NAME.get(table_name)
        if table is None:
            known = ", ".join(_BY_NAME)
            raise UsageError(f"Table {table_name!r} does not exist.", f"There are {known}.")
        names = [c.name for c in table.columns]
        wanted = names if columns is None else list(columns)
        for name in wanted:
            if name not in names:
                raise UsageError(
                    f"Column {name!r} does not exist in table {table.name}.",
                    f"There are {', '.join(names)}.",
                )
        snapshot = self.snapshot(version)
        self._need(snapshot, scan_id)
        dataset = snapshot.dataset(table.name, scan_id)
        rows = _load(dataset, [*wanted, *(n for n in table.order if n not in wanted)])
        rows = rows.take(order_rows(rows.select(list(table.order)))).select(wanted)
        fields = [table.schema.field(name) for name in wanted]
        kept = [f.with_nullable(f.nullable or rows[f.name].null_count > 0) for f in fields]
        return rows.cast(pa.schema(kept)).combine_chunks()

    def fingerprint_rows(self, scan_id: str, version: int | None = None) -> str:
        """Return a hash over every row of a scan, the same however the rows were produced.

        SHA-256 over the tables by name, their columns by name without provenance, and the values
        in canonical row order (see `pipeline.stores.rows.hash_values`).  Columns are read one by
        one: memory is that of one column of the scan.

        Parameters
        ----------
        scan_id : str
            The scan.
        version : int, optional
            Version of the catalogue; the latest when None.

        Returns
        -------
        str
            64 hexadecimal digits.

        Raises
        ------
        NotFoundError
            No such version, or no such scan in it.
        """
        snapshot = self.snapshot(version)
        self._need(snapshot, scan_id)
        digest = hashlib.sha256(b"castcensus rows 1")
        # What is asked of a finished census later does not change its identity.
        for table in sorted((t for t in TABLES if t not in _ASKED_LATER), key=lambda t: t.name):
            dataset = snapshot.dataset(table.name, scan_id)
            order = order_rows(_load(dataset, list(table.order)))
            digest.update(f"\0{table.name}\0{len(order)}".encode())
            for column in sorted(table.columns, key=lambda c: c.name):
                if not column.provenance:
                    digest.update(f"\0{column.name}\0".encode())
                    hash_values(digest, _load(dataset, [column.name])[0].take(order))
        return digest.hexdigest()

    def commit(
        self,
        scan: pa.Table,
        phases: pa.Table,
        particles: pa.Table | Iterable[pa.RecordBatch],
        others: Mapping[str, pa.Table] | None = None,
    ) -> int:
        """Put a scan into the catalogue, in place of what was there under its id.

        All or nothing, and repeatable: a second call for the same job replaces the first.

        Parameters
        ----------
        scan : pyarrow.Table
            The scan's single row of `scans`; its scan_id and job hold for all rows.
        phases : pyarrow.Table
            Rows of `phases`.
        particles : pyarrow.Table or iterable of pyarrow.RecordBatch
            Rows of `particles` in any order; batches are streamed to disk.  An iterator can be
            read only once, so it is not tried again when another process changes the table's
            columns at the same moment.
        others : mapping of str to pyarrow.Table, optional
            Rows of other tables by name; a table that is not named gets none.

        Returns
        -------
        int
            Version of the catalogue in which the scan appears.

        Raises
        ------
        StoreError
            Rows that do not fit their table, a folder that cannot be written, or another process
            that kept committing the same scan.
        """
        if scan.num_rows != 1:
            raise StoreError(f"Table scans: got {scan.num_rows} rows, wanted 1 a commit.")
        scan = check_rows(SCANS, scan)
        scan_id, job = scan["scan_id"][0].as_py(), scan["job"][0].as_py()
        if not scan_id or not job:
            raise StoreError(f"Table scans: scan_id {scan_id!r} and job {job!r} may not be empty.")
        given = {PHASES.name: phases, **(others or {})}
        small = {
            table.name: given.get(table.name, table.schema.empty_table())
            for table in _BESIDE
            # What was asked of a finished census later stays where it is.
            if table not in (PARTICLES, *_ASKED_LATER)
        }
        for name, rows in small.items():
            check_rows(_BY_NAME[name], rows)
        batches = particles.to_batches() if isinstance(particles, pa.Table) else particles
        with self._writing(scan_id):
            for stored in self._tables.values():
                stored.prepare()
            for name, rows in small.items():
                self._tables[name].overwrite(rows.to_batches(), scan_id, job)
            self._tables[PARTICLES.name].overwrite(batches, scan_id, job)
            version = self._publish(scan, scan_id, job)
            self._sweep(where(scan_id, f"AND job <> {quoted(job)}"))
        return version

    def amend(self, scan_id: str, job: str, table_name: str, rows: pa.Table) -> int:
        """Put rows about a scan that is there beside its census, in place of earlier ones.

        All or nothing, like a commit: the rows appear with the next version of the scan's own row.

        Parameters
        ----------
        scan_id, job : str
            The scan and the job of its census; every row must say the same.
        table_name : str
            Table that the rows belong to.
        rows : pyarrow.Table
            All rows of the scan in that table.

        Returns
        -------
        int
            Version of the catalogue in which they appear.

        Raises
        ------
        NotFoundError
            There is no such scan, or another job has counted it meanwhile.
        StoreError
            Rows that do not fit, or a folder that cannot be written.
        """
        check_rows(_BY_NAME[table_name], rows)
        with self._writing(scan_id):
            scan = self.read(SCANS.name, scan_id)
            holder = scan["job"][0].as_py()
            if holder != job:
                raise NotFoundError(
                    f"scan {scan_id} was counted again by job {holder}; the rows at hand are about "
                    f"job {job}.",
                    "Ask again.",
                )
            self._tables[table_name].prepare()
            self._tables[table_name].overwrite(rows.to_batches(), scan_id, job)
            return self._publish(scan.cast(SCANS.schema), scan_id, job)

    def remove(self, scan_id: str) -> int:
        """Take a scan out of the catalogue; earlier versions still hold it.

        Parameters
        ----------
        scan_id : str
            The scan.

        Returns
        -------
        int
            First version without the scan.

        Raises
        ------
        NotFoundError
            There is no such scan.
        StoreError
            The folder cannot be written.
        """
        with self._writing(scan_id):
            self._need(self.snapshot(), scan_id)
            version = self._tables[SCANS.name].delete(where(scan_id), self._pins)
            self._sweep(where(scan_id))
        return version

    def _publish(self, scan: pa.Table, scan_id: str, job: str) -> int:
        """Commit the scan's row: the one moment in which the catalogue changes."""
        return self._tables[SCANS.name].replace(scan, scan_id, job, self._pins)

    def _pins(self) -> dict[str, int]:
        """Return the versions that the tables beside `scans` have now."""
        versions = {t.name: self._tables[t.name].version() for t in _BESIDE}
        return {name: version for name, version in versions.items() if version >= 0}

    def _sweep(self, predicate: str) -> None:
        """Take invisible rows out of the current versions of the tables beside `scans`."""
        for table in _BESIDE:
            if self._tables[table.name].version() < 0:
                continue
            try:
                self._tables[table.name].delete(predicate)
            except StoreError as error:
                # The scan is committed; what is left is invisible and swept by its next commit.
                _LOG.warning("%s", error)

    @contextmanager
    def _writing(self, scan_id: str) -> Iterator[None]:
        """Keep other commits of the same scan out, whose unfinished rows a sweep would take."""
        path = need_disk(self.root) / ".locks" / f"{quote(scan_id, safe='')}.lock"
        lock = FileLock(path, timeout=LOCK_TIMEOUT_S)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            lock.acquire()
        except Timeout:
            raise StoreError(
                f"Another process has been committing scan {scan_id} for {LOCK_TIMEOUT_S:.0f} s.",
                "Run one job a scan at a time.",
            ) from None
        except (OSError, NotImplementedError) as error:
            raise StoreError(
                f"The catalogue in {self.root} cannot be written: {flat(error)}.",
                "Use a workspace on a file system that you may write and that has file locks.",
            ) from error
        try:
            yield
        finally:
            lock.release()

    def _need(self, snapshot: Snapshot, scan_id: str | None) -> None:
        if scan_id is not None and scan_id not in snapshot.scan_ids:
            if snapshot.version < 0:
                raise NotFoundError(
                    f"There is no scan {scan_id!r}: no catalogue lies at {self.root}.",
                    "Name another --workspace, or count a scan with: castcensus submit.",
                )
            raise NotFoundError(
                f"Scan {scan_id!r} is not in version {snapshot.version} of the catalogue in "
                f"{self.root}, which holds {len(snapshot.scan_ids)} scans.",
                "List them with: castcensus scans.",
            )


def _load(dataset: pads.Dataset, columns: list[str]) -> pa.Table:
    """Read columns of a dataset, in the order of its files."""
    try:
        return dataset.to_table(columns=columns)
    except (OSError, pa.ArrowException) as error:
        raise DamageError(f"Rows of the catalogue cannot be read: {flat(error)}.") from None
