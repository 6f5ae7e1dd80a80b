"""Tables for people on standard output, and tables in files."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path

import pyarrow as pa
from rich.console import Console
from rich.table import Table

from flows.cli.console import say
from pipeline.errors import StoreError, UsageError
from pipeline.stores.query import export_table

PIPE_WIDTH = 4096
"""Width of what is no terminal: a cell is never cut there."""


def print_table(
    columns: Sequence[str], rows: Iterable[Sequence[object]], whole: Sequence[str] = ()
) -> None:
    """Print rows; numbers stand right.

    Parameters
    ----------
    columns : sequence of str
        Heads of the columns; empty for a table without heads.
    rows : iterable of sequences
        Values.
    whole : sequence of str
        Columns that a narrow terminal may not cut.
    """
    console = Console(width=None if sys.stdout.isatty() else PIPE_WIDTH, markup=False)
    console.print(make_table(columns, rows, whole))


def make_table(
    columns: Sequence[str], rows: Iterable[Sequence[object]], whole: Sequence[str] = ()
) -> Table:
    """Return rows as a table; see `print_table`."""
    values = [list(row) for row in rows]
    table = Table(box=None, show_header=bool(columns), pad_edge=False)
    for index in range(len(columns) or max(map(len, values), default=0)):
        head = columns[index] if columns else ""
        numbers = all(isinstance(row[index], int | float | None) for row in values)
        table.add_column(head, justify="right" if numbers else "left", no_wrap=head in whole)
    for row in values:
        table.add_row(*(cell(value) for value in row))
    return table


def cell(value: object) -> str:
    """Return a value as it stands in a table.

    Examples
    --------
    >>> cell(None), cell(0.123456789), cell(12)
    ('', '0.123457', '12')
    """
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat(sep=" ", timespec="seconds")
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def write_answer(answer: pa.Table, fmt: str, path: Path) -> None:
    """Write a table as csv, json or parquet by rename: the file is whole or is not there."""
    if path.is_dir():
        raise UsageError(f"{path} is a folder, wanted a file.", "Choose another --output.")
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        with partial.open("wb") as out:
            export_table(answer, fmt, out)
        partial.replace(path)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise StoreError(
            f"{path} cannot be written: {error}.", "Choose another --output."
        ) from None
    say(f"{answer.num_rows} rows written to {path}")


def file_format(path: Path) -> str:
    """Return the format that a file's name asks for; a table is for people, so a file gets CSV."""
    suffix = path.suffix.lower().removeprefix(".")
    return suffix if suffix in ("json", "parquet") else "csv"
