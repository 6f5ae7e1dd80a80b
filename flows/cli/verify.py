"""``castcensus verify``."""

from __future__ import annotations

import json
import sys
import tempfile
import time
from dataclasses import asdict
from pathlib import Path

import typer
from rich.console import Console
from rich.table import Table

from flows.cli import options
from flows.cli.console import say
from flows.settings import code_version
from pipeline.verify.findings import Finding
from pipeline.verify.suite import verify as verify_installation

WIDTH = 120
"""Columns of the table where no terminal says how many there are."""


def verify(json_: options.AsJson = False) -> None:
    """Hold this installation against general libraries: labels and every descriptor.

    Small volumes go through the real stages in tiles; scikit-image, SciPy, connected-components-3d
    and NumPy compute the same numbers from whole volumes.  Exit status 1 if one is out of
    tolerance.

    Example:  castcensus verify --json > verified.json
    """
    started = time.perf_counter()
    with (
        tempfile.TemporaryDirectory(prefix="castcensus-verify-") as folder,
        Console(stderr=True).status("verify") as status,
    ):
        findings = verify_installation(Path(folder), status.update)
    seconds = time.perf_counter() - started
    failed = [finding for finding in findings if not finding.passed]
    if json_:
        rows = [asdict(finding) | {"passed": finding.passed} for finding in findings]
        for row in rows:
            # JSON knows no NaN: what could not be compared has no difference.
            row["difference"] = (
                row["difference"] if row["difference"] == row["difference"] else None
            )
        facts = {
            "castcensus": code_version(),
            "passed": not failed,
            "seconds": round(seconds, 1),
            "findings": rows,
        }
        print(json.dumps(facts, indent=2))
    else:
        Console(width=None if sys.stdout.isatty() else WIDTH).print(tabulate_findings(findings))
    verdict = f"{len(findings) - len(failed)} of {len(findings)} quantities are within tolerance"
    say(f"{verdict}, {seconds:.0f} s.")
    if failed:
        say("Out of tolerance: " + "; ".join(finding.quantity for finding in failed))
        raise typer.Exit(1)


def tabulate_findings(findings: list[Finding]) -> Table:
    """Return findings as a table for a terminal."""
    table = Table(box=None, pad_edge=False)
    table.add_column("quantity", overflow="fold")
    table.add_column("reference", overflow="fold")
    for name in ("compared", "largest\ndifference", "tolerance"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("unit")
    table.add_column("verdict", no_wrap=True)
    for finding in findings:
        table.add_row(
            finding.quantity,
            finding.reference,
            f"{finding.n_compared:,} {finding.items}",
            f"{finding.difference:.2g}",
            f"{finding.tolerance:.2g}",
            finding.unit,
            "[green]ok[/]" if finding.passed else "[bold red]OUT[/]",
        )
    return table
