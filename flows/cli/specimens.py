"""``castcensus specimens | correlate | fracture``: mechanical results and what goes with them."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any, Literal

import pyarrow as pa
import typer

from flows.cli import options
from flows.cli.answers import file_format, write_answer
from flows.cli.console import say
from flows.cli.tables import print_table
from flows.jobs.comparison import REASONS_HELP
from flows.jobs.mechanical import (
    CorrelationAnswer,
    CorrelationWish,
    correlate_scans,
    find_origin,
    import_results,
)
from flows.settings import load_place, load_settings
from pipeline.errors import UsageError
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.query import export_table
from pipeline.stores.specimens import SpecimenTable

MOST_ROWS = 30
"""Correlations in the table for people; other formats hold all."""


def specimens(
    action: Annotated[
        Literal["import", "list", "export"], typer.Argument(help="What to do.", show_default=False)
    ],
    file: Annotated[
        Path | None,
        typer.Argument(help="CSV to import; CSV, JSON or Parquet to export.", show_default=False),
    ] = None,
    skip_rejected: Annotated[
        bool, typer.Option("--skip-rejected", help="Import the rows that fit; others are named.")
    ] = False,
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Keep results of mechanical tests, a row a specimen.

    Columns: specimen, strength_mpa, yield_mpa, elongation_percent, stress_amplitude_mpa,
    cycles_to_failure, hardness_hv, hardness_hbw, remark, and a fracture origin as fracture_scan,
    fracture_z_um, fracture_y_um, fracture_x_um.  A row replaces the one that its specimen has,
    and what is lost so is named.
    One row that does not fit keeps all out, unless --skip-rejected.

    Example:  castcensus specimens import tensile.csv
    """
    catalogue = Catalogue(load_place(workspace) / "catalogue")
    if action == "import":
        if file is None:
            raise UsageError("specimens import wants a file.", "Name a CSV file.")
        _import(catalogue, file, skip_rejected, json_)
        return
    rows = SpecimenTable(catalogue.root).read()
    if action == "export":
        if file is None:
            raise UsageError("specimens export wants a file.", "Name one: .csv, .json or .parquet.")
        write_answer(rows.drop_columns(["imported_at"]), file_format(file), file)
    elif file is not None:
        raise UsageError("specimens list takes no file.", "Use: specimens export FILE.")
    elif json_:
        export_table(rows, "json", sys.stdout.buffer)
    else:
        filled = [c for c in rows.column_names if rows[c].null_count < max(rows.num_rows, 1)]
        print_table(filled, [list(r.values()) for r in rows.select(filled).to_pylist()])


def _import(catalogue: Catalogue, file: Path, skip_rejected: bool, as_json: bool) -> None:
    done = import_results(catalogue, file, skip_rejected)
    for row in done.rejected:
        say(f"line {row.line} left out: {row.reason}.")
    for caution in done.cautions:
        say(caution)
    if as_json:
        facts = {
            "n_new": done.n_new,
            "n_replaced": done.n_replaced,
            "specimens_version": done.version,
            "rejected": [
                {"line": r.line, "specimen": r.specimen, "reason": r.reason} for r in done.rejected
            ],
            "cautions": list(done.cautions),
        }
        print(json.dumps(facts, indent=2))
    else:
        say(f"{done.n_new} specimens entered, {done.n_replaced} replaced.")


