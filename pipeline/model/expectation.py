"""How the phases of a scan should stand to each other in grey, by what they attenuate."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Expectation(BaseModel):
    """What attenuation says of a recipe's phases in the beam of a scan.

    Attributes
    ----------
    beam : str
        The beam, in words.
    attenuations_cm : tuple of float
        Linear attenuation of every phase in 1/cm, in the order of the recipe; empty where the beam
        lies outside the tables.
    told_apart : tuple of bool
        Whether each phase differs enough from every other one for grey to tell; as long.
    warnings : tuple of str
        What to mind: phases that grey does not tell apart or that the recipe lists out of order.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    beam: str
    attenuations_cm: tuple[float, ...]
    told_apart: tuple[bool, ...]
    warnings: tuple[str, ...]
