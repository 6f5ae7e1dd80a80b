"""What a counted scan is like, in a terminal: quality, phases, main numbers, what to mind."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from flows.cli.console import say
from flows.cli.tables import print_table
from pipeline.analysis.headlines import list_warnings, pick_headlines
from pipeline.analysis.quality import describe_quality, list_contrasts, summarise_quality
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.places import Place

KEPT = (
    "phase", "kind", "volume_fraction", "volume_fraction_lowered", "volume_fraction_raised",
    "n_particles", "n_small_bodies", "n_under_resolved", "n_touching_border", "pure_grey",
    "largest_volume_um3",
)  # fmt: skip
"""Columns of `phases` that JSON holds."""

NUMBERS = ("phase", "quantity", "reference", "at", "value", "low", "high", "unit", "n", "note")
"""Columns of `statistics` that JSON holds."""


@dataclass(frozen=True, slots=True)
class ScanRows:
    """Rows of one scan of one version of the catalogue.

    Parameters
    ----------
    version : int
        The version.
    scan : dict
        Row of `scans`.
    phases, statistics : list of dict
        Rows of these tables.
    """

    version: int
    scan: dict[str, Any]
    phases: list[dict[str, Any]]
    statistics: list[dict[str, Any]]

    @property
    def counted(self) -> list[str]:
        """Phases whose bodies are counted."""
        return [row["phase"] for row in self.phases if row["kind"] == "particles"]

    @property
    def warnings(self) -> list[str]:
        """What to mind."""
        return list_warnings(self.scan, self.phases, self.statistics)


def read_scan(workspace: Place, scan_id: str) -> ScanRows | None:
    """Return the rows of a scan; None where the catalogue has none."""
    catalogue = Catalogue(workspace / "catalogue")
    version = catalogue.version()
    if version < 0 or not catalogue.has(scan_id, version):
        return None
    scan, phases, statistics = (
        catalogue.read(name, scan_id, version=version).to_pylist()
        for name in ("scans", "phases", "statistics")
    )
    return ScanRows(version, scan[0], phases, statistics)


def scan_json(rows: ScanRows) -> dict[str, Any]:
    """Return a scan as `castcensus show SCAN --json` prints it under ``census``."""
    scan = rows.scan
    facts = ("scan_id", "job", "specimen", "condition", "alloy", "temper", "recipe_hash")
    return {
        **{name: scan[name] for name in facts},
        "catalogue_version": rows.version,
        "quality": [asdict(line) for line in describe_quality(scan, rows.phases)],
        "contrasts": [asdict(pair) for pair in list_contrasts(scan, rows.phases)],
        "phases": [{name: row[name] for name in KEPT} for row in rows.phases],
        "statistics": [
            {name: row[name] for name in NUMBERS}
            for row in pick_headlines(rows.statistics, rows.counted)
        ],
        "warnings": rows.warnings,
    }


def show_scan(rows: ScanRows) -> None:
    """Print a scan for people."""
    scan = rows.scan
    told = [scan[name] for name in ("specimen", "alloy", "temper", "condition") if scan[name]]
    print(f"scan {scan['scan_id']}: {', '.join(dict.fromkeys(told)) or 'no facts stated'}")
    print()
    print_table(
        ["quality", ""],
        [[line.name, line.words] for line in describe_quality(scan, rows.phases)],
        ["quality"],
    )
    print()
    for phase in rows.counted:
        chosen = pick_headlines(rows.statistics, [phase])
        print_table(
            [phase, "value", "low", "high", "unit"],
            [
                [row["words"], *(_short(row[end]) for end in ("value", "low", "high")),
                 "" if row["unit"] == "1" else row["unit"]]
                for row in chosen
            ],
            [phase],
        )  # fmt: skip
        print()
    for warning in rows.warnings:
        print(f"Mind: {warning}.")
    if rows.warnings:
        print()


def tell_quality(workspace: Place, scan_id: str, job: str) -> None:
    """Say how good a scan is that a job has just entered, and what to mind."""
    rows = read_scan(workspace, scan_id)
    if rows is None or rows.scan["job"] != job:
        return
    say(summarise_quality(rows.scan, rows.phases))
    for line in describe_quality(rows.scan, rows.phases):
        if line.warning:
            say(f"Mind: {line.warning}.")
    say(f"More: castcensus show {scan_id}; pictures: castcensus report {scan_id}")


def _short(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.4g}")
