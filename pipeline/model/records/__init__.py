"""Columns of the catalogue: the one place where their names, types, units and meanings stand.

The schemas of the tables and the data dictionary are both derived from here.  A descriptor becomes
part of the catalogue by gaining a `Column`.
"""

from __future__ import annotations

from pipeline.model.records.columns import Column, Table
from pipeline.model.records.comparisons import COMPARISON, SPECIMEN_VALUES
from pipeline.model.records.contacts import CONTACTS
from pipeline.model.records.fates import FATES
from pipeline.model.records.mechanical import CORRELATIONS, FRACTURE
from pipeline.model.records.members import MEMBERS
from pipeline.model.records.neighbours import NEIGHBOURS
from pipeline.model.records.particles import PARTICLES
from pipeline.model.records.phases import PHASES
from pipeline.model.records.scans import SCANS
from pipeline.model.records.specimens import SPECIMENS
from pipeline.model.records.statistics import STATISTICS
from pipeline.model.records.stress import STRESS

__all__ = [
    "COMPARISON",
    "CONTACTS",
    "CORRELATIONS",
    "FATES",
    "FRACTURE",
    "MEMBERS",
    "NEIGHBOURS",
    "PARTICLES",
    "PHASES",
    "SCANS",
    "SPECIMENS",
    "SPECIMEN_VALUES",
    "STATISTICS",
    "STRESS",
    "TABLES",
    "Column",
    "Table",
    "write_dictionary",
]

TABLES = (SCANS, PHASES, PARTICLES, CONTACTS, MEMBERS, NEIGHBOURS, STATISTICS, STRESS, FATES)
"""Every table of the catalogue; the first three are part of every commit, others may be empty."""


FILES = (COMPARISON, SPECIMEN_VALUES, CORRELATIONS, FRACTURE)
"""Tables that are written to files and not kept in the catalogue."""


def write_dictionary() -> str:
    """Return the data dictionary as Markdown: the catalogue's tables, then those of files."""
    lines: list[str] = []
    for table in (*TABLES, SPECIMENS, *FILES):
        lines += [f"## {table.name}", "", "| column | type | meaning |", "| --- | --- | --- |"]
        lines += [f"| {c.name} | {c.type} | {c.meaning} |" for c in table.columns]
        lines.append("")
    return "\n".join(lines)
