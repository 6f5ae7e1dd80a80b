"""The table `specimens`: one small Delta table, rewritten whole in one commit."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime

import pyarrow as pa
import pyarrow.parquet as pq
from deltalake import CommitProperties, DeltaTable, write_deltalake
from deltalake.exceptions import DeltaError

from pipeline.errors import DamageError
from pipeline.model.records import SPECIMENS
from pipeline.stores.delta import flat, retry
from pipeline.stores.objects import has_delta, open_delta
from pipeline.stores.places import Place, need_disk
from pipeline.stores.rows import check_rows


class SpecimenTable:
    """Results of mechanical tests of one catalogue.

    Parameters
    ----------
    root : Path or ObjectFolder
        Folder of the catalogue; the table is made by the first `put`.
    """

    def __init__(self, root: Place) -> None:
        self.path = root / SPECIMENS.name

    def version(self) -> int:
        """Return the latest version of the table, -1 while there is none."""
        if not has_delta(self.path):
            return -1
        try:
            return int(open_delta(self.path).version())
        except DeltaError as error:
            raise DamageError(f"Table {self.path} cannot be opened: {flat(error)}.") from None

    def read(self) -> pa.Table:
        """Return all rows by specimen; none while there is no table.

        Raises
        ------
        DamageError
            A file of the table is missing or unreadable.
        """
        if self.version() < 0:
            return SPECIMENS.schema.empty_table()
        try:
            return self._rows(open_delta(self.path))
        except (DeltaError, OSError, pa.ArrowException) as error:
            raise DamageError(f"Table {self.path} cannot be read: {flat(error)}.") from None

    def put(self, results: Iterable[Mapping[str, object]]) -> int:
        """Enter rows, each in place of the one that its specimen has; all or nothing.

        Parameters
        ----------
        results : iterable of mapping
            Columns of `SPECIMENS` without imported_at; one a specimen.

        Returns
        -------
        int
            Version of the table that holds them.

        Raises
        ------
        StoreError
            The folder cannot be written.
        """
        now = datetime.now(UTC)
        rows = [{**row, "imported_at": now} for row in results]
        columns = [pa.array([row.get(f.name) for row in rows], f.type) for f in SPECIMENS.schema]
        given = check_rows(SPECIMENS, pa.table(columns, schema=SPECIMENS.schema))
        named = set(given["specimen"].to_pylist())

        path = need_disk(self.path)

        def step() -> int:
            if not has_delta(path):
                path.mkdir(parents=True, exist_ok=True)
                DeltaTable.create(path, SPECIMENS.schema, mode="ignore")
            opened = DeltaTable(path)
            before = self._rows(opened).to_pylist()
            kept = pa.Table.from_pylist(
                [row for row in before if row["specimen"] not in named], schema=SPECIMENS.schema
            )
            write_deltalake(
                opened,
                pa.concat_tables([kept, given]).sort_by("specimen"),
                mode="overwrite",
                schema_mode="merge",
                commit_properties=CommitProperties(max_commit_retries=0),
            )
            self._sync(opened)
            return int(opened.version())

        return retry(step, f"writing {self.path}")

    def _files(self, opened: DeltaTable) -> list[Place]:
        actions = pa.table(opened.get_add_actions(flatten=True))
        return [self.path / name for name in actions["path"].to_pylist()]

    def _rows(self, opened: DeltaTable) -> pa.Table:
        parts = []
        for path in self._files(opened):
            with path.open("rb") as file:
                parts.append(pq.read_table(file, schema=_nullable()))
        rows = pa.concat_tables(parts) if parts else _nullable().empty_table()
        return rows.sort_by("specimen").cast(SPECIMENS.schema)

    def _sync(self, opened: DeltaTable) -> None:
        """Force the commit to disk: Delta never does."""
        root = need_disk(self.path)
        log, files = root / "_delta_log", [need_disk(file) for file in self._files(opened)]
        for path in (*files, log / f"{opened.version():020d}.json", log, root):
            number = os.open(path, os.O_RDONLY)
            try:
                os.fsync(number)
            finally:
                os.close(number)


def _nullable() -> pa.Schema:
    """Return the schema in which files are read: columns that a file lacks are null."""
    return pa.schema([field.with_nullable(True) for field in SPECIMENS.schema])
