"""Rows of the catalogue as Arrow: opened from files, checked before writing, hashed canonically.

Nothing here knows how a table keeps its versions; that is `pipeline.stores.catalogue`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.dataset as pads
from pyarrow.fs import LocalFileSystem

from pipeline.errors import StoreError
from pipeline.model.records import Table
from pipeline.stores.objects import open_bucket
from pipeline.stores.places import SCHEME


@dataclass(frozen=True, slots=True)
class RowFile:
    """A Parquet file of a table with the partition that its rows belong to.

    Parameters
    ----------
    path : str
        Absolute path, or the address of an object.
    scan_id, job : str
        Values of the two partition columns, which the file itself does not store.
    """

    path: str
    scan_id: str
    job: str


class Hash(Protocol):
    """What `hashlib` returns."""

    def update(self, data: bytes, /) -> None:
        """Take in more bytes."""


def open_rows(files: Iterable[RowFile], schema: pa.Schema) -> pads.Dataset:
    """Open Parquet files as one dataset; a filter on the partition skips whole files.

    The dataset is put together by hand because the statistics of the Delta log truncate times to
    milliseconds, and a dataset that believes them drops rows at the edge of a filter.

    Parameters
    ----------
    files : iterable of RowFile
        Files in the order in which their rows shall come.
    schema : pyarrow.Schema
        Columns wanted; those that a file lacks (written before the column existed) are null.

    Returns
    -------
    pyarrow.dataset.Dataset
        Rows in the order of the files.
    """
    files, parquet = list(files), pads.ParquetFileFormat()
    system, n_cut = LocalFileSystem(), 0
    if files and files[0].path.startswith(SCHEME):
        system, n_cut = open_bucket(files[0].path)
    scan_id, job = pads.field("scan_id"), pads.field("job")
    fragments = [
        parquet.make_fragment(
            f.path[n_cut:], system, partition_expression=(scan_id == f.scan_id) & (job == f.job)
        )
        for f in files
    ]
    nullable = pa.schema([f.with_nullable(True) for f in schema])
    return pads.FileSystemDataset(fragments, nullable, parquet, system)


def check_rows(table: Table, rows: pa.Table | pa.RecordBatch) -> pa.Table | pa.RecordBatch:
    """Return `rows` in the table's column order, or refuse them.

    A writer would cast silently: float64 into float32 loses digits, int64 into float64 loses whole
    numbers above 2**53.  So the types must be equal before anything is written.

    Parameters
    ----------
    table : Table
        The table that the rows are meant for.
    rows : pyarrow.Table or pyarrow.RecordBatch
        Rows with exactly the table's columns, in any order.

    Returns
    -------
    pyarrow.Table or pyarrow.RecordBatch
        The same values under the table's schema.

    Raises
    ------
    StoreError
        A column is missing, unknown or of another type, or holds a null where none may be.
    """
    remedy = "Build the rows from the schema in pipeline.model.records."
    names = [c.name for c in table.columns]
    for name in rows.schema.names:
        if name not in names:
            raise StoreError(f"Table {table.name}: column {name} is unknown.", remedy)
    columns = []
    for column in table.columns:
        where = f"Table {table.name}, column {column.name}"
        if rows.schema.names.count(column.name) != 1:
            found = "missing" if column.name not in rows.schema.names else "given twice"
            raise StoreError(f"{where}: {found}.", remedy)
        values = rows.column(column.name)
        if not values.type.equals(column.type):
            raise StoreError(f"{where}: got {values.type}, wanted {column.type}.", remedy)
        if values.null_count and not column.nullable:
            raise StoreError(
                f"{where}: {values.null_count} of {len(values)} values are null, wanted none.",
                remedy,
            )
        columns.append(values)
    kind = pa.Table if isinstance(rows, pa.Table) else pa.RecordBatch
    return kind.from_arrays(columns, schema=table.schema)


def check_partition(table: Table, rows: pa.Table | pa.RecordBatch, scan_id: str, job: str) -> None:
    """Refuse rows that belong to another scan or job.

    Raises
    ------
    StoreError
        Naming the column and the foreign value.
    """
    for name, wanted in (("scan_id", scan_id), ("job", job)):
        for got in pc.unique(rows.column(name)).to_pylist():
            if got != wanted:
                raise StoreError(
                    f"Table {table.name}, column {name}: got {got!r}, wanted {wanted!r} in every "
                    "row.",
                    "Commit one scan of one job at a time.",
                )


def order_rows(keys: pa.Table) -> pa.Array:
    """Return the positions that bring rows into the order of their columns, first column first."""
    return pc.sort_indices(keys, sort_keys=[(name, "ascending") for name in keys.schema.names])


def hash_values(digest: Hash, values: pa.ChunkedArray | pa.Array) -> None:
    """Feed a column into a hash; equal values give equal bytes however they are chunked.

    A null marker for each value, then: numbers as little-endian bytes (-0.0 as 0.0, one NaN),
    texts as their lengths followed by their UTF-8 bytes, lists as their lengths followed by their
    elements fed the same way.

    Parameters
    ----------
    digest : object with update(bytes)
        The hash.
    values : pyarrow.Array or pyarrow.ChunkedArray
        Text, int64, float64, bool, timestamp, or lists of these.

    Raises
    ------
    StoreError
        The type has no canonical bytes.
    """
    if isinstance(values, pa.ChunkedArray):
        values = pa.concat_arrays(values.chunks) if values.num_chunks else values.combine_chunks()
    digest.update(np.asarray(pc.is_null(values), dtype=np.uint8).tobytes())
    kind = values.type
    if pa.types.is_list(kind):
        lengths = pc.fill_null(pc.list_value_length(values), 0)
        digest.update(np.asarray(lengths, dtype="<i8").tobytes())
        hash_values(digest, values.flatten())
    elif pa.types.is_string(kind):
        texts = pc.fill_null(values, "")
        digest.update(np.asarray(pc.binary_length(texts), dtype="<i8").tobytes())
        digest.update("".join(texts.to_pylist()).encode())
    elif pa.types.is_floating(kind):
        numbers = np.asarray(pc.fill_null(values, 0.0), dtype="<f8") + 0.0
        digest.update(np.where(np.isnan(numbers), np.nan, numbers).tobytes())
    elif pa.types.is_boolean(kind):
        digest.update(np.asarray(pc.fill_null(values, False), dtype=np.uint8).tobytes())
    elif pa.types.is_integer(kind) or pa.types.is_timestamp(kind):
        digest.update(np.asarray(pc.fill_null(values.cast(pa.int64()), 0), dtype="<i8").tobytes())
    else:
        raise StoreError(f"Values of type {kind} have no canonical bytes.")
