"""``castcensus match``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import pyarrow as pa
import pyarrow.compute as pc
import typer

from flows.cli import options
from flows.cli.console import say
from flows.cli.driving import drive
from flows.cli.tables import print_table
from flows.jobs.match import MatchWish, create_match_job, plan_match
from flows.settings import find_cluster, load_settings
from pipeline.analysis.fates import FATES, summarise_fates, tell_summary
from pipeline.analysis.registration import LIMIT_VX
from pipeline.model.match import CHANGE_SHARE, TOLERANCE_VX, MatchTask
from pipeline.model.plan import MIB
from pipeline.report.fates import write_fate_pictures
from pipeline.stores.catalogue import Catalogue


def match(
    before: Annotated[str, typer.Argument(help="The earlier scan.", show_default=False)],
    after: Annotated[
        str, typer.Argument(help="A later scan of the same specimen.", show_default=False)
    ],
    tolerance_vx: Annotated[
        float, typer.Option("--tolerance-vx", help="How near a voxel counts as in a particle.")
    ] = TOLERANCE_VX,
    change: Annotated[
        float, typer.Option(help="Change of volume from which a body is shrunk or grown.")
    ] = CHANGE_SHARE,
    limit_vx: Annotated[
        float, typer.Option("--limit-vx", help="Largest error of the registration taken.")
    ] = LIMIT_VX,
    pictures: Annotated[
        bool, typer.Option("--pictures", help="Draw a slice before and after, and the volumes.")
    ] = False,
    cluster: options.ClusterName = None,
    workers: options.Workers = None,
    memory_limit: options.MemoryLimit = None,
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Say what became of each particle between two scans of one specimen.

    Both scans are laid on each other first, from any turn about the specimen's axis (z), also
    upside down; without certainty this is refused.  Rows go to the table fates; castcensus query
    writes them as CSV or Parquet.

    Example:  castcensus match A319-07-F A319-07-T6
    """
    settings = load_settings(workspace)
    wish = MatchWish(tolerance_vx, change, limit_vx)
    config = find_cluster(cluster or settings.cluster).adjusted(workers, memory_limit)
    plan = plan_match(settings.workspace, before, after, wish, say)
    assert plan.match is not None
    say(tell_registration(plan.match))
    folder = create_match_job(plan, settings.workspace, config)
    say(f"job {folder.name}")
    result = drive(folder)
    rows = read_fates(settings.workspace, before, after)
    summaries = summarise_fates(rows)
    places = (
        write_fate_pictures(settings.workspace, plan.match, rows, summaries) if pictures else []
    )
    if json_:
        found = {
            "job": result.job,
            "before": before,
            "after": after,
            "state": result.state,
            "seconds": result.seconds,
            "catalogue_version": result.catalogue_version,
            "peak_worker_bytes": result.peak_worker_bytes,
            "planned_worker_bytes": result.planned_worker_bytes,
            "registration": describe_registration(plan.match),
            "phases": summaries,
            "pictures": [str(path) for path in places],
        }
        print(json.dumps(found, indent=2))
        return
    for summary in summaries:
        print(tell_summary(summary))
    shown = [f for f in FATES if any(s["n_by_fate"][f] for s in summaries)]
    print_table(
        ["phase", *shown], [[s["phase"], *(s["n_by_fate"][f] for f in shown)] for s in summaries]
    )
    for path in places:
        say(f"wrote {path}")
    say(
        f"{rows.num_rows} rows in table fates, version {result.catalogue_version} of the "
        f"catalogue; {result.seconds:.1f} s, {result.peak_worker_bytes / MIB:,.0f} MiB a worker "
        f"({result.planned_worker_bytes / MIB:,.0f} planned)."
    )


def read_fates(workspace: Path, before: str, after: str) -> pa.Table:
    """Return the rows of a pair of scans."""
    table = Catalogue(workspace / "catalogue").read("fates", before)
    return table.filter(pc.field("scan_after") == after)


def describe_registration(task: MatchTask) -> dict[str, Any]:
    """Return how the scans lie on each other, for JSON."""
    longest = max(*task.before.voxel_um, *task.after.voxel_um)
    return {
        "rotation": task.move.rotation,
        "shift_um": task.move.shift_um,
        "scale": task.move.scale,
        "angle_deg": task.move.angle_deg,
        "error_um": task.error_um,
        "error_vx": task.error_um / longest,
        "n_boxes": task.n_boxes,
        "n_agreeing": task.n_agreeing,
        "score": task.score,
        "overlap": task.overlap,
    }


def tell_registration(task: MatchTask) -> str:
    """Return how the scans lie on each other, as a sentence."""
    found = describe_registration(task)
    down = "upside down, " if task.move.rotation[0][0] < 0 else ""
    return (
        f"{task.after.scan_id} lies {down}turned by {found['angle_deg']:.1f} degrees in all, "
        f"scale {found['scale']:.4f}, {100 * found['overlap']:.0f} % in common; "
        f"{found['n_agreeing']} of {found['n_boxes']} boxes agree, standard error "
        f"{found['error_vx']:.2f} voxels."
    )
