"""What a match job is asked: which scans, how they lie on each other, and what counts as what."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from pipeline.model.grid import Triple
from pipeline.model.similarity import Similarity

TOLERANCE_VX = 1.5
CHANGE_SHARE = 0.15
LINK_SHARE = 0.5
FIELD_SHARE = 0.5


class MatchedScan(BaseModel):
    """One of the two scans.

    Attributes
    ----------
    scan_id, census_job : str
        The scan, and the job whose rows and labels are asked about.
    shape, tile_shape : tuple of int
        Its voxels, and those of one of its tiles.
    voxel_um : tuple of float
        Edges of a voxel, (z, y, x).
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    scan_id: str
    census_job: str
    shape: Triple
    tile_shape: Triple
    voxel_um: tuple[float, float, float]


class MatchTask(BaseModel):
    """The questions of a match job.

    Attributes
    ----------
    before, after : MatchedScan
        The scans.
    phases : tuple of str
        Phases of particles that both have.
    move : Similarity
        From before to after.
    error_um : float
        Its standard error.
    n_boxes, n_agreeing : int
        Boxes that judged it, and those that agree.
    score, overlap : float
        See `pipeline.analysis.registration.Registration`.
    tolerance_um : float
        Distance up to which a voxel is taken to lie in the nearest particle.
    change_share : float
        Change of volume from which a body counts as shrunk or grown.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    before: MatchedScan
    after: MatchedScan
    phases: tuple[str, ...]
    move: Similarity
    error_um: Annotated[float, Field(ge=0)]
    n_boxes: int
    n_agreeing: int
    score: float
    overlap: float
    tolerance_um: Annotated[float, Field(ge=0)]
    change_share: Annotated[float, Field(gt=0, lt=1)]
