"""``castcensus copy``."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from flows.cli import options
from flows.cli.console import say
from flows.cli.tables import print_table
from flows.jobs.transfer import copy_census
from flows.settings import load_place
from pipeline.model.plan import MIB
from pipeline.stores.places import open_place

TOLD_EVERY_S = 5.0


def copy(
    to: Annotated[
        str,
        typer.Argument(metavar="TO", help="A folder, or s3://bucket/prefix.", show_default=False),
    ],
    read_back: Annotated[
        bool,
        typer.Option(
            "--read-back/--no-read-back",
            help="Read every file again where it went; without, rely on the storage's own check.",
        ),
    ] = True,
    take_over: Annotated[
        bool, typer.Option("--take-over", help="Go on with a copy that was killed elsewhere.")
    ] = False,
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Copy the workspace to another folder or to object storage, or back from there.

    Catalogue with all versions, scans, reports and records of finished jobs; not what jobs need to
    go on.  Sent again, only what is new goes.  Commands that read take the copy as --workspace;
    the AWS_* variables of the environment name endpoint (AWS_ENDPOINT_URL) and credentials.

    Example:  castcensus copy s3://foundry/census --workspace census
    """
    began = told = time.monotonic()

    def tell(n_done: int, n_all: int, n_bytes: int) -> None:
        nonlocal told
        if time.monotonic() - told >= TOLD_EVERY_S:
            told = time.monotonic()
            say(f"{n_done} of {n_all} files, {n_bytes / MIB:.0f} MiB sent")

    target = open_place(to)
    done = copy_census(
        load_place(workspace),
        target.expanduser().absolute() if isinstance(target, Path) else target,
        read_back=read_back,
        take_over=take_over,
        tell=tell,
    )
    seconds = time.monotonic() - began
    for scan in done.elsewhere:
        say(f"The full resolution of scan {scan} was used in place: copy its source yourself.")
    if json_:
        print(json.dumps({**asdict(done), "seconds": round(seconds, 3)}, indent=2))
        return
    print_table(
        ["to", "scans", "files sent", "MiB sent", "there already", "catalogue version", "s"],
        [[done.target, len(done.scans), done.n_files, done.n_bytes / MIB, done.n_there,
          done.catalogue_version, seconds]],
        ["to"],
    )  # fmt: skip
