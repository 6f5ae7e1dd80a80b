"""``castcensus check``."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Annotated

import typer

from flows.cli import options
from flows.cli.console import say
from flows.cli.driving import drive, show_result
from flows.cli.tables import print_table
from flows.jobs.status import find_job, read_request
from flows.jobs.submission import Wishes, create_job
from flows.settings import load_place, load_settings
from pipeline.errors import DamageError
from pipeline.model.plan import MIB
from pipeline.stores.integrity import inspect_scan
from pipeline.stores.places import ObjectFolder, need_disk


def check(
    scan: Annotated[str, typer.Argument(help="Identifier of the scan.", show_default=False)],
    repair: Annotated[
        bool, typer.Option("--repair", help="Count a damaged scan again from its source.")
    ] = False,
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Read every checksum of a scan and hold its labels against its rows; name each damage.

    Example:  castcensus check A319-07-F
    """
    place = load_settings(workspace).workspace if repair else load_place(workspace)
    found = inspect_scan(place, scan, say)
    if json_:
        print(json.dumps(asdict(found), indent=2))
    else:
        print_table(
            ["scan", "shards", "MiB", "rows", "damages"],
            [[scan, found.n_shards, found.n_bytes / MIB, found.n_rows, len(found.damages)]],
            ["scan"],
        )
    if not found.damages:
        return
    if not repair:
        again = f"Count it again from its source with: castcensus check {scan} --repair"
        if isinstance(place, ObjectFolder):
            again = f"Remove these objects, and send them again with: castcensus copy {place}"
        raise DamageError(f"scan {scan} has {len(found.damages)} damages.", again)
    place = need_disk(place)
    old = find_job(place, found.job)
    request = read_request(old)
    wishes = Wishes(replace=True, anew=True)
    folder = create_job(old.read_plan(), place, request.cluster, wishes)
    say(f"job {folder.name}")
    show_result(drive(folder), as_json=False, workspace=folder.workspace)
