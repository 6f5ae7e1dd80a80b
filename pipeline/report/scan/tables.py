"""Tables of a report: every one is shown, and written as CSV and Parquet."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from pipeline.analysis.headlines import pick_headlines
from pipeline.analysis.quality import describe_quality, list_contrasts
from pipeline.model.records import STATISTICS
from pipeline.report.scan.evidence import Evidence

IDENTITY = {
    "scan_id": "scan",
    "specimen": "specimen",
    "condition": "condition",
    "alloy": "alloy",
    "temper": "temper",
    "heat_treatment": "heat treatment",
    "tube_kv": "tube voltage (kV)",
    "tube_power_w": "tube power (W)",
    "beam_energy_kev": "beam energy (keV)",
    "operator": "operator",
    "tags": "tags",
}
"""Columns of `scans` that say what was scanned, and what they are called."""

PROVENANCE = {
    "source_format": "format of the source",
    "source_location": "place of the source",
    "source_checksum": "checksum of the source",
    "recipe_name": "recipe",
    "recipe_hash": "hash of the recipe",
    "code_version": "castcensus",
    "library_versions": "libraries",
    "job": "job",
    "committed_at": "entered",
    "seconds": "time of the job (s)",
}
"""Columns of `scans` that say how its rows came about."""


@dataclass(frozen=True, slots=True)
class TableOf:
    """A table of a report.

    Parameters
    ----------
    name : str
        Name of its files, without suffix.
    title : str
        Heading.
    rows : pyarrow.Table
        What the files hold, all digits.
    heads : tuple of str
        Heads of the table as shown.
    shown : sequence of tuple of str
        Its cells; words of people, fewer digits.
    """

    name: str
    title: str
    rows: pa.Table
    heads: tuple[str, ...]
    shown: Sequence[tuple[str, ...]]


UNITS = {"um": "µm", "um3": "µm³", "mm3": "mm³", "1/mm": "/mm", "1/mm3": "/mm³"}
"""Units as people read them."""


def list_tables(evidence: Evidence) -> list[TableOf]:
    """Return the tables of a report in their order.

    Parameters
    ----------
    evidence : Evidence
        The scan.

    Returns
    -------
    list of TableOf
        identity, quality, contrast, phases, headlines.
    """
    return [
        _identity(evidence),
        _quality(evidence),
        _contrast(evidence),
        _phases(evidence),
        _headlines(evidence),
    ]


def write_number(value: float | None, unit: str = "1") -> str:
    """Return a number for people: four digits, shares as they are, nothing for none.

    Examples
    --------
    >>> write_number(None), write_number(0.0123456, "1"), write_number(123456.0, "um")
    ('', '0.01235', '123,500 µm')
    """
    if value is None:
        return ""
    rounded = float(f"{value:.4g}")
    text = f"{rounded:,.0f}" if 1e3 <= abs(rounded) < 1e7 else f"{rounded:.4g}"
    return text if unit == "1" else f"{text} {UNITS.get(unit, unit)}"


def _identity(evidence: Evidence) -> TableOf:
    scan = evidence.scan
    shape = " x ".join(str(scan[f"size_{a}_vx"]) for a in "zyx")
    voxel = " x ".join(f"{scan[f'voxel_{a}_um']:g}" for a in "zyx")
    told = [(words, _words(scan[name])) for name, words in IDENTITY.items()]
    told += [
        ("voxels (z, y, x)", f"{shape}, {scan['dtype']}"),
        ("voxel (z, y, x)", f"{voxel} µm"),
        ("volume searched", f"{scan['mask_volume_um3'] * 1e-9:.4g} mm³"),
        ("filter", scan["denoise_used"] or "none"),
        ("thresholds", ", ".join(f"{t:.6g}" for t in scan["thresholds"])),
    ]
    told += [(words, _words(scan[name], name)) for name, words in PROVENANCE.items()]
    told.append(("version of the catalogue", str(evidence.version)))
    told = [(name, value) for name, value in told if value]
    rows = pa.table({"fact": [t[0] for t in told], "value": [t[1] for t in told]})
    return TableOf("identity", "What was scanned and how it was counted", rows, (), list(told))


def _words(value: Any, name: str = "") -> str:
    if value is None:
        return ""
    if name == "library_versions":
        return ", ".join(f"{k} {v}" for k, v in json.loads(value).items())
    if name == "committed_at":
        return str(value.isoformat(sep=" ", timespec="seconds"))
    if isinstance(value, list):
        return ", ".join(str(v) for v in value)
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _quality(evidence: Evidence) -> TableOf:
    lines = describe_quality(evidence.scan, evidence.phases)
    flat = [
        {"about": line.name, "quantity": key, "value": None if value is None else float(value),
         "words": line.words, "warning": line.warning}
        for line in lines for key, value in (line.values or {"": None}).items()
    ]  # fmt: skip
    schema = pa.schema([
        ("about", pa.string()), ("quantity", pa.string()), ("value", pa.float64()),
        ("words", pa.string()), ("warning", pa.string()),
    ])  # fmt: skip
    shown = [
        (line.name, line.words.replace(" um", " µm"))
        for line in lines
        if not line.name.startswith("contrast")
    ]
    return TableOf("quality", "How far it can be trusted", pa.Table.from_pylist(flat, schema),
                   (), shown)  # fmt: skip


def _contrast(evidence: Evidence) -> TableOf:
    pairs = list_contrasts(evidence.scan, evidence.phases)
    rows = pa.table({
        "dark": pa.array([p.dark for p in pairs], pa.string()),
        "bright": pa.array([p.bright for p in pairs], pa.string()),
        "cnr_before": pa.array([p.before for p in pairs], pa.float64()),
        "cnr_after": pa.array([p.after for p in pairs], pa.float64()),
    })  # fmt: skip
    shown = [
        (p.dark, p.bright, write_number(p.before) or "not known", write_number(p.after) or "-")
        for p in pairs
    ]
    heads = ("darker", "brighter", "before filtering", "after filtering")
    return TableOf("contrast", "Contrast of pairs of phases, times the noise", rows, heads, shown)


def _phases(evidence: Evidence) -> TableOf:
    table = pa.Table.from_pylist([
        {k: v for k, v in row.items() if k not in ("scan_id", "job")} for row in evidence.phases
    ])  # fmt: skip
    shown = []
    for row in evidence.phases:
        now, low, high = (row[f"volume_fraction{end}"] for end in ("", "_lowered", "_raised"))
        shown.append((
            row["phase"],
            "" if now is None else f"{100 * now:.4g} %",
            "" if None in (low, high)
            else f"{100 * min(low, high):.4g} to {100 * max(low, high):.4g} %",
            *((f"{row.get(n) or 0:,}" for n in ("n_particles", "n_under_resolved",
                                                "n_touching_border", "n_touching_mask"))
              if row["kind"] == "particles" else ("", "", "", "")),
            write_number(row["largest_volume_um3"], "um3"),
        ))  # fmt: skip
    heads = ("phase", "volume fraction", "thresholds moved by the noise", "bodies",
             "under-resolved", "cut by the border", "by the mask", "largest")  # fmt: skip
    return TableOf("phases", "Phases", table, heads, shown)


def _headlines(evidence: Evidence) -> TableOf:
    rows = pick_headlines(evidence.statistics, evidence.counted)
    names = [c.name for c in STATISTICS.columns if c.name not in ("scan_id", "job")]
    schema = pa.schema([STATISTICS.schema.field(name) for name in names])
    kept = pa.Table.from_pylist([{n: row[n] for n in names} for row in rows], schema)
    shown = []
    for row in rows:
        ends = row["low"], row["high"]
        shown.append((
            row["phase"], row["words"], write_number(row["value"], row["unit"]) or "none",
            "" if ends == (None, None) else " to ".join(write_number(e) or "?" for e in ends),
            row["note"],
        ))  # fmt: skip
    heads = ("phase", "number", "value", "95 % interval", "mind")
    return TableOf("headlines", "Main numbers with their intervals", kept, heads, shown)
