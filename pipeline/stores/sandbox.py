"""A process of its own that answers one query and ends: `python -m pipeline.stores.sandbox`.

It reads a request as JSON on standard input, and writes the result as an Arrow stream on standard
output.  What went wrong goes to standard error as JSON, with exit code 3.  A process, because
DuckDB's memory limit leaves out texts, lists and Arrow buffers, and because a running operator
heeds an interrupt late (measured with DuckDB 2.0: 32 s and 7.8 GB for one `repeat`).  A limit of
the operating system and a kill are exact; they cost about 0.6 s a query.
"""

from __future__ import annotations

import base64
import json
import resource
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

import duckdb
import pyarrow as pa

from pipeline.stores.rows import RowFile, open_rows

ROWS_A_BATCH = 50_000
SLACK_BYTES = 256 * 2**20
"""Memory beside the query's own: reading buffers and the allocator's spare."""

TABLE_FUNCTIONS = frozenset(
    {"range", "generate_series", "unnest", "repeat", "repeat_row", "json_each", "json_tree"}
    | {"histogram", "histogram_values"}
)
"""Functions after FROM that compute only; all others reach files, settings or raw pointers."""

_READING_NODES = frozenset({"SELECT_NODE", "SET_OPERATION_NODE", "RECURSIVE_CTE_NODE", "CTE_NODE"})


class RefusedError(Exception):
    """A query that is refused; `kind` tells the parent how to word it."""

    def __init__(self, kind: str, text: str) -> None:
        super().__init__(text)
        self.kind = kind


def answer(request: dict[str, Any], out: BinaryIO) -> None:
    """Answer one request.

    Parameters
    ----------
    request : dict
        sql; memory_bytes; threads; tables: name to {schema: base64 of an Arrow schema, files:
        list of (path, scan_id, job)}; rows: name to base64 of an Arrow stream.
    out : binary file
        Where the Arrow stream goes.

    Raises
    ------
    RefusedError
        The query is not one SELECT, or grew beyond the memory.
    duckdb.Error
        DuckDB cannot carry it out.
    """
    memory_bytes, sql = int(request["memory_bytes"]), str(request["sql"])
    pa.set_cpu_count(int(request["threads"]))
    connection = _connect(memory_bytes, int(request["threads"]))
    check_statement(connection, sql)
    for name, table in request["tables"].items():
        schema = pa.ipc.read_schema(pa.py_buffer(base64.b64decode(table["schema"])))
        files = [RowFile(*values) for values in table["files"]]
        connection.register(name, open_rows(files, schema))
    for name, stream_text in request["rows"].items():
        encoded = pa.py_buffer(base64.b64decode(stream_text))
        connection.register(name, pa.ipc.open_stream(encoded).read_all())
    _lock(connection)
    _limit(memory_bytes)
    reader = connection.sql(sql).to_arrow_reader(ROWS_A_BATCH)
    n_bytes = 0
    with pa.ipc.new_stream(out, reader.schema) as stream:
        for batch in reader:
            n_bytes += batch.nbytes
            if n_bytes > memory_bytes:
                raise RefusedError("result", "the result is larger than the memory of a query")
            stream.write_batch(batch)


def check_statement(connection: duckdb.DuckDBPyConnection, sql: str) -> None:
    """Refuse all but one SELECT that computes on tables.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Used to parse.
    sql : str
        The query.

    Raises
    ------
    RefusedError
        It is something else.
    """
    statements = connection.extract_statements(sql)
    if len(statements) != 1:
        raise RefusedError("statement", f"got {len(statements)} statements, wanted 1")
    kind = statements[0].type
    if kind != duckdb.StatementType.SELECT:
        raise RefusedError("statement", f"got {kind.name}, wanted SELECT")
    rows = connection.execute("SELECT json_serialize_sql($1)", [sql]).fetchall()
    tree = json.loads(rows[0][0])
    if tree["error"]:
        raise RefusedError("statement", f"not a plain SELECT: {tree.get('error_message', '')}")
    for node in _walk(tree["statements"]):
        label = str(node.get("type", ""))
        if label.endswith("_NODE") and label not in _READING_NODES:
            raise RefusedError("statement", f"got {label.removesuffix('_NODE')}, wanted SELECT")
        if label == "TABLE_FUNCTION":
            name = str(node["function"].get("function_name", "")).lower()
            if name not in TABLE_FUNCTIONS:
                raise RefusedError("statement", f"table function {name} is not allowed")


def _walk(tree: Any) -> Iterator[dict[str, Any]]:
    """Yield every object of a parsed query."""
    rest = [tree]
    while rest:
        item = rest.pop()
        if isinstance(item, dict):
            yield item
            rest += item.values()
        elif isinstance(item, list):
            rest += item


def _connect(memory_bytes: int, threads: int) -> duckdb.DuckDBPyConnection:
    """Return a database in memory that loads nothing and spills nothing."""
    return duckdb.connect(
        ":memory:",
        config={
            "memory_limit": f"{memory_bytes}B",
            "threads": str(threads),
            "temp_directory": "",
            "max_temp_directory_size": "0B",
            "python_enable_replacements": "false",
            "autoinstall_known_extensions": "false",
            "autoload_known_extensions": "false",
            "allow_community_extensions": "false",
        },
    )


def _lock(connection: duckdb.DuckDBPyConnection) -> None:
    """Take files and settings away; DuckDB does not give them back to a running database."""
    connection.execute("SET TimeZone = 'UTC'")
    connection.execute("SET enable_external_access = false")
    connection.execute("SET lock_configuration = true")


def _limit(memory_bytes: int) -> None:
    """Bound the private memory of this process to what it has now, `memory_bytes` and a slack.

    Only Linux tells and enforces it; elsewhere DuckDB's own limit is what holds.
    """
    status = Path("/proc/self/status")
    if not status.exists():
        return
    sizes = dict(line.split(":", 1) for line in status.read_text().splitlines() if ":" in line)
    limit = int(sizes["VmData"].split()[0]) * 1024 + memory_bytes + SLACK_BYTES
    hard = resource.getrlimit(resource.RLIMIT_DATA)[1]
    if hard != resource.RLIM_INFINITY:
        limit = min(limit, hard)
    resource.setrlimit(resource.RLIMIT_DATA, (limit, limit))


def main() -> int:
    """Answer the request on standard input; return the exit code."""
    try:
        answer(json.load(sys.stdin), sys.stdout.buffer)
    except RefusedError as error:
        kind, text = error.kind, str(error)
    except (MemoryError, duckdb.OutOfMemoryException, pa.ArrowMemoryError) as error:
        kind, text = "memory", str(error)
    except (duckdb.Error, pa.ArrowException, OSError) as error:
        text = str(error)
        kind = "memory" if "out of memory" in text.lower() else "failed"
    else:
        return 0
    json.dump({"kind": kind, "text": text}, sys.stderr)
    return 3


if __name__ == "__main__":
    sys.exit(main())
