"""X-ray attenuation against tables that somebody else published."""

import pytest

from pipeline.analysis.attenuation import (
    ALUMINIUM,
    COPPER_RICH,
    IRON_RICH,
    SILICON,
    linear_attenuation_cm,
    parse_material,
)

pytestmark = pytest.mark.published

ENERGIES_KEV = (30.0, 40.0, 60.0, 80.0)

# Mass attenuation in cm2/g of NIST SRD 126 (Hubbell and Seltzer) at 30/40/60/80 keV, coherent
# scatter included.  All eight values are from memory: the tables were not at hand.
NIST = {"Al": (1.128, 0.5685, 0.2778, 0.2018), "Fe": (8.176, 3.629, 1.205, 0.5952)}


@pytest.mark.parametrize("element", NIST)
def test_mass_attenuation_as_tabulated_by_nist(element) -> None:
    material = parse_material(element, 1.0)
    got = [linear_attenuation_cm(material, e) for e in ENERGIES_KEV]
    assert got == pytest.approx(NIST[element], rel=5e-3)


@pytest.mark.parametrize(
    ("element", "mu_cm2_g"),
    [
        # Read from the Elam tables outside this project, with xraydb 4.5.8, at 30/40/60/80 keV.
        ("Si", (1.4365, 0.7010, 0.3206, 0.2228)),
        ("Cu", (10.9144, 4.8612, 1.5926, 0.7630)),
        ("Mn", (7.1425, 3.1691, 1.0597, 0.5306)),
    ],
)
def test_mass_attenuation_of_further_elements(element, mu_cm2_g) -> None:
    material = parse_material(element, 1.0)
    assert [linear_attenuation_cm(material, e) for e in ENERGIES_KEV] == pytest.approx(
        mu_cm2_g, rel=1e-3
    )


@pytest.mark.parametrize(
    ("material", "mu_cm"),
    [
        # Computed outside this project from the Elam tables of xraydb 4.5.8 at 30/40/60/80 keV.
        (ALUMINIUM, (3.045, 1.534, 0.750, 0.545)),
        (IRON_RICH, (10.806, 4.966, 1.875, 1.091)),
        (COPPER_RICH, (27.865, 12.542, 4.291, 2.193)),
    ],
)
def test_linear_attenuation_of_each_phase(material, mu_cm) -> None:
    got = [linear_attenuation_cm(material, e) for e in ENERGIES_KEV]
    assert got == pytest.approx(mu_cm, rel=5e-3)


def test_silicon_cannot_be_told_from_aluminium_at_60_kev() -> None:
    # Ratios 1.10, 1.06, 1.00, 0.95, from the same tables and unit-cell densities.
    got = [
        linear_attenuation_cm(SILICON, e) / linear_attenuation_cm(ALUMINIUM, e)
        for e in ENERGIES_KEV
    ]
    assert got == pytest.approx((1.10, 1.06, 1.00, 0.95), abs=5e-3)
    assert abs(got[2] - 1) < 0.01


@pytest.mark.parametrize(
    ("element", "atoms_in_cell", "edges_nm", "wanted"),
    [
        ("Al", {"Al": 4}, (0.40495,) * 3, ALUMINIUM),
        ("Si", {"Si": 8}, (0.54310,) * 3, SILICON),
        # Edges of Al2Cu: a 0.6067, c 0.4877 nm, four formula units.
        ("Al2Cu", {"Al": 8, "Cu": 4}, (0.6067, 0.6067, 0.4877), COPPER_RICH),
    ],
)
def test_densities_follow_from_the_unit_cells(element, atoms_in_cell, edges_nm, wanted) -> None:
    # Atomic weights (IUPAC) and lattice constants from memory; Avogadro's number is exact.
    weights = {"Al": 26.982, "Si": 28.085, "Cu": 63.546}
    mass_g = sum(n * weights[a] for a, n in atoms_in_cell.items()) / 6.02214076e23
    volume_cm3 = edges_nm[0] * edges_nm[1] * edges_nm[2] * 1e-21
    assert wanted.density_g_cm3 == pytest.approx(mass_g / volume_cm3, rel=3e-3)
