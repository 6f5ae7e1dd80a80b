"""``castcensus compare``."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import pyarrow as pa
import pyarrow.compute as pc
import typer

from flows.cli import options
from flows.cli.answers import write_answer
from flows.cli.console import say
from flows.cli.tables import print_table
from flows.jobs.comparison import (
    REASONS_HELP,
    SHOWN_MEASURES,
    GroupAnswer,
    GroupWish,
    compare_scans,
    surprise,
)
from flows.settings import load_place, load_settings
from pipeline.analysis.measures import tabulate_units
from pipeline.errors import UsageError
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.query import export_table

MOST_ROWS = 40
"""Rows of the table for people; the other formats hold all."""

CAUTION = (
    "Specimens are the sampling units, not particles. Few specimens show large differences only; "
    "p-values are of chance alone, and q-values are corrected for all tests."
)


def compare(
    by: Annotated[
        str,
        typer.Option(help="Column of scans that names the groups.", show_default=False),
    ],
    where: options.Where = "",
    phase: options.OnePhase = "",
    paired_by: Annotated[
        str,
        typer.Option(
            metavar="COLUMN",
            help="Column whose equal values make pairs over two groups [default: specimens that "
            "were scanned in both].",
            show_default=False,
        ),
    ] = "",
    reference: Annotated[
        str,
        typer.Option(
            metavar="GROUP",
            help="Compare the others with this one [default: all pairs].",
            show_default=False,
        ),
    ] = "",
    despite: Annotated[
        str,
        typer.Option(
            metavar="REASONS",
            help=REASONS_HELP,
            show_default=False,
        ),
    ] = "",
    change_percent: Annotated[
        float, typer.Option(min=0.1, max=1000, help="Change that n_needed is asked for.")
    ] = 10.0,
    with_border: options.WithBorder = False,
    as_of: options.Version = None,
    format_: options.RowFormat = "table",
    output: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Folder for tables (CSV, Parquet), the answer (JSON) and figures (PNG, SVG).",
            show_default=False,
        ),
    ] = None,
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Compare groups of scans: values, differences, effects, p-values, specimens needed.

    Example:  castcensus compare --by temper --where "alloy = 'CC-319R' AND tube_kv = 60"
    """
    settings, place = load_settings(workspace, reading=True), load_place(workspace)
    wish = GroupWish(
        by=by,
        where=where,
        phase=phase,
        paired_by=paired_by,
        reference=reference,
        despite=tuple(word.strip() for word in despite.split(",") if word.strip()),
        with_border=with_border,
        change_percent=change_percent,
    )
    answer = compare_scans(Catalogue(place / "catalogue"), wish, as_of, settings.query.timeout_s)
    rows = answer.comparison.rows
    if output is not None:
        write_files(answer, wish, output)
    if json_:
        print(json.dumps(as_json(answer, wish), indent=2))
    elif format_ == "table":
        show(answer, wish)
    elif format_ == "parquet" and sys.stdout.isatty():
        raise UsageError("Parquet is not for a terminal.", "Name a folder with --output.")
    else:
        export_table(rows, format_, sys.stdout.buffer)
    for caution in answer.comparison.cautions:
        say(caution)
    say(CAUTION)


def as_json(answer: GroupAnswer, wish: GroupWish) -> dict[str, Any]:
    """Return the whole answer as plain values."""
    design = answer.design
    return {
        "by": wish.by,
        "where": wish.where,
        "phase": wish.phase,
        "paired_by": wish.paired_by,
        "reference": wish.reference,
        "change_percent": wish.change_percent,
        "with_border": wish.with_border,
        "catalogue_version": answer.catalogue_version,
        "groups": [
            {
                "group": group,
                "specimens": [u.specimen for u in design.units if u.group == group],
                "scans": [s for u in design.units if u.group == group for s in u.scan_ids],
            }
            for group in design.groups
        ],
        "despite": list(design.despite),
        "cautions": [*answer.comparison.cautions, CAUTION],
        "rows": answer.comparison.rows.to_pylist(),
    }


def write_files(answer: GroupAnswer, wish: GroupWish, folder: Path) -> None:
    """Write tables, the answer and figures into a folder."""
    from flows.jobs.statfigures import draw_groups

    folder.mkdir(parents=True, exist_ok=True)
    units = tabulate_units(answer.design, answer.measured)
    for name, table in (("comparison", answer.comparison.rows), ("specimens", units)):
        for fmt in ("csv", "parquet"):
            write_answer(table, fmt, folder / f"{name}.{fmt}")
    text = json.dumps(as_json(answer, wish), indent=2, ensure_ascii=False)
    (folder / "comparison.json").write_text(text + "\n", "utf-8")
    for path in (folder / "comparison.json", *draw_groups(answer, folder)):
        say(f"wrote {path}")


def show(answer: GroupAnswer, wish: GroupWish) -> None:
    """Print the groups, then the rows that chance explains least."""
    design = answer.design
    heads = [wish.by, "specimens", "scans"]
    print_table(
        heads,
        [
            [g, len(own), sum(len(u.scan_ids) for u in own)]
            for g in design.groups
            for own in [[u for u in design.units if u.group == g]]
        ],
    )
    print()
    rows = answer.comparison.rows
    if "paired" in rows["design"].to_pylist():
        say("Paired: specimens that both groups have are compared with themselves.")
    rows = rows.filter(pc.is_in(rows["measure"], pa.array(SHOWN_MEASURES)))
    ordered = sorted(rows.to_pylist(), key=surprise)
    shown = [_line(row) for row in ordered[:MOST_ROWS]]
    notes = {str(line[-1]) for line in shown}
    columns = ["a", "b", "phase", "quantity", "of", "value a", "value b", "b / a", "95 %",
               "g", "p", "q", "needed", "note"]  # fmt: skip
    if len(notes) == 1:
        columns, shown = columns[:-1], [line[:-1] for line in shown]
    print_table(columns, shown)
    if len(notes) == 1 and any(notes):
        say(f"All rows: {notes.pop()}.")
    if len(ordered) > MOST_ROWS or answer.comparison.rows.num_rows > len(ordered):
        say(
            f"{min(MOST_ROWS, len(ordered))} of {answer.comparison.rows.num_rows} rows, least p "
            "first; --format csv, json and parquet hold all."
        )


def _line(row: dict[str, Any]) -> list[object]:
    ends = [row["ratio_low"], row["ratio_high"]]
    known = None not in ends
    measure = row["measure"]
    return [
        row["group_a"],
        row["group_b"],
        row["phase"],
        " ".join(filter(None, [row["quantity"], row["reference"]])),
        "scan" if measure == "value" else measure,
        _short(row["value_a"]),
        _short(row["value_b"]),
        _short(row["ratio"]),
        " to ".join(f"{end:.3g}" for end in ends) if known else "",
        _short(row["hedges_g"]),
        _short(row["p_value"]),
        _short(row["q_value"]),
        row["n_needed"],
        row["note"],
    ]


def _short(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.3g}")
