"""``castcensus stress``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import pyarrow.compute as pc
import typer

from flows.cli import options
from flows.cli.console import say
from flows.cli.driving import drive
from flows.cli.tables import print_table
from flows.jobs.stress import TOP, StressWish, create_stress_job, plan_stress
from flows.settings import find_cluster, load_settings
from pipeline.errors import UsageError
from pipeline.kernels.embedding import LIMIT_VOXELS
from pipeline.model.plan import MIB
from pipeline.model.stress import CAUTION
from pipeline.report.directions import draw_directions, draw_stressed
from pipeline.report.style import save_figure
from pipeline.stages.stress import field_file
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.job import JobFolder, read_arrays

SHOWN = {
    "particle": "particle_id",
    "state": "state",
    "screen": "screen_worst",
    "load axis": "load_factor",
    "worst": "worst_factor",
    "best": "best_factor",
    "matrix": "worst_matrix_factor",
    "sits at": "worst_place",
    "peaks": "n_peaks",
    "if coarser": "coarse_change",
    "low": "worst_factor_low",
    "high": "worst_factor_high",
}
"""Heads of the table for people, and the columns below them."""

IN_COMPANY = {"company": "company_worst_factor", "ratio": "company_worst_ratio"}


def stress(
    scan: Annotated[str, typer.Argument(help="A scan of the catalogue.", show_default=False)],
    top: Annotated[
        int, typer.Option(min=0, help="Particles that are solved: the worst by the screen.")
    ] = TOP,
    particle: Annotated[
        list[int] | None, typer.Option(help="Id of a particle to solve instead; repeatable.")
    ] = None,
    phase: Annotated[
        str | None, typer.Option(help="Phase of the particles [default: the stiffest].")
    ] = None,
    load_axis: Annotated[
        str | None,
        typer.Option(metavar="Z,Y,X", help="Direction of the load [default: the recipe's]."),
    ] = None,
    in_company: Annotated[
        bool, typer.Option("--in-company", help="Solve with pores and neighbours too.")
    ] = False,
    pictures: Annotated[
        bool,
        typer.Option(
            "--pictures", help="Draw the factor over all load directions, and stress on surfaces."
        ),
    ] = False,
    limit_voxels: Annotated[
        int, typer.Option(min=32**3, help="Most voxels of a particle's cell.")
    ] = LIMIT_VOXELS,
    set_: options.Overrides = None,
    cluster: options.ClusterName = None,
    workers: options.Workers = None,
    memory_limit: options.MemoryLimit = None,
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Say what stress the particles of a scan concentrate, for every load direction.

    Every particle is screened in closed form; the voxel solver takes the worst.  Rows go to the
    table stress.  Linear elastic factors: a ranking aid, no statement on fitness for service.

    Example:  castcensus stress A319-07-F --top 50 --load-axis 0,0,1 --in-company
    """
    settings = load_settings(workspace)
    wish = StressWish(
        phase=phase,
        top=top,
        particles=tuple(dict.fromkeys(particle or ())),
        load_axis=read_axis(load_axis),
        in_company=in_company,
        overrides=tuple(set_ or ()),
        limit_voxels=limit_voxels,
    )
    plan = plan_stress(settings.workspace, scan, wish)
    config = find_cluster(cluster or settings.cluster).adjusted(workers, memory_limit)
    folder = create_stress_job(plan, settings.workspace, config)
    say(f"job {folder.name}")
    result = drive(folder)
    rows = read_solved(
        settings.workspace, plan.scan_id, plan.stress.particles if plan.stress else ()
    )
    places = draw_pictures(folder, plan.scan_id, rows) if pictures else []
    if json_:
        found = {
            "job": result.job,
            "scan": result.scan,
            "state": result.state,
            "seconds": result.seconds,
            "catalogue_version": result.catalogue_version,
            "peak_worker_bytes": result.peak_worker_bytes,
            "planned_worker_bytes": result.planned_worker_bytes,
            "caution": CAUTION,
            "pictures": [str(path) for path in places],
            "particles": rows,
        }
        print(json.dumps(found, indent=2))
        return
    heads = SHOWN | (IN_COMPANY if in_company else {})
    print_table(list(heads), [[_short(row[name]) for name in heads.values()] for row in rows])
    for path in places:
        say(f"wrote {path}")
    say(
        f"{len(rows)} particles solved, all screened: version {result.catalogue_version} of the "
        f"catalogue, table stress; {result.seconds:.1f} s, {result.peak_worker_bytes / MIB:,.0f} "
        f"MiB a worker ({result.planned_worker_bytes / MIB:,.0f} planned)."
    )
    say(CAUTION)


def read_axis(text: str | None) -> tuple[float, float, float] | None:
    """Return a direction written Z,Y,X.

    Raises
    ------
    UsageError
        If it is not three numbers, or has no direction.

    Examples
    --------
    >>> read_axis("0,0,1")
    (0.0, 0.0, 1.0)
    """
    if text is None:
        return None
    try:
        z, y, x = (float(part) for part in text.split(","))
    except ValueError:
        raise UsageError(f"--load-axis {text!r} wants three numbers: Z,Y,X.") from None
    if not 0.0 < z * z + y * y + x * x < float("inf"):
        raise UsageError(f"--load-axis {text!r} has no direction.", "Give such as 1,0,0.")
    return z, y, x


def read_solved(
    workspace: Path, scan_id: str, particles: tuple[tuple[str, int], ...]
) -> list[dict[str, Any]]:
    """Return the rows of the particles that a job took, the worst first."""
    if not particles:
        return []
    table = Catalogue(workspace / "catalogue").read("stress", scan_id)
    rows = table.filter(pc.field("phase") == particles[0][0]).to_pylist()
    wanted = {i for _, i in particles}
    mine = [row for row in rows if row["particle_id"] in wanted]
    return sorted(
        mine,
        key=lambda r: (-(r["worst_factor"] or r["worst_matrix_factor"] or 0.0), r["particle_id"]),
    )


def draw_pictures(folder: JobFolder, scan_id: str, rows: list[dict[str, Any]]) -> list[Path]:
    """Draw each solved particle: its factor over all directions, and the stress on its surface."""
    places = []
    for row in rows:
        if row["factor_map"] is None:
            continue
        name = f"{row['phase']}-{row['particle_id']}"
        title = f"{scan_id}: {row['phase']} {row['particle_id']}"
        place = folder.workspace / "reports" / "stress" / scan_id
        stored = field_file(folder, row["phase"], row["particle_id"])
        if stored.is_file():
            places.append(place / f"{name}-surface.png")
            save_figure(draw_stressed(read_arrays(stored), title), places[-1])
        figure = draw_directions(
            row["factor_map"],
            worst=tuple(row[f"worst_{a}"] for a in "zyx"),
            load=tuple(row[f"load_axis_{a}"] for a in "zyx"),
            title=title,
        )
        places.append(place / f"{name}-directions.png")
        save_figure(figure, places[-1])
    return places


def _short(value: object) -> object:
    return round(value, 3) if isinstance(value, float) else value
