"""Rows of made-up scans, with every column of the catalogue.

As a program it commits three jobs of one scan: `python rows_of_scans.py CATALOGUE NUMBER`, once a
line arrives on standard input.
"""

import datetime as dt
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipeline.model.records import (
    CONTACTS,
    MEMBERS,
    NEIGHBOURS,
    PARTICLES,
    PHASES,
    SCANS,
    STATISTICS,
    Table,
)
from pipeline.stores.catalogue import Catalogue

NOW = dt.datetime(2026, 1, 2, 3, 4, 5, 678901, dt.UTC)


def build(table: Table, n: int, seed: int, **columns: list) -> pa.Table:
    """`n` rows: random numbers and texts, and the columns that are given."""
    rng = np.random.default_rng(seed)
    arrays = []
    for column in table.columns:
        if column.name in columns:
            values = columns[column.name]
        elif pa.types.is_floating(column.type):
            values = rng.normal(size=n).tolist()
        elif pa.types.is_integer(column.type):
            values = rng.integers(0, 1000, n).tolist()
        elif pa.types.is_boolean(column.type):
            values = (rng.random(n) < 0.5).tolist()
        elif pa.types.is_timestamp(column.type):
            values = [NOW] * n
        elif column.type.equals(pa.list_(pa.string())):
            values = [["solution", "é"]] * n
        elif pa.types.is_list(column.type):
            values = [[1.5, 2.5]] * n
        else:
            values = [f"{column.name}-{i}" for i in range(n)]
        arrays.append(pa.array(values, column.type))
    return pa.table(arrays, schema=table.schema)


def scan_rows(
    scan_id: str, job: str, n: int = 20, seed: int = 0
) -> tuple[pa.Table, pa.Table, pa.Table, dict[str, pa.Table]]:
    """A scan's row, two phases, `n` particles, and rows of the other tables by name."""
    scan = build(SCANS, 1, seed, scan_id=[scan_id], job=[job], specimen=[f"bar {seed}"])
    phases = build(
        PHASES,
        2,
        seed,
        scan_id=[scan_id] * 2,
        job=[job] * 2,
        position=[0, 1],
        phase=["pore", "iron-rich"],
    )
    particles = build(
        PARTICLES,
        n,
        seed,
        scan_id=[scan_id] * n,
        job=[job] * n,
        phase=["pore" if i % 2 else "iron-rich" for i in range(n)],
        particle_id=[1 + i // 2 for i in range(n)],
        n_voxels=[100 + i for i in range(n)],
    )
    contacts = build(CONTACTS, 3, seed, scan_id=[scan_id] * 3, job=[job] * 3)
    neighbours = build(NEIGHBOURS, 3, seed, scan_id=[scan_id] * 3, job=[job] * 3)
    statistics = build(STATISTICS, 3, seed, scan_id=[scan_id] * 3, job=[job] * 3)
    members = build(MEMBERS, 3, seed, scan_id=[scan_id] * 3, job=[job] * 3)
    others = {
        "contacts": contacts,
        "members": members,
        "neighbours": neighbours,
        "statistics": statistics,
    }
    return scan, phases, particles, others


def main(root: str, number: str) -> None:
    """Commit three jobs of one scan, 10, 11 and 12 particles each."""
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    sys.stdin.readline()
    for i in range(3):
        rows = scan_rows(f"scan-{number}", f"job-{number}-{i}", n=10 + i, seed=int(number))
        Catalogue(Path(root)).commit(*rows)


if __name__ == "__main__":
    main(*sys.argv[1:])
