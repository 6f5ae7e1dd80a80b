"""Tables in files."""

from __future__ import annotations

import os
from pathlib import Path

import pyarrow as pa

from flows.cli.console import say
from pipeline.errors import StoreError, UsageError
from pipeline.stores.query import export_table


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
