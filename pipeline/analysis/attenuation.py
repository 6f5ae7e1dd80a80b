"""Linear attenuation coefficients of the phases of a cast aluminium alloy.

Mass attenuation coefficients are those of Elam, Ravel and Sieber, Radiat. Phys. Chem. 63 (2002)
121, as tabulated in `xraydb`.  Densities: aluminium 2.699 g/cm3, silicon 2.329 g/cm3 and Al2Cu
4.34 g/cm3 follow from their unit cells; 3.50 g/cm3 for the plate-like beta phase Al4.5FeSi is near
the middle of the handbook range 3.3 to 3.6 g/cm3; 3.60 g/cm3 for the script-like alpha phase lies
between the handbook range 3.5 to 3.6 g/cm3 and the 3.63 to 3.71 g/cm3 of its unit cell (handbook
ranges from memory).  Iron and manganese replace each other in alpha: two to one is assumed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.elements import find_element
from pipeline.errors import UsageError

ENERGY_RANGE_KEV = (10.0, 500.0)

MAX_DENSITY_G_CM3 = 25.0
"""Above osmium: a larger density is a slip of the unit."""


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
SILICON = Material("Si", (("Si", 1.0),), 2.329)
IRON_RICH = Material("Al4.5FeSi", (("Al", 4.5), ("Fe", 1.0), ("Si", 1.0)), 3.50)
ALPHA_IRON_RICH = Material(
    "Al15Fe2MnSi2", (("Al", 15.0), ("Fe", 2.0), ("Mn", 1.0), ("Si", 2.0)), 3.60
)
COPPER_RICH = Material("Al2Cu", (("Al", 2.0), ("Cu", 1.0)), 4.34)


def parse_material(formula: str, density_g_cm3: float) -> Material:
    """Make a material of a chemical formula.

    Parameters
    ----------
    formula : str
        Such as ``Mg2Si`` or ``Al15(FeMn)3Si2``.
    density_g_cm3 : float
        Density in g/cm3.

    Returns
    -------
    Material
        The compound, named after its formula.

    Raises
    ------
    UsageError
        No formula of known elements, or a density that no solid has.

    Examples
    --------
    >>> parse_material("Mg2Si", 1.99).atoms
    (('Mg', 2.0), ('Si', 1.0))
    """
    # It takes 0.7 s to load, with SQLAlchemy and parts of SciPy: only where a formula is stated.
    import xraydb  # noqa: PLC0415

    try:
        atoms = {str(symbol): float(n) for symbol, n in xraydb.chemparse(formula).items()}
    except ValueError:
        atoms = {}
    if not atoms or not all(math.isfinite(n) and n > 0 for n in atoms.values()):
        raise UsageError(
            f"{formula!r} is no chemical formula.", "Write it as Al2Cu or Al15(Fe2Mn)Si2."
        )
    if not 0 < density_g_cm3 <= MAX_DENSITY_G_CM3:
        raise UsageError(
            f"density {density_g_cm3:g} g/cm3 of {formula} wants more than 0 and at most "
            f"{MAX_DENSITY_G_CM3:g} g/cm3.",
            "Give it in g/cm3, such as 3.5.",
        )
    return Material(formula, tuple(atoms.items()), density_g_cm3)


def mass_fractions(material: Material) -> dict[str, float]:
    """Return the share of each element in the mass of a material.

    Examples
    --------
    >>> round(mass_fractions(COPPER_RICH)["Cu"], 4)
    0.5408
    """
    masses = {symbol: n * find_element(symbol).molar_mass_g for symbol, n in material.atoms}
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
    return float(linear_attenuations_cm(material, np.array([energy_kev]))[0])


def linear_attenuations_cm(
    material: Material, energies_kev: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the linear attenuation coefficients of a material at several energies.

    Parameters
    ----------
    material : Material
        The compound.
    energies_kev : (n,) float64
        Photon energies.

    Returns
    -------
    (n,) float64
        Coefficients in 1/cm.

    Raises
    ------
    UsageError
        If an energy lies outside `ENERGY_RANGE_KEV`.
    """
    low, high = ENERGY_RANGE_KEV
    outside = energies_kev[~((energies_kev >= low) & (energies_kev <= high))]
    if len(outside):
        raise UsageError(
            f"photon energy {outside[0]:g} keV lies outside {low:g} to {high:g} keV.",
            "Choose the effective energy of the beam in keV, such as 60.",
        )
    total = np.zeros(len(energies_kev))
    for symbol, share in mass_fractions(material).items():
        total += share * find_element(symbol).mass_attenuations_cm2_g(energies_kev)
    return material.density_g_cm3 * total
