import pytest

from pipeline.errors import UsageError
from pipeline.phantom.attenuation import (
    AIR,
    ALUMINIUM,
    COPPER_RICH,
    IRON_RICH,
    linear_attenuation_cm,
    mass_fractions,
)

ENERGIES_KEV = (30.0, 40.0, 60.0, 80.0)


@pytest.mark.published
@pytest.mark.parametrize(
    ("material", "mu_cm"),
    [
        # Computed outside this project from the Elam tables of xraydb 4.5.8 at 30/40/60/80 keV.
        (ALUMINIUM, (3.045, 1.534, 0.750, 0.545)),
        (IRON_RICH, (10.806, 4.966, 1.875, 1.091)),
        (COPPER_RICH, (27.865, 12.542, 4.291, 2.193)),
    ],
)
def test_linear_attenuation_of_each_phase(material, mu_cm):
    got = [linear_attenuation_cm(material, e) for e in ENERGIES_KEV]
    assert got == pytest.approx(mu_cm, rel=5e-3)


@pytest.mark.published
def test_aluminium_as_tabulated_by_nist():
    # Mass attenuation in cm2/g of NIST SRD 126 at 30/40/60/80 keV; values from memory, not seen in
    # the document.
    nist = (1.128, 0.5685, 0.2778, 0.2018)
    got = [linear_attenuation_cm(ALUMINIUM, e) / ALUMINIUM.density_g_cm3 for e in ENERGIES_KEV]
    assert got == pytest.approx(nist, rel=5e-3)


def test_mass_fractions_follow_from_the_formula():
    # Standard atomic weights (IUPAC): Al 26.982, Fe 55.845, Si 28.085, Cu 63.546.
    total = 4.5 * 26.982 + 55.845 + 28.085
    assert mass_fractions(IRON_RICH)["Fe"] == pytest.approx(55.845 / total, rel=1e-4)
    assert sum(mass_fractions(IRON_RICH).values()) == pytest.approx(1.0)


def test_empty_space_attenuates_nothing():
    assert linear_attenuation_cm(AIR, 60.0) == 0.0


@pytest.mark.parametrize("energy", [0.0, 9.9, 501.0])
def test_energies_outside_the_tables_are_refused(energy):
    with pytest.raises(UsageError, match="keV"):
        linear_attenuation_cm(ALUMINIUM, energy)
