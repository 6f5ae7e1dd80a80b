"""What is known of a CT volume before any voxel is read."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from pipeline.errors import SourceError
from pipeline.model.grid import Triple

DTYPES = ("uint8", "int16", "uint16", "float32")

SMALLEST_VOXEL_UM, LARGEST_VOXEL_UM = 1e-4, 1e5
"""Edges of voxels that a CT scan may have: a tenth of a nanometre to ten centimetres."""

Ingest = Literal["auto", "copy"]
"""Whether a source may be used in place."""


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
        Raw files: one of `DTYPES`.
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


@dataclass(frozen=True, slots=True)
class VolumeHeader:
    """Shape, type and scale of a volume, checked once at the border.

    Parameters
    ----------
    location : str
        Where the volume was found, for messages and provenance.
    format : str
        Family of the file format, such as ``tiff-folder`` or ``hdf5``.
    shape : tuple of int
        Voxels along (z, y, x).
    dtype : str
        One of `DTYPES`, in native byte order: readers swap bytes where a file needs it.
    voxel_um : tuple of float or None
        Edge lengths of a voxel in micrometres, (z, y, x); None where the file states none.
    n_bytes : int
        Bytes that the source occupies in storage.
    voxel_origin : str
        Where the voxel size comes from: ``file``, ``option`` or ``none``.
    attributes : dict of str to str
        Further facts that the file states (acquisition, software), for provenance.
    chunk_vx : tuple of int or None
        Voxels that the source decodes at a time, (z, y, x), where tiles can be read from it again
        and again and it is nobody else's to rewrite; None for all others.
    """

    location: str
    format: str
    shape: Triple
    dtype: str
    voxel_um: tuple[float, float, float] | None
    n_bytes: int
    voxel_origin: str = "none"
    attributes: dict[str, str] = field(default_factory=dict)
    chunk_vx: Triple | None = None

    def __post_init__(self) -> None:
        if len(self.shape) != 3:
            raise SourceError(
                f"{self.location} has {len(self.shape)} axes {tuple(self.shape)}, wanted a volume "
                "of three (plane, row, column).",
                "Name one volume of the file, or store it as a stack of grey-scale slices.",
            )
        if any(n < 1 for n in self.shape):
            raise SourceError(f"{self.location} is empty: shape {tuple(self.shape)}.")
        if self.dtype not in DTYPES:
            raise SourceError(
                f"{self.location} holds {self.dtype} voxels, wanted one of {', '.join(DTYPES)}.",
                "Convert the reconstruction to one of these types.",
            )
        if self.voxel_um is not None and not all(math.isfinite(v) and v > 0 for v in self.voxel_um):
            raise SourceError(
                f"voxel size {self.voxel_um} um of {self.location} is not positive and finite.",
                "Give the edge length of a voxel with --voxel-um V or --voxel-um Z,Y,X.",
            )
        if self.voxel_um is not None and not all(
            SMALLEST_VOXEL_UM <= v <= LARGEST_VOXEL_UM for v in self.voxel_um
        ):
            raise SourceError(
                f"voxel size {self.voxel_um} um of {self.location} is none of a CT scan: wanted "
                f"{SMALLEST_VOXEL_UM:g} to {LARGEST_VOXEL_UM:g} um.",
                "Give the edge length of a voxel in micrometres with --voxel-um V or "
                "--voxel-um Z,Y,X.",
            )

    @property
    def itemsize(self) -> int:
        """Bytes of one voxel."""
        return np.dtype(self.dtype).itemsize

    @property
    def n_voxels(self) -> int:
        """Number of voxels."""
        return math.prod(self.shape)

    def require_voxel_um(self) -> tuple[float, float, float]:
        """Return the voxel size, or refuse: a missing one is never taken as 1."""
        if self.voxel_um is None:
            raise SourceError(
                f"{self.location} states no voxel size.",
                "Give the edge length of a voxel in micrometres with --voxel-um V "
                "or --voxel-um Z,Y,X.",
            )
        return self.voxel_um
