"""What all readers of files share: borders, byte order, messages, checksum, pickling."""

from __future__ import annotations

import hashlib
import lzma
import threading
import zlib
from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import SourceError
from pipeline.model.grid import Box, Triple
from pipeline.model.header import ReadOptions, VolumeHeader
from pipeline.readers.units import Voxel

BLOCK_BYTES = 4 << 20

# What the format libraries raise on damaged or vanished files.
READ_ERRORS = (
    OSError,
    EOFError,
    ValueError,
    KeyError,
    IndexError,
    RuntimeError,
    lzma.LZMAError,
    zlib.error,
)


class FileSource(ABC):
    """A volume in files, read by box.

    A subclass implements `_read`.  It may keep an open library object in `_handle`, guarded by
    `_lock`; neither travels with a pickle, so that another process opens its own.

    Parameters
    ----------
    header : VolumeHeader
        What is known of the volume.
    files : sequence of Path
        The files that hold it, in the order of the checksum.
    """

    def __init__(self, header: VolumeHeader, files: Sequence[Path]) -> None:
        self._header = header
        self._files = tuple(files)
        self._handle: Any = None
        self._lock = threading.Lock()

    @property
    def header(self) -> VolumeHeader:
        """What is known without reading voxels."""
        return self._header

    def read(self, box: Box) -> NDArray[Any]:
        """Return the voxels of a box.

        Parameters
        ----------
        box : Box
            Lies inside the volume.

        Returns
        -------
        ndarray
            C-contiguous, shape of the box, native byte order, the header's dtype.

        Raises
        ------
        IndexError
            The box reaches beyond the volume.
        SourceError
            The files have changed since they were opened, or are damaged.
        """
        if box.clip(self.header.shape) != box:
            raise IndexError(f"{box} reaches beyond a volume of {self.header.shape}")
        try:
            voxels = self._read(box)
        except READ_ERRORS as err:
            raise SourceError(
                f"{self.header.location} cannot be read from {box.start} to {box.stop} "
                f"(z, y, x): {err}.",
                "The file is damaged or has changed: compare it with the original.",
            ) from err
        if voxels.shape != box.shape:
            raise SourceError(
                f"{self.header.location} gave {voxels.shape} voxels, wanted {box.shape}.",
                "The file has changed since it was opened: submit it again.",
            )
        return np.ascontiguousarray(voxels, dtype=np.dtype(self.header.dtype))

    def checksum(self) -> str:
        """Return ``sha256:...`` over the contents of the files, one after the other.

        The order is that of the volume: a header before its data file, slices in natural order.
        Names do not count.  Reads every byte once, with a few MiB of memory.
        """
        return sha256_files(self._files)

    def stamp(self) -> str:
        """Return ``sha256:...`` over names, sizes and times of change of the files.

        It tells without reading a voxel that nobody wrote to them in between.

        Raises
        ------
        SourceError
            A file is gone.
        """
        return stamp_files(self._files, [path.name for path in self._files])

    @abstractmethod
    def _read(self, box: Box) -> NDArray[Any]: ...

    def __getstate__(self) -> dict[str, Any]:
        state = self.__dict__.copy()
        del state["_lock"]
        state["_handle"] = None
        return state

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        self._lock = threading.Lock()


def make_header(
    location: str,
    family: str,
    shape: Sequence[int],
    dtype: str,
    *,
    voxel_um: Voxel | None,
    n_bytes: int,
    options: ReadOptions,
    attributes: dict[str, str] | None = None,
    chunk_vx: Triple | None = None,
) -> VolumeHeader:
    """Make a checked header; a voxel size among the options goes before the file's.

    Parameters
    ----------
    location : str
        Where the volume is, for messages.
    family : str
        Family of the format.
    shape : sequence of int
        Voxels along each axis; anything but three axes is refused.
    dtype : str
        Name of the type in native byte order.
    voxel_um : tuple of float or None
        What the file states, micrometres, (z, y, x).
    n_bytes : int
        Bytes in storage.
    options : ReadOptions
        What the caller states.
    attributes : dict of str to str, optional
        Further facts of the file.
    chunk_vx : tuple of int, optional
        Voxels decoded at a time, of what can be read in place.

    Returns
    -------
    VolumeHeader
        The header, with the origin of its voxel size.

    Raises
    ------
    SourceError
        Not three axes, a type that is not taken, a voxel size that is not positive.
    """
    given = options.voxel_um
    return VolumeHeader(
        location=location,
        format=family,
        # VolumeHeader refuses what is not a triple.
        shape=tuple(int(n) for n in shape),  # type: ignore[arg-type]
        dtype=dtype,
        voxel_um=given if given is not None else voxel_um,
        n_bytes=int(n_bytes),
        voxel_origin="option" if given is not None else "none" if voxel_um is None else "file",
        attributes=attributes or {},
        chunk_vx=chunk_vx,
    )


def sha256_files(paths: Iterable[Path], names: Iterable[str] | None = None) -> str:
    """Return ``sha256:...`` over the contents of files, one after the other.

    Parameters
    ----------
    paths : iterable of Path
        Files in order.
    names : iterable of str, optional
        One for each file: then its UTF-8 name, a zero byte and its length in bytes (8 bytes, little
        endian) go before its contents, so that moved boundaries change the sum.

    Returns
    -------
    str
        The checksum.

    Raises
    ------
    SourceError
        A file cannot be read.
    """
    digest = hashlib.sha256()
    buffer = memoryview(bytearray(BLOCK_BYTES))
    labels = iter(names) if names is not None else None
    for path in paths:
        try:
            if labels is not None:
                size = path.stat().st_size
                digest.update(next(labels).encode() + b"\0" + size.to_bytes(8, "little"))
            with path.open("rb", buffering=0) as file:
                while n := file.readinto(buffer):
                    digest.update(buffer[:n])
        except OSError as err:
            raise SourceError(f"{path} cannot be read: {err.strerror}.") from err
    return f"sha256:{digest.hexdigest()}"


def stamp_files(paths: Iterable[Path], names: Iterable[str]) -> str:
    """Return ``sha256:...`` over the names, sizes and times of change of files.

    Raises
    ------
    SourceError
        A file is gone.
    """
    digest = hashlib.sha256()
    for path, name in zip(paths, names, strict=True):
        try:
            facts = path.stat()
        except OSError as err:
            raise SourceError(f"{path} cannot be read: {err.strerror}.") from err
        digest.update(f"{name}\0{facts.st_size}\0{facts.st_mtime_ns}\0".encode())
    return f"sha256:{digest.hexdigest()}"


def triple(values: Sequence[int]) -> Triple:
    """Return three whole numbers as a tuple of that length."""
    z, y, x = values
    return (int(z), int(y), int(x))
