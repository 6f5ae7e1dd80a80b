"""``castcensus contrast``."""

from __future__ import annotations

import csv
import json
import sys
from dataclasses import asdict
from typing import Annotated, Any

import typer

from flows.cli import options
from flows.cli.console import say
from flows.cli.tables import print_table
from pipeline.analysis.attenuation import ALUMINIUM, parse_material
from pipeline.analysis.beams import Beam, Layer, monochromatic, tube
from pipeline.analysis.contrast import (
    PHASES,
    Contrast,
    Exposure,
    Phase,
    assess_contrast,
    needed_voxel_um,
)
from pipeline.errors import UsageError

ENERGIES_KEV = (30.0, 40.0, 60.0, 80.0)
FILTER_MM = 1.0

CAUTION = (
    "X-ray work is done by trained persons under the radiation-protection rules of their place. "
    "These numbers are estimates without scatter, blur, focal spot or detector efficiency."
)


def contrast(
    energy_kev: Annotated[
        list[float] | None,
        typer.Option(
            help="Photon energy of a monochromatic beam, or effective energy; repeatable "
            "[default: 30 40 60 80].",
            show_default=False,
        ),
    ] = None,
    tube_kv: Annotated[
        list[float] | None,
        typer.Option(
            help="Tube voltage: spectrum by Kramers' law, without characteristic lines; "
            "repeatable.",
            show_default=False,
        ),
    ] = None,
    filter_: Annotated[
        list[str] | None,
        typer.Option(
            "--filter",
            help="Element and mm between tube and specimen, such as Cu:0.5; repeatable "
            "[default: Al:1].",
            show_default=False,
        ),
    ] = None,
    diameter_mm: Annotated[
        float | None,
        typer.Option(help="Diameter of the specimen.", show_default=False),
    ] = None,
    photons: Annotated[
        float | None,
        typer.Option(
            help="Photons on a pixel in one projection without specimen; wants --projections, "
            "--voxel-um and --diameter-mm.",
            show_default=False,
        ),
    ] = None,
    projections: Annotated[
        int | None, typer.Option(help="Projections of the scan.", show_default=False)
    ] = None,
    voxel_um: Annotated[
        float | None, typer.Option("--voxel-um", help="Edge of a voxel.", show_default=False)
    ] = None,
    noise_percent: Annotated[
        float | None,
        typer.Option(
            help="Instead of photons: standard deviation of the matrix, in percent of its "
            "difference from air.",
            show_default=False,
        ),
    ] = None,
    thickness_um: Annotated[
        float | None,
        typer.Option(help="Thickness of the platelets to be seen.", show_default=False),
    ] = None,
    material: Annotated[
        list[str] | None,
        typer.Option(
            help="A further phase, NAME=FORMULA@G_PER_CM3, such as Mg2Si=Mg2Si@1.99; repeatable.",
            show_default=False,
        ),
    ] = None,
    csv_: Annotated[bool, typer.Option("--csv", help="Print the pairs as CSV.")] = False,
    json_: options.AsJson = False,
) -> None:
    """Say what a scan can show, before it is made: attenuation, contrast, noise, voxel size.

    Example:  castcensus contrast --energy-kev 60 --diameter-mm 4 --thickness-um 5
    """
    beams = read_beams(energy_kev or [], tube_kv or [], filter_)
    phases = (*PHASES, *(read_phase(text) for text in material or []))
    exposure = read_exposure(photons, projections, voxel_um)
    needed = needed_voxel_um(thickness_um) if thickness_um is not None else None
    found = [
        assess_contrast(
            beam,
            phases,
            diameter_mm=diameter_mm,
            exposure=exposure,
            noise_share=noise_percent / 100 if noise_percent is not None else None,
        )
        for beam in beams
    ]
    facts: dict[str, Any] = {
        "diameter_mm": diameter_mm,
        "thickness_um": thickness_um,
        "needed_voxel_um": needed,
        "n_voxels_across": round(diameter_mm * 1000 / needed) if needed and diameter_mm else None,
        "beams": [asdict(one) for one in found],
    }
    if json_:
        print(json.dumps(facts, indent=2))
    elif csv_:
        write_pairs(found)
    else:
        show(found, facts)
    if needed and voxel_um is not None and voxel_um > needed:
        say(
            f"A voxel of {voxel_um:g} um leaves a platelet of {thickness_um:g} um under-resolved: "
            f"{needed:.3g} um or less is wanted."
        )
    say(CAUTION)


def read_beams(
    energies_kev: list[float], voltages_kv: list[float], filters: list[str] | None
) -> list[Beam]:
    """Return the beams that were asked for, or the default energies."""
    if filters and not voltages_kv:
        raise UsageError("--filter is for --tube-kv.", "Leave it out, or name a tube voltage.")
    layers = [read_layer(text) for text in filters] if filters else [(ALUMINIUM, FILTER_MM)]
    if not energies_kev and not voltages_kv:
        energies_kev = list(ENERGIES_KEV)
    return [
        *(monochromatic(energy) for energy in energies_kev),
        *(tube(voltage, layers) for voltage in voltages_kv),
    ]


