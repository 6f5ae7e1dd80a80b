"""Pieces of a scan's store at a resolution that suits a picture."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import zarr
from numpy.typing import NDArray

from pipeline.errors import NotFoundError
from pipeline.model.grid import Box, Triple
from pipeline.report.scan.evidence import Evidence
from pipeline.stores.ome import need_labels
from pipeline.stores.places import Place
from pipeline.stores.volume import open_volume, read_box

LARGEST_LOOK = 1 << 26
"""Voxels of the coarsest level up to which all of it is read to choose a plane."""


@dataclass(frozen=True)
class ScanVolume:
    """Grey levels, phases and particles of a scan, level by level of its pyramid.

    Parameters
    ----------
    store : Path or ObjectFolder
        The OME-Zarr store.
    voxel_um : tuple of float
        Edges of a voxel of level 0, (z, y, x).
    """

    store: Place
    voxel_um: tuple[float, float, float]

    @cached_property
    def levels(self) -> range:
        """Levels that hold grey, phases and particles: from 1 where the source is elsewhere."""
        last = max(int(p.name) for p in (self.store / "labels" / "phases").glob("[0-9]*"))
        first = 0 if (self.store / "0" / "zarr.json").is_file() else min(1, last)
        return range(first, last + 1)

    @property
    def shape(self) -> Triple:
        """Voxels of level 0."""
        return self.shape_at(0)

    def shape_at(self, level: int) -> Triple:
        """Return the voxels of a level, (z, y, x)."""
        z, y, x = self._open("labels/phases", level).shape
        return int(z), int(y), int(x)

    def level_for(self, longest: int, wanted: int) -> int:
        """Return the finest level on which a length of level-0 voxels is at most `wanted` long."""
        fit = [level for level in self.levels if -(-longest // 2**level) <= wanted]
        return fit[0] if fit else self.levels[-1]

    def edges_um(self, level: int) -> tuple[float, float, float]:
        """Return the edges of a voxel of a level, (z, y, x)."""
        z, y, x = self.voxel_um
        return z * 2**level, y * 2**level, x * 2**level

    def grey(self, level: int, box: Box) -> NDArray[Any]:
        """Return grey levels of the source."""
        return read_box(self._open("", level), box)

    def phases(self, level: int, box: Box) -> NDArray[np.uint8]:
        """Return the phase map; 255 outside the specimen."""
        return read_box(self._open("labels/phases", level), box).astype(np.uint8, copy=False)

    def bodies(self, phase: str, level: int, box: Box) -> NDArray[Any]:
        """Return the ids of the particles of a phase; 0 for none."""
        return read_box(self._open(f"labels/{phase}", level), box)

    def busiest(self, axis: int, wanted: list[int]) -> int:
        """Return the plane across an axis that shows most of some phases, each by its own share.

        Parameters
        ----------
        axis : int
            0 to 2.
        wanted : list of int
            Positions of the phases.

        Returns
        -------
        int
            Voxel of level 0 along the axis: found on the coarsest level, the middle one where that
            is large or the phases are absent.
        """
        level = self.levels[-1]
        shape = self.shape_at(level)
        if shape[0] * shape[1] * shape[2] > LARGEST_LOOK:
            return self.shape[axis] // 2
        coarse = self.phases(level, Box((0, 0, 0), shape))
        others = tuple(k for k in range(3) if k != axis)
        shares = np.zeros(shape[axis])
        for position in wanted:
            counts = (coarse == position).sum(others)
            shares += counts / max(int(counts.sum()), 1)
        if not shares.any():
            return self.shape[axis] // 2
        middle = (int(shares.argmax()) * 2 + 1) * 2**level // 2
        return min(middle, self.shape[axis] - 1)

    def _open(self, group: str, level: int) -> zarr.Array[Any]:
        path = self.store / group / str(level)
        if not (path / "zarr.json").is_file():
            raise NotFoundError(f"{path} is not there.", "Submit the scan again with --replace.")
        return open_volume(path)


def open_scan(evidence: Evidence) -> ScanVolume:
    """Open the store that the rows of a scan belong to.

    Raises
    ------
    NotFoundError
        If it is gone, or holds the labels of another job.
    """
    store = evidence.workspace / "scans" / f"{evidence.scan_id}.zarr"
    need_labels(store, evidence.scan_id, evidence.scan["job"])
    return ScanVolume(store, evidence.voxel_um)
