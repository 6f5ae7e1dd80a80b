"""Arrays of NumPy's own format (``.npy``)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.lib import format as npy_format
from numpy.typing import NDArray

from pipeline.errors import SourceError
from pipeline.model.grid import Box
from pipeline.model.header import ReadOptions
from pipeline.readers.filesource import FileSource, make_header
from pipeline.readers.flat import FlatSource, check_size


class FortranSource(FileSource):
    """A ``.npy`` array in Fortran order, mapped.

    Columns of constant z lie apart: a box touches every page of the file that holds one of its
    voxels, mostly far more bytes than the box.
    """

    def _read(self, box: Box) -> NDArray[Any]:
        return np.array(np.load(self._files[0], mmap_mode="r", allow_pickle=False)[box.slices])


def open_npy(path: Path, options: ReadOptions) -> FileSource:
    """Open a ``.npy`` file; it states no voxel size.

    Parameters
    ----------
    path : Path
        The file.
    options : ReadOptions
        Its voxel size.

    Returns
    -------
    FileSource
        Boxes cost what `FlatSource` says; in Fortran order what `FortranSource` says.

    Raises
    ------
    SourceError
        Not such a file, a type or number of axes that is not taken, truncated.
    """
    try:
        with path.open("rb") as file:
            version = npy_format.read_magic(file)
            read = (
                npy_format.read_array_header_1_0
                if version == (1, 0)
                else npy_format.read_array_header_2_0
            )
            shape, fortran, dtype = read(file)
            offset = file.tell()
    except (ValueError, OSError, EOFError) as err:
        raise SourceError(f"{path} is not a readable .npy file: {err}.", "Save it again.") from err
    header = make_header(
        str(path),
        "npy",
        shape,
        dtype.name,
        voxel_um=None,
        n_bytes=path.stat().st_size,
        options=options,
    )
    check_size(path, offset, header, exact=True)
    if fortran:
        return FortranSource(header, (path,))
    return FlatSource(header, path, offset, dtype.str[0])