FILTER_DENSITIES_G_CM3 = {"Al": 2.699, "Cu": 8.96, "Fe": 7.874, "Mo": 10.28, "Sn": 7.31}
"""Usual filters; densities from handbooks, from memory."""


def read_layer(text: str) -> Layer:
    """Return a filter written ELEMENT:MM.

    Examples
    --------
    >>> read_layer("Cu:0.5")[1]
    0.5
    """
    element, _, thickness = text.partition(":")
    if element not in FILTER_DENSITIES_G_CM3 or not _is_number(thickness):
        raise UsageError(
            f"--filter {text!r} wants ELEMENT:MM with one of {', '.join(FILTER_DENSITIES_G_CM3)}.",
            "Write it as Cu:0.5.",
        )
    return parse_material(element, FILTER_DENSITIES_G_CM3[element]), float(thickness)


def read_phase(text: str) -> Phase:
    """Return a phase written NAME=FORMULA@DENSITY.

    Examples
    --------
    >>> read_phase("Mg2Si=Mg2Si@1.99").material.density_g_cm3
    1.99
    """
    name, _, rest = text.partition("=")
    formula, _, density = rest.partition("@")
    if not name.strip() or not formula or not _is_number(density):
        raise UsageError(
            f"--material {text!r} wants NAME=FORMULA@DENSITY.", "Write it as Mg2Si=Mg2Si@1.99."
        )
    if name.strip() in {phase.name for phase in PHASES}:
        raise UsageError(f"--material {text!r} names a phase that is there.", "Name it otherwise.")
    return Phase(name.strip(), parse_material(formula, float(density)), name.strip())


def read_exposure(
    photons: float | None, projections: int | None, voxel_um: float | None
) -> Exposure | None:
    """Return the exposure, where photons are stated; the rest must then be there too."""
    if photons is None:
        if projections is not None:
            raise UsageError("--projections wants --photons.", "State both, or neither.")
        return None
    if projections is None or voxel_um is None:
        raise UsageError(
            "--photons wants --projections and --voxel-um.", "State all three of the scan."
        )
    return Exposure(photons, projections, voxel_um)


def show(found: list[Contrast], facts: dict[str, Any]) -> None:
    """Print tables for people: beams, phases, pairs, then what to mind."""
    print_table(
        ["beam", "mean keV", "mean keV behind", "transmission %", "noise sd 1/cm"],
        [
            [
                c.beam,
                _rounded(c.mean_kev),
                _rounded(c.mean_behind_kev) if c.transmission is not None else None,
                _rounded(100 * c.transmission) if c.transmission is not None else None,
                _rounded(c.noise_sd_cm),
            ]
            for c in found
        ],
        ["beam"],
    )
    print()
    print_table(
        ["beam", "phase", "formula", "g/cm3", "attenuation 1/cm", "over matrix"],
        [
            [
                c.beam,
                row.phase,
                row.formula,
                row.density_g_cm3,
                _rounded(row.attenuation_cm),
                _rounded(row.ratio_to_matrix),
            ]
            for c in found
            for row in c.phases
        ],
        ["beam", "phase"],
    )
    print()
    print_table(
        ["beam", "phase", "phase", "contrast %", "contrast to noise", "by grey"],
        [
            [
                c.beam,
                row.first,
                row.second,
                _rounded(100 * row.contrast),
                _rounded(row.cnr),
                "yes" if row.told_apart else "no",
            ]
            for c in found
            for row in c.pairs
        ],
        ["beam", "phase"],
    )
    if facts["needed_voxel_um"]:
        across = facts["n_voxels_across"]
        print(
            f"\nA platelet of {facts['thickness_um']:g} um wants voxels of "
            f"{facts['needed_voxel_um']:.3g} um or less, a third of its thickness (common "
            f"practice)" + (f": {across} across the specimen." if across else ".")
        )
    for c in found:
        for warning in c.warnings:
            print(f"\n{c.beam}: {warning}", end="")
    print()


def write_pairs(found: list[Contrast]) -> None:
    """Write a row for each beam and pair of phases."""
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(
        (
            "beam",
            "transmission",
            "noise_sd_cm",
            "first",
            "second",
            "first_attenuation_cm",
            "second_attenuation_cm",
            "contrast",
            "cnr",
            "told_apart",
        )
    )
    for c in found:
        mu = {row.phase: row.attenuation_cm for row in c.phases}
        for pair in c.pairs:
            writer.writerow(
                (
                    c.beam,
                    c.transmission,
                    c.noise_sd_cm,
                    pair.first,
                    pair.second,
                    mu[pair.first],
                    mu[pair.second],
                    pair.contrast,
                    pair.cnr,
                    pair.told_apart,
                )
            )


def _rounded(value: float | None) -> float | None:
    """Return three digits: what these estimates are good for."""
    return None if value is None else float(f"{value:.3g}")


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
