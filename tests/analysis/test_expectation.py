"""What a beam should show of a recipe's phases, and what grey cannot tell apart."""

import pytest
import yaml

from flows.settings import find_recipe
from pipeline.analysis.attenuation import COPPER_RICH, IRON_RICH, linear_attenuation_cm
from pipeline.analysis.expectation import expect_phases
from pipeline.errors import RecipeError
from pipeline.model.metadata import ScanMetadata
from pipeline.model.recipe import read_recipe

AT_60 = ScanMetadata(beam_energy_kev=60.0)


def recipe_of(*phases, **segment):
    """A recipe of phases NAME=MATERIAL, of which `matrix` is the background."""
    parts = []
    for text in phases:
        name, _, material = text.partition("=")
        kind = "background" if name == "matrix" else "particles"
        parts.append({"name": name, "kind": kind} | ({"material": material} if material else {}))
    return read_recipe(yaml.safe_dump({"phases": parts, "segment": segment}), "test")


def test_phases_of_the_default_recipe_are_known_by_name() -> None:
    found = expect_phases(find_recipe("cast-al-si-cu"), AT_60)
    assert found.beam == "60 keV"
    pore, matrix, iron, copper = found.attenuations_cm
    assert (pore, matrix) == (0.0, pytest.approx(0.749, abs=0.002))
    assert iron == pytest.approx(linear_attenuation_cm(IRON_RICH, 60.0), rel=1e-12)
    assert copper == pytest.approx(linear_attenuation_cm(COPPER_RICH, 60.0), rel=1e-12)
    assert found.told_apart == (True,) * 4
    assert found.warnings == ()


def test_stated_materials_go_before_names() -> None:
    recipe = recipe_of("pore=air", "matrix", "iron-rich=Al15(Fe2Mn)Si2@3.6", "oxide=Al2O3@3.95")
    found = expect_phases(recipe, AT_60)
    assert found.attenuations_cm[0] == 0.0
    assert found.attenuations_cm[2] == pytest.approx(1.853, abs=0.01)


def test_silicon_and_aluminium_are_warned_of_with_numbers() -> None:
    found = expect_phases(recipe_of("pore", "silicon", "matrix", "copper-rich"), AT_60)
    assert found.told_apart == (True, False, False, True)
    (warning,) = found.warnings
    assert warning.startswith("at 60 keV, matrix and silicon differ by 0.4 % in attenuation: grey")


def test_the_two_iron_rich_phases_are_told_apart_by_shape() -> None:
    recipe = recipe_of("matrix", "alpha=Al15(Fe2Mn)Si2@3.6", "beta=Al4.5FeSi@3.5")
    (warning,) = expect_phases(recipe, AT_60).warnings
    assert "alpha and beta differ by 1.1 % in attenuation: tell them apart by shape" in warning


def test_phases_out_of_order_are_warned_of() -> None:
    found = expect_phases(recipe_of("matrix", "copper-rich", "iron-rich"), AT_60)
    assert found.told_apart == (True,) * 3
    (warning,) = found.warnings
    assert "copper-rich attenuates more than iron-rich (4.29 against 1.88 1/cm)" in warning


def test_a_tube_is_hardened_by_half_the_width_of_the_volume() -> None:
    recipe, tube = find_recipe("cast-al-si-cu"), ScanMetadata(tube_kv=120.0)
    bare, thin, thick = (expect_phases(recipe, tube, w) for w in (None, 2.0, 20.0))
    assert bare.beam == "120 kV, 1 mm Al"
    ratios = [e.attenuations_cm[2] / e.attenuations_cm[1] for e in (bare, thin, thick)]
    assert ratios == sorted(ratios, reverse=True)
    assert ratios[0] == pytest.approx(3.30, abs=0.01)
    assert ratios[2] == pytest.approx(2.62, abs=0.05)


@pytest.mark.parametrize(
    ("recipe", "metadata"),
    [
        (find_recipe("cast-al-si-cu"), ScanMetadata()),
        (find_recipe("cast-al-si-cu", ["segment.guide=none"]), AT_60),
        (recipe_of("matrix", "grain"), AT_60),
    ],
)
def test_nothing_is_expected_where_something_is_not_known(recipe, metadata) -> None:
    assert expect_phases(recipe, metadata) is None


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"beam_energy_kev": 900.0}, "photon energy 900 keV lies outside 10 to 500 keV"),
        ({"tube_kv": 600.0}, "tube voltage 600 kV lies outside 20 to 450 kV"),
    ],
)
def test_beams_beyond_the_tables_do_not_guide_and_it_is_said(facts, said) -> None:
    found = expect_phases(find_recipe("cast-al-si-cu"), ScanMetadata(**facts))
    assert found.attenuations_cm == ()
    assert said in found.warnings[0]


def test_materials_are_stated_for_all_or_known() -> None:
    with pytest.raises(RecipeError, match="copper-rich states its material, but grain has none"):
        expect_phases(recipe_of("matrix", "grain", "copper-rich=Al2Cu@4.34"), AT_60)
    with pytest.raises(RecipeError, match="material of phase grain: 'Xx2' is no chemical formula"):
        expect_phases(recipe_of("matrix", "grain=Xx2@3"), AT_60)
    with pytest.raises(RecipeError, match="density 99 g/cm3"):
        expect_phases(recipe_of("matrix", "grain=Al@99"), AT_60)
