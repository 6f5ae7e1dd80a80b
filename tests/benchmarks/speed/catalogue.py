"""Questions to a catalogue of many scans, through the command's own sandbox and inside it."""

from __future__ import annotations

import time
from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa

from pipeline.model.records import PARTICLES, PHASES, SCANS, Table
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.query import run_query
from tests.benchmarks.speed.timing import Figure, peak_mib, take_turns

QUESTIONS = {
    "group by scan and phase with median": (
        "SELECT scan_id, phase, count(*) AS n, median(volume_um3) AS volume_um3 "
        "FROM particles GROUP BY scan_id, phase",
        1.0,
    ),
    "filtered histogram": (
        "SELECT floor(log10(volume_um3) * 10) AS class, count(*) AS n FROM particles "
        "WHERE phase = 'iron-rich' AND NOT touches_border GROUP BY class ORDER BY class",
        0.5,
    ),
    "top 100": (
        "SELECT scan_id, phase, particle_id, volume_um3 FROM particles "
        "ORDER BY volume_um3 DESC LIMIT 100",
        0.5,
    ),
    "one scan": (
        "SELECT particle_id, volume_um3, sphericity FROM particles "
        "WHERE scan_id = 'scan-042' AND phase = 'pore'",
        0.1,
    ),
}


def _fill(table: Table, scan: str, rows: int, rng: np.random.Generator) -> pa.Table:
    """Return rows of any table: numbers at random, names as they would be."""
    columns = []
    names = np.repeat(["copper-rich", "iron-rich", "pore"], -(-rows // 3))[:rows]
    for column in table.columns:
        values: object
        if column.name == "scan_id":
            values = [scan] * rows
        elif column.name == "job":
            values = [f"job-{scan}"] * rows
        elif column.name == "phase":
            values = names
        elif column.name == "particle_id":
            values = np.arange(rows) + 1
        elif pa.types.is_floating(column.type):
            values = rng.lognormal(5.0, 2.0, rows)
        elif pa.types.is_integer(column.type):
            values = rng.integers(0, 100_000, rows)
        elif pa.types.is_boolean(column.type):
            values = rng.random(rows) < 0.1
        elif column.nullable:
            values = pa.nulls(rows, column.type)
        elif pa.types.is_string(column.type):
            values = ["x"] * rows
        elif pa.types.is_timestamp(column.type):
            values = pa.array([0] * rows, pa.int64()).cast(column.type)
        else:
            values = [[] for _ in range(rows)]
        columns.append(pa.array(values, column.type))
    return pa.table(columns, schema=table.schema)


def write_catalogue(root: Path, n_scans: int, n_rows: int) -> Catalogue:
    """Commit scans of so many particles each."""
    catalogue = Catalogue(root)
    rng = np.random.default_rng(6)
    for number in range(n_scans):
        scan = f"scan-{number:03d}"
        catalogue.commit(
            _fill(SCANS, scan, 1, rng),
            _fill(PHASES, scan, 3, rng),
            _fill(PARTICLES, scan, n_rows, rng),
        )
    return catalogue


def measure(folder: Path, n_scans: int, n_rows: int, repeats: int) -> list[Figure]:
    """Return the lines of this section."""
    start = time.perf_counter()
    catalogue = write_catalogue(folder / "catalogue", n_scans, n_rows)
    wrote = time.perf_counter() - start
    about = f"{n_scans * n_rows:.0e} rows x {len(PARTICLES.columns)} columns, {n_scans} scans"
    lines = [Figure(f"commit {about}", wrote / n_scans, "s a scan")]
    connection = duckdb.connect(":memory:", config={"threads": "2"})
    pa.set_cpu_count(2)
    for name, (sql, bar) in QUESTIONS.items():

        def inside(sql: str = sql) -> None:
            connection.register("particles", catalogue.snapshot().dataset("particles"))
            connection.sql(sql).fetchall()

        rates = take_turns(
            {
                "inside": inside,
                "command": lambda sql=sql: run_query(catalogue, sql, memory_limit="4GB"),
            },
            repeats,
        )
        lines.append(Figure(name, rates.median("inside"), "s", bar, least=False))
        lines.append(Figure("  with the sandbox's process", rates.median("command"), "s"))
    lines.append(Figure("  peak", peak_mib() / 1024, "GiB"))
    return lines
