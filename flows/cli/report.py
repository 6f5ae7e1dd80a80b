"""``castcensus report``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from flows.cli import options
from flows.cli.console import say
from flows.settings import load_place
from pipeline.errors import UsageError
from pipeline.report.scan.closeups import N_BODIES
from pipeline.report.scan.dossier import FORMATS, write_report


def report(
    scan: Annotated[str, typer.Argument(help="A scan of the catalogue.", show_default=False)],
    output: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Folder for the files [default: reports/SCAN in the workspace].",
            show_default=False,
        ),
    ] = None,
    format_: Annotated[
        list[str] | None,
        typer.Option(
            "--format",
            help=f"One of {', '.join(FORMATS)}; repeatable [default: all].",
            show_default=False,
        ),
    ] = None,
    bodies: Annotated[
        int, typer.Option(min=1, max=20, help="How many of the largest bodies of a phase to show.")
    ] = N_BODIES,
    as_of: options.Version = None,
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Write the report of a scan: pictures, quality, numbers and where they come from.

    One HTML page that needs nothing else, and beside it its figures as PNG and SVG, its tables as
    CSV and Parquet, and the numbers of all figures as JSON.

    Example:  castcensus report A319-07-F --output for-the-customer
    """
    formats = tuple(dict.fromkeys(format_ or FORMATS))
    for name in formats:
        if name not in FORMATS:
            raise UsageError(
                f"--format {name!r} does not exist.", f"There are {', '.join(FORMATS)}."
            )
    paths = write_report(
        load_place(workspace), scan, output, formats, n_bodies=bodies, version=as_of
    )
    if json_:
        print(json.dumps({"scan": scan, "files": [str(path) for path in paths]}, indent=2))
        return
    print(paths[0])
    if len(paths) > 1:
        say(f"and {len(paths) - 1} files beside it")
