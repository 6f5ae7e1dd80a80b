"""``castcensus plan``."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from flows.cli import options
from flows.cli.console import say
from flows.cli.tables import print_table
from flows.jobs.planning import plan_source, read_voxel_um
from flows.jobs.room import check_machine, free_bytes
from flows.settings import find_cluster, find_recipe, fit_cluster, load_settings, read_machine
from pipeline.errors import PlanError
from pipeline.model.header import ReadOptions
from pipeline.model.plan import MIB, Plan
from pipeline.stores.layout import why_copied


def plan(
    source: options.Source,
    recipe: options.RecipeName = None,
    set_: options.Overrides = None,
    voxel_um: options.VoxelUm = None,
    metadata: options.MetadataFile = None,
    shape: options.Shape = None,
    dtype: options.Dtype = None,
    byte_order: options.ByteOrder = None,
    offset_bytes: options.OffsetBytes = None,
    ingest: options.IngestMode = "auto",
    cluster: options.ClusterName = None,
    workers: options.Workers = None,
    memory_limit: options.MemoryLimit = None,
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Say what a submission would do and whether it fits; reads the header only.

    Example:  castcensus plan slices/ --voxel-um 2.5
    """
    settings = load_settings(workspace)
    options_ = read_options(voxel_um, shape, dtype, byte_order, offset_bytes)
    planned = plan_source(
        source,
        scan_name(source),
        find_recipe(recipe or settings.recipe, set_ or ()),
        options_,
        metadata_file=metadata,
        ingest=ingest,
    )
    config = find_cluster(cluster or settings.cluster).adjusted(workers, memory_limit)
    refusal = None
    try:
        check_machine(planned, settings.workspace, config)
    except PlanError as error:
        refusal = error
    size = None if refusal else fit_cluster(config, planned, read_machine())
    facts = {
        **describe_plan(planned),
        "disk_free_bytes": free_bytes(settings.workspace),
        "worker_limit_bytes": size.memory_limit_bytes if size else None,
        "n_workers": size.n_workers if size else None,
        "threads_per_worker": size.threads_per_worker if size else None,
        "fits": refusal is None,
        "refusal": str(refusal) if refusal else None,
    }
    if json_:
        print(json.dumps(facts, indent=2))
    else:
        show_plan(facts)
    if refusal:
        raise refusal


def read_options(
    voxel_um: str | None,
    shape: str | None,
    dtype: str | None,
    byte_order: str | None,
    offset_bytes: int | None,
) -> ReadOptions:
    """Return what the caller states about a source."""
    return ReadOptions(
        voxel_um=read_voxel_um(voxel_um) if voxel_um is not None else None,
        shape=options.read_triple(shape, "--shape"),
        dtype=dtype,
        byte_order=byte_order,
        offset_bytes=offset_bytes,
    )


def scan_name(source: str) -> str:
    """Return a scan id that a source suggests; only for a plan, which keeps nothing.

    Examples
    --------
    >>> scan_name("data/A 319.h5:/entry/data")
    'A-319.h5-entry-data'
    """
    inside = source.rpartition(":")[2] if ":" in source else ""
    name = Path(source.partition(":")[0]).name + inside
    return re.sub(r"[^A-Za-z0-9._-]+", "-", name).strip("-._")[:100] or "scan"


def describe_plan(planned: Plan) -> dict[str, Any]:
    """Return the facts of a plan as plain values."""
    header = planned.header
    return {
        "source": planned.source,
        "format": header.format,
        "shape": list(header.shape),
        "dtype": header.dtype,
        "n_voxels": header.n_voxels,
        "source_bytes": header.n_bytes,
        "voxel_um": list(planned.voxel_um),
        "voxel_origin": header.voxel_origin,
        "recipe": planned.recipe.name,
        "recipe_hash": planned.recipe.hash,
        "tile_shape": list(planned.tile_shape),
        "n_tiles": len(planned.grid),
        "worker_bytes": planned.worker_bytes,
        "disk_bytes": planned.disk_bytes,
        "in_place": planned.in_place,
        "copied_because": why_copied(planned.header, planned.recipe),
        "warnings": list(planned.expectation.warnings) if planned.expectation else [],
        "stages": [stage.model_dump(exclude={"key"}) for stage in planned.stages],
    }


def show_plan(facts: dict[str, Any]) -> None:
    """Print a plan as tables."""
    size = " x ".join(str(n) for n in facts["shape"])
    voxel = " x ".join(f"{v:g}" for v in facts["voxel_um"])
    tile = " x ".join(str(n) for n in facts["tile_shape"])
    rows = [
        ("source", f"{facts['source']} ({facts['format']})"),
        ("volume", f"{size} voxels (z, y, x), {facts['dtype']}"),
        ("voxel", f"{voxel} um (from the {facts['voxel_origin']})"),
        ("image", _describe_image(facts)),
        ("recipe", facts["recipe"]),
        ("tiles", f"{facts['n_tiles']} of {tile} voxels"),
        ("disk", f"{_mib(facts['disk_bytes'])} at most, {_mib(facts['disk_free_bytes'])} free"),
        ("memory", f"{_mib(facts['worker_bytes'])} a worker at most"),
    ]
    if facts["fits"]:
        rows.append(("workers", f"{facts['n_workers']} x {facts['threads_per_worker']} threads"))
    print_table([], rows)
    for warning in facts["warnings"]:
        say(f"Mind: {warning}")
    print()
    print_table(
        ["stage", "tiles", "halo", "read", "write", "memory a worker"],
        [
            [
                stage["name"],
                stage["n_tiles"] or None,
                stage["halo_vx"] or None,
                *(_mib(stage[k]) for k in ("read_bytes", "write_bytes", "worker_bytes")),
            ]
            for stage in facts["stages"]
        ],
    )


def _describe_image(facts: dict[str, Any]) -> str:
    if facts["in_place"]:
        return "used in place, not copied: keep the source until the job has ended"
    why = facts["copied_because"]
    # Of other formats nobody expects anything else.
    return f"copied: {why}" if why and facts["format"] == "zarr" else "copied"


def _mib(size: int) -> str:
    return f"{size / MIB:,.0f} MiB" if size else ""
