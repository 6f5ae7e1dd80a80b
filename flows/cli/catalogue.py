"""``castcensus scans | statistics | query | fingerprint | dictionary``."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Literal

import pyarrow as pa
import pyarrow.compute as pc
import typer

from flows.cli import options
from flows.cli.answers import file_format, write_answer
from flows.cli.console import say
from flows.cli.tables import print_table
from flows.settings import load_place, load_settings
from pipeline.errors import UsageError
from pipeline.model.records import write_dictionary
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.query import export_table, run_query

MOST_ROWS = 1000
"""Rows of a table for people; other formats hold all."""

BRIEF = ["scan_id", "specimen", "condition", "alloy", "temper", "committed_at"]


def scans(
    as_of: options.Version = None,
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """List the scans of the catalogue; --json holds every column.

    Example:  castcensus scans
    """
    catalogue = Catalogue(load_place(workspace) / "catalogue")
    if json_:
        export_table(catalogue.read("scans", version=as_of), "json", sys.stdout.buffer)
    else:
        _show_table(catalogue.read("scans", columns=BRIEF, version=as_of))


def statistics(
    scan: Annotated[str, typer.Argument(help="Identifier of the scan.", show_default=False)],
    format_: Annotated[
        Literal["table", "csv", "json", "parquet"], typer.Option("--format", help="Of the answer.")
    ] = "table",
    output: Annotated[
        Path | None,
        typer.Option(help="File for the answer [default: standard output].", show_default=False),
    ] = None,
    phase: Annotated[
        str | None, typer.Option(help="Of this phase alone.", show_default=False)
    ] = None,
    as_of: options.Version = None,
    workspace: options.Workspace = None,
) -> None:
    """Show the numbers of a whole scan, with their intervals and what to mind.

    Curves and rankings (rows with an abscissa) are left out of the table; files hold them all.

    Example:  castcensus statistics A319-07-F --format csv --output A319-07-F.csv
    """
    catalogue = Catalogue(load_place(workspace) / "catalogue")
    found = catalogue.read("statistics", scan, version=as_of).drop_columns(["scan_id", "job"])
    if phase is not None:
        names = pc.unique(found["phase"]).to_pylist()
        if phase not in names:
            raise UsageError(
                f"scan {scan} has no numbers of a phase {phase!r}.",
                f"There are {', '.join(sorted(names))}.",
            )
        found = found.filter(pc.equal(found["phase"], phase))
    if output is not None:
        write_answer(found, file_format(output) if format_ == "table" else format_, output)
    elif format_ == "table":
        shown = found.filter(pc.is_null(found["at"])).drop_columns(["at", "method", "n"])
        print_table(shown.column_names, [list(r.values()) for r in shown.to_pylist()], ["phase"])
    else:
        export_table(found, format_, sys.stdout.buffer)


def query(
    sql: Annotated[str, typer.Argument(help="One SELECT over scans, phases, particles.")],
    format_: Annotated[
        Literal["table", "csv", "json", "parquet"], typer.Option("--format", help="Of the answer.")
    ] = "table",
    output: Annotated[
        Path | None,
        typer.Option(
            help="File for the answer; its suffix says the format unless --format does "
            "[default: standard output].",
            show_default=False,
        ),
    ] = None,
    as_of: options.Version = None,
    timeout: Annotated[float | None, typer.Option(min=1.0, help="Seconds it may take.")] = None,
    workspace: options.Workspace = None,
) -> None:
    """Answer one read-only SELECT over the catalogue.

    Example:  castcensus query "SELECT scan_id, phase, n_particles FROM phases" --format csv
    """
    settings = load_settings(workspace, reading=True)
    answer = run_query(
        Catalogue(load_place(workspace) / "catalogue"),
        sql,
        version=as_of,
        timeout_s=timeout or settings.query.timeout_s,
        memory_limit=settings.query.memory_limit,
    )
    if output is not None:
        write_answer(answer, file_format(output) if format_ == "table" else format_, output)
    elif format_ == "table":
        _show_table(answer)
    elif format_ == "parquet" and sys.stdout.isatty():
        raise UsageError("Parquet is not for a terminal.", "Name a file with --output.")
    else:
        export_table(answer, format_, sys.stdout.buffer)


def fingerprint(
    scan: Annotated[str, typer.Argument(help="Identifier of the scan.", show_default=False)],
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Print one hash over the rows and labels of a scan: the same for every way to count it.

    Example:  castcensus fingerprint A319-07-F
    """
    digest = fingerprint_scan(load_place(workspace), scan)
    print(json.dumps({"scan": scan, "fingerprint": digest}) if json_ else digest)


def dictionary() -> None:
    """Print what each column of the catalogue means, as Markdown.

    Example:  castcensus dictionary > columns.md
    """
    print(write_dictionary())


def _show_table(answer: pa.Table) -> None:
    rows = answer.slice(0, MOST_ROWS).to_pylist()
    print_table(answer.column_names, [list(row.values()) for row in rows], ["scan_id"])
    if answer.num_rows > MOST_ROWS:
        say(f"{MOST_ROWS} of {answer.num_rows} rows; --format csv, json and parquet hold all.")
