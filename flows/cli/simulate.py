"""``castcensus simulate``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Literal

import typer
from rich.console import Console
from rich.progress import Progress

from flows.cli import options
from flows.cli.console import say
from flows.settings import read_machine
from pipeline.errors import UsageError
from pipeline.phantom.pose import Pose
from pipeline.phantom.projection import Beam
from pipeline.phantom.specimen import RICH_BODIES, Artefacts, RichBodies, SpecimenSpec
from pipeline.phantom.writer import write_specimen


def simulate(
    dest: Annotated[Path, typer.Argument(help="Folder to create.", show_default=False)],
    size: Annotated[str, typer.Option(help="Voxels: N or Z,Y,X.")] = "256",
    voxel_um: Annotated[float, typer.Option("--voxel-um", help="Edge of a voxel in um.")] = 2.0,
    seed: Annotated[int, typer.Option(min=0, help="The same seed is the same specimen.")] = 1,
    format_: Annotated[
        Literal["tiff", "hdf5", "raw", "zarr", "nrrd", "npy"],
        typer.Option("--format", help="Format of the volume."),
    ] = "tiff",
    temper: Annotated[
        Literal["F", "T6"], typer.Option(help="As cast, or the same specimen heat treated.")
    ] = "F",
    phases: Annotated[
        bool, typer.Option("--phases", help="Write the exact phase map too.")
    ] = False,
    bodies: Annotated[
        Literal["plain", "rich"],
        typer.Option(
            help="rich: also bent, branched and holed platelets, script-like bodies, shrinkage "
            "pores, pores open to the surface."
        ),
    ] = "plain",
    cnr: Annotated[
        float, typer.Option(help="Contrast of iron-rich phase and matrix over noise.")
    ] = 6.0,
    correlated_noise: Annotated[
        float, typer.Option(help="Smooth the noise by a Gaussian of so many voxels.")
    ] = 0.0,
    cupping: Annotated[float, typer.Option(help="Loss of grey at the axis, such as 0.1.")] = 0.0,
    rings: Annotated[
        float, typer.Option(help="Strength of rings over the grey of matrix, such as 0.02.")
    ] = 0.0,
    drift: Annotated[
        float, typer.Option(help="Deviation of the gain from slice to slice, such as 0.01.")
    ] = 0.0,
    turn: Annotated[float, typer.Option(help="Turn about the specimen's axis in degrees.")] = 0.0,
    upside_down: Annotated[
        bool, typer.Option("--upside-down", help="Stand the specimen on its head.")
    ] = False,
    tilt: Annotated[float, typer.Option(help="Lean of its axis in degrees, at most 10.")] = 0.0,
    shift: Annotated[str, typer.Option(metavar="Z,Y,X", help="Its shift in voxels.")] = "0,0,0",
    scale: Annotated[float, typer.Option(help="Factor on its lengths, 0.9 to 1.1.")] = 1.0,
    projected: Annotated[
        bool,
        typer.Option(
            "--projected",
            help="Really project and reconstruct each slice, with a polychromatic beam and photon "
            "counts; at most 256 voxels an edge, seconds a slice.",
        ),
    ] = False,
    tube_kv: Annotated[
        float, typer.Option("--tube-kv", help="Tube voltage of a projected scan.")
    ] = 80.0,
    json_: options.AsJson = False,
) -> None:
    """Write a simulated scan of known truth: the volume, its facts, a table of every body.

    Example:  castcensus simulate specimen/ --size 256 --voxel-um 2 --seed 1 --temper F
    """
    size_vx = options.read_triple(size, "--size")
    if size_vx is None:
        raise UsageError("--size wants N or Z,Y,X.")
    spec = SpecimenSpec(
        size_vx,
        voxel_um,
        seed=seed,
        temper=temper,
        cnr=cnr,
        rich=RICH_BODIES if bodies == "rich" else RichBodies(),
        artefacts=Artefacts(correlated_noise, cupping, rings, drift),
        pose=Pose(turn, upside_down, tilt, 0.0, read_shift(shift), scale),
    )
    with Progress(console=Console(stderr=True), transient=True) as bars:
        bar = bars.add_task("simulate")
        made = write_specimen(
            spec,
            dest,
            format=format_,
            with_phases=phases,
            on_progress=lambda done, total: bars.update(bar, completed=done, total=total),
            n_threads=min(read_machine().n_cores, 4),
            beam=Beam(tube_kv=tube_kv) if projected else None,
        )
    if json_:
        facts = {
            "folder": str(made.folder),
            "source": str(made.volume),
            "truth": str(made.truth),
            "phases": str(made.phases) if made.phases else None,
            "n_bodies": made.n_bodies,
        }
        print(json.dumps(facts, indent=2))
    else:
        print(made.volume)
    say(f"{made.n_bodies} bodies; count it with: castcensus submit {made.volume} --scan ID")


def read_shift(text: str) -> tuple[float, float, float]:
    """Return a shift written Z,Y,X.

    Raises
    ------
    UsageError
        If it is not three numbers.

    Examples
    --------
    >>> read_shift("1,-2.5,0")
    (1.0, -2.5, 0.0)
    """
    try:
        z, y, x = (float(part) for part in text.split(","))
    except ValueError:
        raise UsageError(f"--shift {text!r} wants three numbers: Z,Y,X.") from None
    return z, y, x
