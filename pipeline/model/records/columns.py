"""A column, a table, and what every table of the catalogue shares."""

from __future__ import annotations

from dataclasses import dataclass

import pyarrow as pa

TEXT, COUNT, REAL, FLAG = pa.string(), pa.int64(), pa.float64(), pa.bool_()
TEXTS, REALS, TIME = pa.list_(pa.string()), pa.list_(pa.float64()), pa.timestamp("us", tz="UTC")


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Name with its unit as suffix.
    type : pyarrow.DataType
        Type in the table; written values must have exactly this type.
    meaning : str
        Definition in one or two sentences, with its source where it has one.
    nullable : bool
        Whether a value may be absent; the meaning then says when.
    provenance : bool
        True for columns that tell how a row came about (times, versions) and so are left out of
        the fingerprint of a scan.
    """

    name: str
    type: pa.DataType
    meaning: str
    nullable: bool = False
    provenance: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the catalogue: its name, the sort order of its rows, and its columns."""

    name: str
    order: tuple[str, ...]
    columns: tuple[Column, ...]

    @property
    def schema(self) -> pa.Schema:
        """Arrow schema in which every batch is written."""
        return pa.schema([pa.field(c.name, c.type, c.nullable) for c in self.columns])

    def column(self, name: str) -> Column:
        """Return the column of that name."""
        return next(c for c in self.columns if c.name == name)


def axes(template: str, kind: pa.DataType, meaning: str, nullable: bool = False) -> list[Column]:
    """Return one column for each of (z, y, x)."""
    return [Column(template.format(a), kind, meaning.format(a), nullable) for a in "zyx"]


KEY = [
    Column("scan_id", TEXT, "Identifier of the scan."),
    Column("job", TEXT, "Job that produced the row.", provenance=True),
]