def correlate(
    with_: Annotated[
        str, typer.Option("--with", metavar="PROPERTY", help="Column of specimens.")
    ] = "elongation_percent",
    where: options.Where = "",
    phase: options.OnePhase = "",
    despite: Annotated[
        str, typer.Option(metavar="REASONS", help=REASONS_HELP, show_default=False)
    ] = "",
    with_border: options.WithBorder = False,
    as_of: options.Version = None,
    format_: options.RowFormat = "table",
    output: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Folder for tables (CSV, Parquet) and figures (PNG, SVG).",
            show_default=False,
        ),
    ] = None,
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Say which descriptor goes with a mechanical property, over specimens, and what to mind.

    Example:  castcensus correlate --with elongation_percent --where "temper = 'T6'"
    """
    settings, place = load_settings(workspace, reading=True), load_place(workspace)
    words = tuple(word.strip() for word in despite.split(",") if word.strip())
    wish = CorrelationWish(with_, where, phase, words, with_border)
    answer = correlate_scans(Catalogue(place / "catalogue"), wish, as_of, settings.query.timeout_s)
    if output is not None:
        _write_correlations(answer, output)
    if json_:
        facts = {
            "property": with_,
            "where": where,
            "specimens": [u.specimen for u in answer.design.units],
            "despite": list(answer.design.despite),
            "catalogue_version": answer.catalogue_version,
            "specimens_version": answer.specimens_version,
            "cautions": _as_rows(answer.cautions),
            "rows": answer.rows.to_pylist(),
        }
        print(json.dumps(facts, indent=2))
    elif format_ == "table":
        _show_correlations(answer)
    else:
        _refuse_terminal(format_)
        export_table(answer.rows, format_, sys.stdout.buffer)


def fracture(
    specimen: Annotated[str, typer.Argument(help="A specimen with a known fracture origin.")],
    radius_um: Annotated[
        float, typer.Option(min=0.0, help="How far particles may lie from the origin.")
    ],
    as_of: options.Version = None,
    format_: options.RowFormat = "table",
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Say which particles lie at a fracture origin, and how they rank among all of their phase.

    Example:  castcensus fracture A319-07 --radius-um 50
    """
    catalogue = Catalogue(load_place(workspace) / "catalogue")
    answer = find_origin(catalogue, specimen, radius_um, as_of)
    if json_:
        facts = {
            "specimen": answer.specimen,
            "scan": answer.scan_id,
            "origin_um": list(answer.origin_um),
            "radius_um": radius_um,
            "cautions": _as_rows(answer.cautions),
            "rows": answer.rows.to_pylist(),
        }
        print(json.dumps(facts, indent=2))
    elif format_ == "table":
        shown = answer.rows.drop_columns([f"centroid_{a}_um" for a in "zyx"])
        print_table(shown.column_names, [list(r.values()) for r in shown.to_pylist()])
        if not shown.num_rows:
            say(f"No particle lies within {radius_um:g} um of the origin in {answer.scan_id}.")
        _show_cautions(answer.cautions)
    else:
        _refuse_terminal(format_)
        export_table(answer.rows, format_, sys.stdout.buffer)


def _show_correlations(answer: CorrelationAnswer) -> None:
    ordered = sorted(answer.rows.to_pylist(), key=_clearness)
    columns = ["phase", "quantity", "of", "n", "rho", "95 %", "p", "q", "note"]
    print_table(columns, [_line(row) for row in ordered[:MOST_ROWS]])
    if len(ordered) > MOST_ROWS:
        say(f"{MOST_ROWS} of {len(ordered)} rows, least p first; --format csv holds all.")
    _show_cautions(answer.cautions)


def _clearness(row: dict[str, Any]) -> tuple[float, float, str, str, str]:
    p = 2.0 if row["p_value"] is None else row["p_value"]
    return p, -abs(row["rho"] or 0.0), row["phase"], row["quantity"], row["measure"]


def _line(row: dict[str, Any]) -> list[object]:
    ends = (row["rho_low"], row["rho_high"])
    short = [None if row[k] is None else float(f"{row[k]:.3g}") for k in
             ("rho", "p_value", "q_value")]  # fmt: skip
    name = " ".join(filter(None, [row["quantity"], row["reference"]]))
    measure = "scan" if row["measure"] == "value" else row["measure"]
    interval = "" if None in ends else f"{ends[0]:.2f} to {ends[1]:.2f}"
    return [row["phase"], name, measure, row["n"], short[0], interval, *short[1:], row["note"]]


def _show_cautions(cautions: tuple[tuple[str, str], ...]) -> None:
    for topic, text in cautions:
        say(f"{topic}: {text}")


def _as_rows(cautions: tuple[tuple[str, str], ...]) -> list[dict[str, str]]:
    return [{"topic": topic, "caution": text} for topic, text in cautions]


def _write_correlations(answer: CorrelationAnswer, folder: Path) -> None:
    from flows.jobs.statfigures import draw_mechanical

    folder.mkdir(parents=True, exist_ok=True)
    cautions = pa.Table.from_pylist(_as_rows(answer.cautions))
    for name, table in (("correlations", answer.rows), ("cautions", cautions)):
        for fmt in ("csv", "parquet"):
            write_answer(table, fmt, folder / f"{name}.{fmt}")
    for path in draw_mechanical(answer, folder):
        say(f"wrote {path}")


def _refuse_terminal(fmt: str) -> None:
    if fmt == "parquet" and sys.stdout.isatty():
        raise UsageError("Parquet is not for a terminal.", "Send it to a file.")
