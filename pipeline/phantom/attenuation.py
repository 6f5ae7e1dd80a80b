"""Linear attenuation coefficients of the phases of a cast aluminium alloy.

Mass attenuation coefficients are those of Elam, Ravel and Sieber, Radiat. Phys. Chem. 63 (2002)
121, as tabulated in `xraydb`.  Densities: aluminium 2.699 g/cm3 and Al2Cu 4.34 g/cm3 follow from
their unit cells; 3.50 g/cm3 for the plate-like Al4.5FeSi phase is the middle of the handbook range
3.3 to 3.6 g/cm3.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import xraydb

from pipeline.errors import UsageError

ENERGY_RANGE_KEV = (10.0, 500.0)


@dataclass(frozen=True, slots=True)
class Material:
    """A compound and its density.

    Parameters
    ----------
    name : str
        Name for messages.
    atoms : tuple of (str, float)
        Element symbols and their numbers of atoms in one formula unit.
    density_g_cm3 : float
        Density; zero stands for empty space, which attenuates nothing.
    """

    name: str
    atoms: tuple[tuple[str, float], ...]
    density_g_cm3: float


AIR = Material("air", (), 0.0)
ALUMINIUM = Material("Al", (("Al", 1.0),), 2.699)
IRON_RICH = Material("Al4.5FeSi", (("Al", 4.5), ("Fe", 1.0), ("Si", 1.0)), 3.50)
COPPER_RICH = Material("Al2Cu", (("Al", 2.0), ("Cu", 1.0)), 4.34)


def mass_fractions(material: Material) -> dict[str, float]:
    """Return the share of each element in the mass of a material.

    Examples
    --------
    >>> round(mass_fractions(COPPER_RICH)["Cu"], 4)
    0.5408
    """
    masses = {symbol: n * float(xraydb.atomic_mass(symbol)) for symbol, n in material.atoms}
    total = sum(masses.values())
    return {symbol: mass / total for symbol, mass in masses.items()}


@lru_cache(maxsize=64)
def linear_attenuation_cm(material: Material, energy_kev: float) -> float:
    """Return the linear attenuation coefficient of a material.

    Parameters
    ----------
    material : Material
        The compound.
    energy_kev : float
        Photon energy; for a polychromatic beam its effective energy.

    Returns
    -------
    float
        Coefficient in 1/cm, total (photoelectric and both kinds of scatter).

    Raises
    ------
    UsageError
        If the energy lies outside `ENERGY_RANGE_KEV`.

    Examples
    --------
    >>> round(linear_attenuation_cm(ALUMINIUM, 60.0), 2)
    0.75
    """
    low, high = ENERGY_RANGE_KEV
    if not low <= energy_kev <= high:
        raise UsageError(
            f"photon energy {energy_kev} keV lies outside {low:g} to {high:g} keV.",
            "Choose the effective energy of the beam in keV, such as 60.",
        )
    return material.density_g_cm3 * sum(
        share * float(xraydb.mu_elam(symbol, energy_kev * 1000.0))
        for symbol, share in mass_fractions(material).items()
    )
