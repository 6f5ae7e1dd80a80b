"""The protocol that every reader fulfils."""

from __future__ import annotations

from typing import Any, Protocol, runtime_checkable

from numpy.typing import NDArray

from pipeline.model.grid import Box
from pipeline.model.header import ReadOptions, VolumeHeader

__all__ = ["ReadOptions", "Source"]


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

    def stamp(self) -> str:
        """Return ``sha256:...`` over names, sizes and times of change of the source's files."""
        ...
