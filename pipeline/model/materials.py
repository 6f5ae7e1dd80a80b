"""Elastic constants of phases, with where they come from and how far they may be off.

Constants of intermetallics scatter by some 20 % between sources: a stress that follows from them
carries that range.  Values marked [M] in the sources below are from memory of the literature, not
from a document that was seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

from pipeline.errors import RecipeError

Stiffness = Annotated[float, Field(ge=0.0, le=1200.0)]
"""Up to diamond, which is stiffer than any phase of a casting."""


class Elastic(BaseModel):
    """Elastic constants of an isotropic phase.

    Attributes
    ----------
    youngs_gpa : float
        Young's modulus in GPa; 0 is a void.
    poisson : float
        Poisson's ratio, over -1 and under 0.5; a void has none, and its value is not used.
    range_percent : float
        Half the width of the range of Young's modulus, in percent of it.
    source : str
        Where the values come from.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    youngs_gpa: Stiffness
    poisson: Annotated[float, Field(gt=-1.0, lt=0.5)] = 0.3
    range_percent: Annotated[float, Field(ge=0.0, lt=100.0)] = 0.0
    source: str = "stated by the user"

    @model_validator(mode="after")
    def _solvable(self) -> Elastic:
        if self.poisson > 0.495:
            raise ValueError(
                f"poisson {self.poisson} is nearly incompressible: up to 0.495 can be solved"
            )
        if 0.0 < self.youngs_gpa < 1e-3:
            raise ValueError(f"youngs_gpa {self.youngs_gpa}: 0 is a void, a solid has 1e-3 or more")
        return self

    @property
    def is_void(self) -> bool:
        """Whether the phase carries no stress."""
        return self.youngs_gpa == 0.0

    def scaled(self, sign: int) -> Elastic:
        """Return the constants at the low (-1) or high (+1) end of their range."""
        factor = 1.0 + sign * self.range_percent / 100.0
        return self.model_copy(update={"youngs_gpa": self.youngs_gpa * factor})


VOID = Elastic(youngs_gpa=0.0, source="a void carries no stress")

MATERIALS: Mapping[str, Elastic] = MappingProxyType(
    {
        "pore": VOID,
        "void": VOID,
        "matrix": Elastic(
            youngs_gpa=70.0,
            poisson=0.33,
            range_percent=3.0,
            source="aluminium; C11 106.75, C12 60.41, C44 28.34 GPa give E 70.4, nu 0.345 "
            "(Voigt-Reuss-Hill)",
        ),
        "iron-rich": Elastic(
            youngs_gpa=160.0,
            poisson=0.26,
            range_percent=20.0,
            source="beta-Al5FeSi, 150 to 180 GPa in the literature [M]; alpha-Al15(Fe,Mn)3Si2: "
            "180 to 210, nu 0.24 [M]",
        ),
        "copper-rich": Elastic(
            youngs_gpa=123.0,
            poisson=0.29,
            range_percent=10.0,
            source="Al2Cu, 110 to 130 GPa, nu 0.29 to 0.34 [M: DFT and nanoindentation]",
        ),
        "silicon": Elastic(
            youngs_gpa=162.7,
            poisson=0.223,
            range_percent=2.0,
            source="C11 165.7, C12 63.9, C44 79.56 GPa (Voigt-Reuss-Hill)",
        ),
    }
)
"""Constants of phases by the name they have in a recipe."""


def find_elastic(stated: Mapping[str, Elastic], phases: Sequence[str]) -> tuple[Elastic, ...]:
    """Return the constants of a scan's phases: as stated, or as known by name.

    Parameters
    ----------
    stated : mapping of str to Elastic
        Section `elastic` of the recipe.
    phases : sequence of str
        Names of the phases, dark to bright.

    Returns
    -------
    tuple of Elastic
        One a phase.

    Raises
    ------
    RecipeError
        If a phase is neither stated nor known.

    Examples
    --------
    >>> [m.youngs_gpa for m in find_elastic({}, ["pore", "matrix"])]
    [0.0, 70.0]
    """
    found = {**MATERIALS, **stated}
    missing = [name for name in phases if name not in found]
    if missing:
        raise RecipeError(
            f"elastic constants of phase {missing[0]} are not stated, and its name is none of "
            f"{', '.join(MATERIALS)}.",
            f"State them, such as --set elastic.{missing[0]}.youngs_gpa=160 "
            f"--set elastic.{missing[0]}.poisson=0.26",
        )
    return tuple(found[name] for name in phases)
