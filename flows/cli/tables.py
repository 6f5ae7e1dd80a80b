"""Tables for people on standard output."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from datetime import datetime

from rich.console import Console
from rich.table import Table

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
