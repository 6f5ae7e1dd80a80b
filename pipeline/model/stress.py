"""What a stress job is asked: which particles, under which load, of which constants."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, field_validator

from pipeline.model.materials import Elastic

CAUTION = (
    "Linear elastic factors: no plasticity, residual stress or decohesion. A ranking aid, no "
    "statement on fitness for service; local codes and licensed engineers decide."
)
"""Shown wherever a factor is shown."""


class StressTask(BaseModel):
    """The questions of a stress job.

    Attributes
    ----------
    census_job : str
        Job whose rows of the scan are asked about.
    particles : tuple of (str, int)
        Phase and id of each particle that the voxel solver takes, in that order.
    load_axis : tuple of float
        Direction of the load (z, y, x), a unit vector.
    in_company : bool
        Whether each is solved with its surroundings too.
    elastic : dict of str to Elastic
        Constants of every phase of the scan.
    limit_voxels : int
        Most voxels of a cell.
    max_iterations : int
        Iterations allowed a load case.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    census_job: str
    particles: tuple[tuple[str, int], ...]
    load_axis: tuple[float, float, float]
    in_company: bool
    elastic: dict[str, Elastic]
    limit_voxels: Annotated[int, Field(ge=32**3, le=1024**3)]
    max_iterations: Annotated[int, Field(ge=1, le=10_000)]

    @field_validator("load_axis")
    @classmethod
    def _unit(cls, axis: tuple[float, float, float]) -> tuple[float, float, float]:
        length = math.hypot(*axis)
        if not length > 0.0:
            raise ValueError("load_axis must not be the zero vector")
        return (axis[0] / length, axis[1] / length, axis[2] / length)

    @property
    def setting(self) -> dict[str, object]:
        """What the rows of two jobs must share to stand in one table of a scan."""
        return self.model_dump(mode="json", exclude={"particles", "in_company"})
