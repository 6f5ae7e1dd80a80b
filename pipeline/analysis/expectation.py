"""What a scan's beam should show of a recipe's phases, computed when the scan is planned."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from pipeline.analysis.attenuation import (
    AIR,
    ALUMINIUM,
    COPPER_RICH,
    IRON_RICH,
    SILICON,
    Material,
    parse_material,
)
from pipeline.analysis.beams import Beam, monochromatic, tube
from pipeline.analysis.contrast import Contrast, Phase, assess_contrast, describe_alike
from pipeline.analysis.elements import find_element
from pipeline.errors import RecipeError, UsageError
from pipeline.model.expectation import Expectation
from pipeline.model.metadata import ScanMetadata
from pipeline.model.recipe import Recipe

KNOWN = {
    "pore": AIR,
    "void": AIR,
    "matrix": ALUMINIUM,
    "silicon": SILICON,
    "iron-rich": IRON_RICH,
    "copper-rich": COPPER_RICH,
}
"""Materials of phases by the name that they have in a recipe."""

TUBE_FILTER_MM = 1.0
"""Aluminium in front of a tube whose filter nobody stated; with its window, common practice."""


def expect_phases(
    recipe: Recipe, metadata: ScanMetadata, width_mm: float | None = None
) -> Expectation | None:
    """Say how a recipe's phases attenuate the beam of a scan.

    Parameters
    ----------
    recipe : Recipe
        Its phases name their materials, or have the names of `KNOWN` ones.
    metadata : ScanMetadata
        States `beam_energy_kev`, or `tube_kv`: the spectrum of the tube is then that of
        `pipeline.analysis.beams.tube` behind `TUBE_FILTER_MM` of aluminium.
    width_mm : float, optional
        Width of the volume: half of it hardens a tube's spectrum, as it does midway between the
        surface of the specimen and its axis.

    Returns
    -------
    Expectation or None
        None where the recipe wants no guide, or energy or a material are not known.

    Raises
    ------
    RecipeError
        If a material is no formula with a density, or some phases state theirs and others have
        none.

    Examples
    --------
    >>> from pipeline.model.recipe import read_recipe
    >>> recipe = read_recipe("phases: [{name: pore, kind: particles},"
    ...                      " {name: matrix, kind: background}]", "example")
    >>> found = expect_phases(recipe, ScanMetadata(beam_energy_kev=60.0))
    >>> [round(mu, 2) for mu in found.attenuations_cm], found.told_apart
    ([0.0, 0.75], (True, True))
    """
    if recipe.segment.guide == "none":
        return None
    materials = _read_materials(recipe)
    if not materials:
        return None
    energy, voltage = metadata.beam_energy_kev, metadata.tube_kv
    if energy is None and voltage is None:
        return None
    try:
        beam = (
            monochromatic(energy)
            if energy is not None
            else tube(voltage or 0.0, [(ALUMINIUM, TUBE_FILTER_MM)])
        )
    except UsageError as error:
        label = f"{energy:g} keV" if energy is not None else f"{voltage:g} kV"
        said = f"phases are not guided by attenuation: {error.what}"
        return Expectation(beam=label, attenuations_cm=(), told_apart=(), warnings=(said,))
    return _expect(recipe, materials, beam, width_mm)


def _expect(
    recipe: Recipe, materials: Sequence[Material], beam: Beam, width_mm: float | None
) -> Expectation:
    names = [phase.name for phase in recipe.phases]
    matrix = max(recipe.background, 0)
    # The table wants the matrix first: it is what hardens the beam.
    order = [matrix, *(i for i in range(len(names)) if i != matrix)]
    phases = [Phase(names[i], materials[i], _leading(materials[i])) for i in order]
    hardened = width_mm is not None and len(beam.energies_kev) > 1
    found = assess_contrast(
        beam, phases, diameter_mm=0.5 * width_mm if hardened and width_mm else None
    )
    mu = {row.phase: row.attenuation_cm for row in found.phases}
    alike = {name for p in found.pairs if not p.told_apart for name in (p.first, p.second)}
    return Expectation(
        beam=beam.label,
        attenuations_cm=tuple(mu[name] for name in names),
        told_apart=tuple(name not in alike for name in names),
        warnings=tuple(_warn(found, phases, names, mu)),
    )


def _warn(
    found: Contrast, phases: Sequence[Phase], names: Sequence[str], mu: dict[str, float]
) -> list[str]:
    groups = {phase.name: phase.group for phase in phases}
    warnings = [f"at {found.beam}, {text}" for text in describe_alike(found.pairs, groups)]
    told = {(p.first, p.second): p.told_apart for p in found.pairs}
    for dark, bright in itertools.combinations(names, 2):
        apart = told.get((dark, bright), told.get((bright, dark), False))
        if apart and mu[dark] > mu[bright]:
            warnings.append(
                f"at {found.beam}, {dark} attenuates more than {bright} ({mu[dark]:.3g} against "
                f"{mu[bright]:.3g} 1/cm), but the recipe lists it before: list phases dark to "
                "bright."
            )
    return warnings


def _read_materials(recipe: Recipe) -> list[Material]:
    """Return the material of every phase; empty where none is stated and a name is not known."""
    stated = [phase for phase in recipe.phases if phase.material is not None]
    found: list[Material] = []
    for phase in recipe.phases:
        if phase.material is not None:
            found.append(_read_material(phase.name, phase.material))
        elif phase.name in KNOWN:
            found.append(KNOWN[phase.name])
        elif stated:
            raise RecipeError(
                f"phase {stated[0].name} states its material, but {phase.name} has none.",
                f"State it, such as --set phases.{phase.name}.material=Al2Cu@4.34, or leave all "
                "to their names.",
            )
        else:
            return []
    return found


def _read_material(name: str, text: str) -> Material:
    if text == AIR.name:
        return AIR
    formula, _, density = text.partition("@")
    try:
        return parse_material(formula, float(density))
    except UsageError as error:
        raise RecipeError(f"material of phase {name}: {error.what}", error.remedy) from None


def _leading(material: Material) -> str:
    """Return the heaviest element, by whose share phases differ in shape rather than in grey."""
    symbols = [symbol for symbol, _ in material.atoms]
    return max(symbols, key=lambda symbol: find_element(symbol).number, default="")
