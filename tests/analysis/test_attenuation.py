import numpy as np
import pytest

from pipeline.analysis.attenuation import (
    AIR,
    ALUMINIUM,
    IRON_RICH,
    linear_attenuation_cm,
    linear_attenuations_cm,
    mass_fractions,
    parse_material,
)
from pipeline.errors import UsageError


def test_mass_fractions_follow_from_the_formula():
    # Standard atomic weights (IUPAC): Al 26.982, Fe 55.845, Si 28.085.
    total = 4.5 * 26.982 + 55.845 + 28.085
    assert mass_fractions(IRON_RICH)["Fe"] == pytest.approx(55.845 / total, rel=1e-4)
    assert sum(mass_fractions(IRON_RICH).values()) == pytest.approx(1.0)


def test_empty_space_attenuates_nothing():
    assert linear_attenuation_cm(AIR, 60.0) == 0.0


def test_several_energies_at_once_are_the_same_as_one_by_one():
    energies = np.array([12.0, 33.3, 60.0, 149.0])
    together = linear_attenuations_cm(IRON_RICH, energies)
    assert together.tolist() == [linear_attenuation_cm(IRON_RICH, float(e)) for e in energies]


@pytest.mark.parametrize("energy", [0.0, 9.9, 501.0, float("nan")])
def test_energies_outside_the_tables_are_refused(energy):
    with pytest.raises(UsageError, match="keV"):
        linear_attenuation_cm(ALUMINIUM, energy)


def test_a_formula_is_parsed():
    assert dict(parse_material("Al15(Fe2Mn)Si2", 3.6).atoms) == {
        "Al": 15,
        "Fe": 2,
        "Mn": 1,
        "Si": 2,
    }


@pytest.mark.parametrize("formula", ["", "Xx2", "al2cu", "Al2(Cu", "Al0", "7", "Al; import os"])
def test_what_is_no_formula_is_refused(formula):
    with pytest.raises(UsageError, match="formula") as caught:
        parse_material(formula, 3.0)
    assert caught.value.remedy


@pytest.mark.parametrize("density", [0.0, -1.0, 2699.0, float("nan"), float("inf")])
def test_densities_that_no_solid_has_are_refused(density):
    with pytest.raises(UsageError, match="density"):
        parse_material("Al", density)
