"""Volumes that lie uncompressed and in C order in one file."""

from __future__ import annotations

from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import SourceError
from pipeline.model.grid import Box
from pipeline.model.header import VolumeHeader
from pipeline.readers.filesource import FileSource


def read_rows(
    file: BinaryIO,
    offset_bytes: int,
    stored: np.dtype[Any],
    n_columns: int,
    rows: slice,
    columns: slice,
    out: NDArray[Any],
) -> None:
    """Read a window of one plane that lies uncompressed in a file.

    Whole rows are read, in one call: for a window that is narrow against the plane this moves
    more bytes than it keeps, and is still faster than one call for each row up to a width ratio of
    about ten.  The file is read, not mapped, so that its pages are not counted as the process's
    memory.

    Parameters
    ----------
    file : binary file
        Open without buffering.
    offset_bytes : int
        Where the plane's first voxel lies.
    stored : dtype
        Type and byte order of the voxels in the file.
    n_columns : int
        Voxels of a row of the plane.
    rows, columns : slice
        The window, with start and stop.
    out : ndarray, (rows, columns)
        Receives the window in its own byte order.

    Raises
    ------
    EOFError
        The file ends before the window does.
    """
    n_rows = rows.stop - rows.start
    file.seek(offset_bytes + rows.start * n_columns * stored.itemsize)
    direct = out.dtype == stored and out.shape[1] == n_columns and out.flags.c_contiguous
    buffer = out if direct else np.empty((n_rows, n_columns), stored)
    view = memoryview(buffer.reshape(-1).view(np.uint8).data)
    done = 0
    while done < len(view):
        n = file.readinto(view[done:])  # type: ignore[attr-defined]
        if not n:
            raise EOFError(f"the file ends {len(view) - done} bytes early")
        done += n
    if not direct:
        out[...] = buffer[:, columns]


class FlatSource(FileSource):
    """A C-ordered, uncompressed array in one file.

    A box costs one read of its rows for each of its planes (whole rows: a box that covers a tenth
    of a row reads ten times its bytes), and the memory of the box and of those rows of one plane.

    Parameters
    ----------
    header : VolumeHeader
        What is known of the volume.
    path : Path
        The file that holds the voxels.
    offset_bytes : int
        Where the first voxel lies.
    byte_order : str
        ``<`` or ``>`` (``|`` where a voxel is one byte).
    files : tuple of Path, optional
        The files of the checksum, where a header file goes before `path`.
    """

    def __init__(
        self,
        header: VolumeHeader,
        path: Path,
        offset_bytes: int,
        byte_order: str,
        files: tuple[Path, ...] = (),
    ) -> None:
        super().__init__(header, files or (path,))
        self._path = path
        self._offset_bytes = offset_bytes
        self._stored = np.dtype(byte_order + np.dtype(header.dtype).str[1:])

    def _read(self, box: Box) -> NDArray[Any]:
        _, n_rows, n_columns = self.header.shape
        plane_bytes = n_rows * n_columns * self._stored.itemsize
        out = np.empty(box.shape, np.dtype(self.header.dtype))
        _, rows, columns = box.slices
        with self._path.open("rb", buffering=0) as file:
            for plane, z in zip(out, range(box.start[0], box.stop[0]), strict=True):
                at = self._offset_bytes + z * plane_bytes
                read_rows(file, at, self._stored, n_columns, rows, columns, plane)
        return out


def check_size(path: Path, offset_bytes: int, header: VolumeHeader, *, exact: bool) -> None:
    """Refuse a file that does not hold the voxels of its header.

    Parameters
    ----------
    path : Path
        The file with the voxels.
    offset_bytes : int
        Bytes before the first voxel.
    header : VolumeHeader
        Shape and type.
    exact : bool
        Refuse a longer file too, not only a shorter one.

    Raises
    ------
    SourceError
        Says the bytes got and wanted.
    """
    got = path.stat().st_size
    wanted = offset_bytes + header.n_voxels * header.itemsize
    if got < wanted or (exact and got > wanted):
        shape = " x ".join(str(n) for n in header.shape)
        raise SourceError(
            f"{path} is {'shorter' if got < wanted else 'longer'} than its shape says: got {got} "
            f"bytes, wanted {wanted} ({offset_bytes} before {shape} voxels of {header.dtype}).",
            "Correct shape, dtype or offset, or copy the file again.",
        )
