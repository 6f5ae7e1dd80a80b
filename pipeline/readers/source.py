"""The protocol that every reader fulfils, and the options that a caller may give."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from pipeline.model.grid import Box, Triple
from pipeline.model.header import VolumeHeader


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """What a caller states about a source; everything left None is read from the file.

    Parameters
    ----------
    voxel_um : tuple of float, optional
        Overrides the voxel size of the file, (z, y, x) in micrometres.
    shape : tuple of int, optional
        Raw files: voxels along (z, y, x).
    dtype : str, optional
        Raw files: one of `pipeline.model.header.DTYPES`.
    byte_order : str, optional
        Raw files: ``little`` or ``big``.
    offset_bytes : int, optional
        Raw files: bytes before the first voxel.
    """

    voxel_um: tuple[float, float, float] | None = None
    shape: Triple | None = None
    dtype: str | None = None
    byte_order: str | None = None
    offset_bytes: int | None = None


@runtime_checkable
class Source(Protocol):
    """A volume that is read by box.

    A source can be pickled: it holds no open file, or reopens it where it is unpickled.
    """

    @property
    def header(self) -> VolumeHeader:
        """What is known without reading voxels."""
        ...

    def read(self, box: Box) -> NDArray[Any]:
        """Return the voxels of `box`, C-contiguous, in native byte order and the header's dtype."""
        ...

    def checksum(self) -> str:
        """Return ``sha256:...`` over the stored bytes of the source, in a documented order."""
        ...
