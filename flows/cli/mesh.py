"""``castcensus mesh``."""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from flows.cli import options
from flows.cli.console import say
from flows.cli.tables import print_table
from flows.settings import load_place
from pipeline.errors import UsageError
from pipeline.model.sizes import parse_bytes
from pipeline.report.embeddings import embed_particle
from pipeline.report.meshes import (
    LIMIT_BYTES,
    ParticleMesh,
    mesh_particle,
    write_mesh,
    write_pictures,
)
from pipeline.stages.warm import warm_meshes
from pipeline.stores.crops import CropReader, open_crops
from pipeline.stores.places import report_folder

SHOWN = {
    "particle": "particle_id",
    "faces": "n_faces",
    "shells": "n_shells",
    "cavities": "n_cavities",
    "watertight": "watertight",
    "volume_um3": "volume_um3",
    "volume_error": "volume_error",
    "area_um2": "area_um2",
    "aspect_median": "aspect_median",
    "aspect_p99": "aspect_p99",
    "crossings": "n_crossings",
    "error_um": "error_um",
}
"""Columns of the table for people and the facts that they show."""


class Format(StrEnum):
    """Formats of surface files."""

    stl = "stl"
    ply = "ply"
    obj = "obj"
    gltf = "gltf"
    vtu = "vtu"


class ColourBy(StrEnum):
    """What may colour a picture."""

    thickness = "thickness"
    curvature = "curvature"


def mesh(
    scan: Annotated[str, typer.Argument(help="Identifier of the scan.", show_default=False)],
    phase: Annotated[
        str | None,
        typer.Option(help="Phase of the particles [default: the only one].", show_default=False),
    ] = None,
    particle: Annotated[
        list[int] | None,
        typer.Option(help="Id of a particle; repeatable.", show_default=False),
    ] = None,
    top: Annotated[
        int | None,
        typer.Option(min=1, help="The N largest particles [default: 1].", show_default=False),
    ] = None,
    format_: Annotated[
        list[Format] | None,
        typer.Option("--format", help="Repeatable [default: stl].", show_default=False),
    ] = None,
    max_error_um: Annotated[
        float | None,
        typer.Option(
            min=0.0,
            help="Largest distance by which fewer triangles may deviate; 0 keeps all "
            "[default: a quarter of a voxel].",
            show_default=False,
        ),
    ] = None,
    picture: Annotated[
        bool, typer.Option("--picture", help="Draw each, and a sheet of all, as PNG.")
    ] = False,
    colour_by: Annotated[ColourBy, typer.Option(help="What colours pictures.")] = (
        ColourBy.thickness
    ),
    embed: Annotated[
        int | None,
        typer.Option(
            metavar="VOXELS",
            min=1,
            help="Also fill the particle and a box this much wider with tetrahedra, as Gmsh and "
            "VTU files.",
            show_default=False,
        ),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option(
            help="Folder for the files [default: reports/meshes/SCAN in the workspace].",
            show_default=False,
        ),
    ] = None,
    memory_limit: options.MemoryLimit = None,
    workspace: options.Workspace = None,
    json_: options.AsJson = False,
) -> None:
    """Write closed, smooth surfaces of particles, of the volume of their voxels.

    Coordinates are um, (x, y, z) of the scan.  A JSON file beside each surface tells its quality.
    Voxels that touch by a corner only lie in shells of their own.  --embed adds tetrahedra of the
    particle in its surroundings, with named regions and surfaces, for a solver of your own.

    Example:  castcensus mesh A319-07-F --phase iron-rich --top 12 --format vtu --picture
    """
    if particle and top is not None:
        raise UsageError("--particle and --top exclude each other.", "Give one of them.")
    place = load_place(workspace)
    crops = open_crops(place, scan)
    name = _only_phase(crops) if phase is None else phase
    folder = output or report_folder(place, "meshes", scan)
    limit = LIMIT_BYTES if memory_limit is None else parse_bytes(memory_limit)
    formats = [f.value for f in format_ or [Format.stl]]
    warm_meshes()
    told, meshes = [], []
    for particle_id in particle or crops.largest(name, top or 1):
        made = mesh_particle(crops, name, particle_id, max_error_um, limit)
        _warn(made)
        meshes.append(made)
        paths = write_mesh(made, folder, formats)
        told.append({**made.facts(), "files": [str(p) for p in paths]})
        if embed is not None:
            embedding = embed_particle(crops, name, particle_id, embed, limit)
            paths = embedding.write(folder)
            told[-1]["embedded"] = {**embedding.facts(), "files": [str(p) for p in paths]}
    pictures = write_pictures(meshes, folder, colour_by) if picture and meshes else []
    if json_:
        answer = {"scan": scan, "phase": name, "unit": "um", "particles": told}
        print(json.dumps({**answer, "pictures": [str(p) for p in pictures]}, indent=2))
    else:
        print_table(list(SHOWN), [[row[key] for key in SHOWN.values()] for row in told])
        say(f"{len(told)} surfaces of {name} written to {folder}, in um, axes x y z.")


def _only_phase(crops: CropReader) -> str:
    if len(crops.particle_phases) != 1:
        raise UsageError(
            f"scan {crops.scan_id} has particles of {', '.join(crops.particle_phases)}.",
            "Name one with --phase.",
        )
    return crops.particle_phases[0]


def _warn(made: ParticleMesh) -> None:
    """Tell what a surface does not show of its particle."""
    if made.level:
        say(
            f"{made.name}: read at 1/{2**made.level} of the resolution, to keep the memory limit; "
            "its volume and thin parts are approximate."
        )
    if made.touches_border:
        say(f"{made.name}: cut by the border of the volume, closed there.")
