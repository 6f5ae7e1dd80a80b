"""What statistics of a scan start from: integer counts on blocks, and the rows of its particles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sizes import Field
from pipeline.analysis.surfaces import Steps

Counts = NDArray[np.int64]
Columns = Mapping[str, NDArray[Any]]


@dataclass(frozen=True, slots=True)
class ScanCounts:
    """Counts of one scan.

    Parameters
    ----------
    phases : tuple of str
        Names of the phases by position.
    shape : tuple of int
        Voxels of the volume along (z, y, x).
    voxel_um : tuple of float
        Edges of a voxel, (z, y, x).
    block_vx, contact_vx : int
        Edges of the blocks of `voxels` and of `contacts`; the latter a multiple of the former.
    voxels : ndarray of int64, shape (z, y, x, n_phases)
        Voxels inside the specimen by block and phase.
    contacts : ndarray of int64, shape (z, y, x, n_phases, n_phases)
        Faces between voxels of two phases by block.
    pairs : ndarray of int64, shape (k, n_phases, n_phases)
        Pairs of neighbours inside the specimen by direction.
    steps : Steps
        The directions of `pairs`.
    load_axis : tuple of float
        Direction of the load, (z, y, x).
    """

    phases: tuple[str, ...]
    shape: tuple[int, int, int]
    voxel_um: tuple[float, float, float]
    block_vx: int
    contact_vx: int
    voxels: Counts
    contacts: Counts
    pairs: Counts
    steps: Steps
    load_axis: tuple[float, float, float]
    searched: Counts = field(init=False, repr=False, compare=False)
    """Voxels inside the specimen by block."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "searched", self.voxels.sum(-1))

    @property
    def voxel_um3(self) -> float:
        """Volume of a voxel."""
        return float(np.prod(self.voxel_um))

    @property
    def n_searched(self) -> int:
        """Voxels inside the specimen."""
        return int(self.searched.sum())

    def fraction(self, phase: int) -> float | None:
        """Return the share of a phase; None where nothing was searched."""
        total = self.n_searched
        return int(self.voxels[..., phase].sum()) / total if total else None

    def field(self) -> Field:
        """Return where particles can be seen whole."""
        edges = [
            np.minimum(self.block_vx, n - self.block_vx * np.arange(-(-n // self.block_vx)))
            for n in self.shape
        ]
        n_voxels = edges[0][:, None, None] * edges[1][:, None] * edges[2]
        searched = self.searched
        if (searched == n_voxels).all():
            return Field(self.shape)
        return Field(self.shape, self.block_vx, searched == self.block_vx**3)


def box_of(columns: Columns) -> tuple[Counts, Counts]:
    """Return the bounding boxes of particles, each of shape (n, 3), in voxels."""
    start, stop = (
        np.stack([columns[f"bbox_{a}_{end}_vx"] for a in "zyx"], axis=1).astype(np.int64)
        for end in ("start", "stop")
    )
    return start, stop


def vectors_of(columns: Columns, template: str) -> NDArray[np.float64]:
    """Return the columns of a vector for (z, y, x), shape (n, 3)."""
    return np.stack([columns[template.format(a)] for a in "zyx"], axis=1).astype(np.float64)
