"""Questions to the catalogue in SQL, and the forms in which their answers leave.

A query is untrusted: it may come through a browser.  It runs in a process of its own
(`pipeline.stores.sandbox`) that holds the visible rows as tables, no files, no settings, a limit
of memory, and that is killed when its time is over.
"""

from __future__ import annotations

import base64
import json
import math
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import date, datetime
from datetime import time as clock
from decimal import Decimal
from pathlib import Path
from typing import Any, BinaryIO

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

import pipeline
from pipeline.errors import QueryError, UsageError
from pipeline.model.records import SPECIMENS, TABLES
from pipeline.model.sizes import parse_bytes
from pipeline.stores.catalogue import Catalogue, Snapshot
from pipeline.stores.specimens import SpecimenTable

_NAMES = ", ".join(table.name for table in (*TABLES, SPECIMENS))
_REMEDY = f"A query is one SELECT over the tables {_NAMES}."


def run_query(
    catalogue: Catalogue,
    sql: str,
    *,
    version: int | None = None,
    memory_limit: str | int = "2GB",
    timeout_s: float = 60.0,
    threads: int = 2,
) -> pa.Table:
    """Answer one read-only SELECT over `scans`, `phases` and `particles`.

    Parameters
    ----------
    catalogue : Catalogue
        Where the rows are.
    sql : str
        One SELECT in DuckDB's SQL (https://duckdb.org/docs/current/sql/introduction).
    version : int, optional
        Version of the catalogue; the latest when None.
    memory_limit : str or int
        Memory of the query and size of its result, as bytes or as text such as 500MB.
    timeout_s : float
        Seconds until the query is killed, the start of its process (about 0.6 s) included.
    threads : int
        Threads of the query.

    Returns
    -------
    pyarrow.Table
        What the query selects.

    Raises
    ------
    QueryError
        Not one SELECT, refused by DuckDB, or beyond the memory or the time.
    NotFoundError
        No such version.
    """
    memory_bytes = parse_bytes(memory_limit)
    request = {
        "sql": sql,
        "memory_bytes": memory_bytes,
        "threads": threads,
        "tables": _tables(catalogue.snapshot(version)),
        # Small, and not of any version of the scans.
        "rows": {SPECIMENS.name: _encode(SpecimenTable(catalogue.root).read())},
    }
    # The package is found where this process found it, whatever the working directory.
    home = str(Path(pipeline.__file__).parent.parent)
    paths = [home, *filter(None, [os.environ.get("PYTHONPATH")])]
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pipeline.stores.sandbox"],
            input=json.dumps(request).encode(),
            capture_output=True,
            timeout=timeout_s,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise QueryError(
            f"The query took longer than {timeout_s:g} s and was stopped.",
            "Filter on scan_id, or allow it more time.",
        ) from None
    if done.returncode:
        raise _refused(done.returncode, done.stderr, memory_bytes)
    return pa.ipc.open_stream(pa.py_buffer(done.stdout)).read_all()


def export_table(table: pa.Table, fmt: str, out: BinaryIO) -> None:
    """Write a result.

    Parameters
    ----------
    table : pyarrow.Table
        The result.
    fmt : str
        json: a list of objects, one a line; values that are not finite become null, times ISO
        8601.  csv: with a header; lists as JSON in their cell.  parquet: types as they are.
    out : binary file
        Where it goes.

    Raises
    ------
    UsageError
        No such format.
    """
    writers: dict[str, Callable[[pa.Table, BinaryIO], None]] = {
        "csv": _export_csv,
        "json": _export_json,
        "parquet": pq.write_table,
    }
    if fmt not in writers:
        raise UsageError(f"Format {fmt!r} does not exist.", f"There are {', '.join(writers)}.")
    writers[fmt](table, out)


def _encode(rows: pa.Table) -> str:
    """Return rows as an Arrow stream in base64."""
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, rows.schema) as stream:
        stream.write_table(rows)
    return base64.b64encode(sink.getvalue().to_pybytes()).decode()


def _tables(snapshot: Snapshot) -> dict[str, dict[str, Any]]:
    """Return what the sandbox needs to open the visible rows."""
    return {
        table.name: {
            "schema": base64.b64encode(table.schema.serialize()).decode(),
            "files": [(f.path, f.scan_id, f.job) for f in snapshot.files[table.name]],
        }
        for table in TABLES
    }


def _refused(code: int, stderr: bytes, memory_bytes: int) -> QueryError:
    """Word what the sandbox reported, or what its end tells."""
    report = stderr.decode(errors="replace").strip()
    try:
        fault = json.loads(report.splitlines()[-1]) if code == 3 else {}
        kind, text = str(fault["kind"]), " ".join(str(fault["text"]).split())
    except (IndexError, KeyError, ValueError):
        last = report.splitlines()[-1:] or ["nothing said"]
        return QueryError(
            f"The query ended its process (exit code {code}: {last[0]}); most often it needed "
            f"more than {memory_bytes / 1e9:g} GB.",
            "Ask for less, or allow it more memory.",
        )
    if kind == "memory":
        return QueryError(
            f"The query needed more memory than {memory_bytes / 1e9:g} GB.",
            "Filter on scan_id, aggregate, or allow it more memory.",
        )
    if kind == "result":
        return QueryError(
            f"The result is larger than {memory_bytes / 1e9:g} GB.",
            "Aggregate, add LIMIT, or allow it more memory.",
        )
    if kind == "statement":
        return QueryError(f"The query is refused: {text}.", _REMEDY)
    return QueryError(f"The query failed: {text.rstrip('.')}.", _REMEDY)


def _plain(value: Any) -> Any:
    """Return a value that JSON can hold."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Decimal):
        return int(value) if value == value.to_integral_value() else float(value)
    if isinstance(value, datetime | date | clock):
        return value.isoformat()
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if value is None or isinstance(value, bool | int | str):
        return value
    return str(value)


def _export_json(table: pa.Table, out: BinaryIO) -> None:
    lead = b"["
    for batch in table.to_batches(max_chunksize=10_000):
        for row in batch.to_pylist():
            out.write(lead + b"\n" + json.dumps(_plain(row), ensure_ascii=False).encode())
            lead = b","
    out.write(b"[]\n" if lead == b"[" else b"\n]\n")


def _export_csv(table: pa.Table, out: BinaryIO) -> None:
    for position, field in enumerate(table.schema):
        values = table.column(position)
        if pa.types.is_nested(field.type):
            texts = [None if v is None else json.dumps(_plain(v)) for v in values.to_pylist()]
            table = table.set_column(position, field.name, pa.array(texts, pa.string()))
        elif pa.types.is_interval(field.type) or pa.types.is_duration(field.type):
            texts = [None if v is None else str(v) for v in values.to_pylist()]
            table = table.set_column(position, field.name, pa.array(texts, pa.string()))
        elif pa.types.is_timestamp(field.type) and field.type.tz:
            stamps = pc.strftime(values, format="%Y-%m-%dT%H:%M:%SZ")
            table = table.set_column(position, field.name, stamps)
    pacsv.write_csv(table, out)
