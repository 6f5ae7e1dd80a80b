"""What a worker tells of its work."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class TileReport:
    """What a worker tells of one finished tile: small, so that schedulers carry nothing heavy.

    Parameters
    ----------
    number : int
        Tile in raster order of the stage's grid.
    n_voxels : int
        Voxels of the tile's core.
    seconds : float
        Time from the worker's own start of the tile to its data being in place.
    worker : str
        Host and process that did it.
    peak_bytes : int
        Peak resident size of that process so far.
    """

    number: int
    n_voxels: int
    seconds: float
    worker: str
    peak_bytes: int


@dataclass(frozen=True, slots=True)
class TileNotice:
    """What a scheduler tells between reports.

    Parameters
    ----------
    kind : str
        ``began``; ``retried``: begun again, since its worker was lost; ``copied``: begun a second
        time beside a slow one; ``lost``: a worker ended with the tile unfinished.
    number : int
        The tile.
    worker : str
        The worker.
    """

    kind: Literal["began", "retried", "copied", "lost"]
    number: int
    worker: str
