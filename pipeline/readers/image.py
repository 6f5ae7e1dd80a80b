"""MetaImage, NRRD and NIfTI, parsed by SimpleITK.

SimpleITK gives the shape, type and spacing.  Where the voxels lie uncompressed in one file they are
read from there by box, because most of these formats cannot be read in part through it; all others
are decoded whole.
"""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import Any

import numpy as np
import SimpleITK as sitk  # noqa: N813 - the name that its documentation uses
from numpy.typing import NDArray

from pipeline.errors import SourceError
from pipeline.model.grid import Box
from pipeline.model.header import ReadOptions, VolumeHeader
from pipeline.readers.filesource import BLOCK_BYTES, READ_ERRORS, FileSource, make_header
from pipeline.readers.flat import FlatSource, check_size
from pipeline.readers.imageheader import Payload, read_payload

DTYPE_OF_PIXEL = {
    sitk.sitkUInt8: "uint8",
    sitk.sitkInt8: "int8",
    sitk.sitkUInt16: "uint16",
    sitk.sitkInt16: "int16",
    sitk.sitkUInt32: "uint32",
    sitk.sitkInt32: "int32",
    sitk.sitkUInt64: "uint64",
    sitk.sitkInt64: "int64",
    sitk.sitkFloat32: "float32",
    sitk.sitkFloat64: "float64",
}


class WholeImageSource(FileSource):
    """An image that can only be decoded whole: compressed, or stored in scaled values.

    The first box decodes the whole volume, which then stays in the memory of the process (header
    attribute ``resident_bytes``); every later box is a copy.  Convert large scans first.
    """

    def _read(self, box: Box) -> NDArray[Any]:
        with self._lock:
            if self._handle is None:
                _check_gzip(self._files[-1])
                reader = sitk.ImageFileReader()
                reader.SetFileName(str(self._files[0]))
                decoded = reader.Execute()
                # The view shares the image's memory, which must be kept beside it.
                self._handle = (decoded, sitk.GetArrayViewFromImage(decoded))
            voxels = self._handle[1]
        return np.array(voxels[box.slices])


def open_image(path: Path, options: ReadOptions) -> FileSource:
    """Open a MetaImage, NRRD or NIfTI file.

    The voxel size is what the header states, in the unit that it states (MetaImage
    `DistanceUnits`, NRRD `space units`, NIfTI `xyzt_units`) and otherwise in millimetres, by
    convention of MetaImage and NRRD; NIfTI of unknown unit states none.  A header without spacing
    states none.  Directions are not applied: axes stay as stored.

    Parameters
    ----------
    path : Path
        The file, or the header of a detached data file.
    options : ReadOptions
        Its voxel size.

    Returns
    -------
    FileSource
        `FlatSource` for uncompressed voxels in one file, else `WholeImageSource`.

    Raises
    ------
    SourceError
        Unreadable, truncated, not one grey-scale volume, a type that is not taken.
    """
    try:
        payload = read_payload(path)
        reader = _information(path)
    except READ_ERRORS as err:
        raise SourceError(
            f"{path} is no readable image: {_reason(err)}.", "Copy it again from the original."
        ) from err
    n_components = reader.GetNumberOfComponents()
    if n_components != 1:
        raise SourceError(
            f"{path} has {n_components} values a voxel, wanted one grey level.",
            "Save it as a grey-scale volume.",
        )
    pixel = reader.GetPixelID()
    header = make_header(
        str(path),
        "image",
        reader.GetSize()[::-1],
        DTYPE_OF_PIXEL.get(pixel, sitk.GetPixelIDValueAsString(pixel)),
        voxel_um=payload.voxel_um,
        n_bytes=sum(p.stat().st_size for p in _files(path, payload)),
        options=options,
        attributes=_attributes(reader, payload),
    )
    return _source(path, payload, header)


def _source(path: Path, payload: Payload, header: VolumeHeader) -> FileSource:
    files = _files(path, payload)
    if payload.offset_bytes is None:
        return WholeImageSource(header, files)
    check_size(payload.data, payload.offset_bytes, header, exact=False)
    return FlatSource(header, payload.data, payload.offset_bytes, payload.byte_order, tuple(files))


def _files(path: Path, payload: Payload) -> list[Path]:
    return [path] if payload.data == path else [path, payload.data]


def _check_gzip(path: Path) -> None:
    """Decompress a gzip file to its end: ITK reads a truncated one as if it ended in zeros.

    Costs a second decompression, and no memory.
    """
    if path.name.lower().endswith(".gz"):
        with gzip.open(path) as file:
            while file.read(BLOCK_BYTES):
                pass


def _information(path: Path) -> Any:
    """Read a header with SimpleITK, without the warnings that it prints."""
    reader = sitk.ImageFileReader()
    reader.SetFileName(str(path))
    reader.ReadImageInformation()
    return reader


def _attributes(reader: Any, payload: Payload) -> dict[str, str]:
    if payload.offset_bytes is not None:
        return {}
    n_bytes = int(np.prod(reader.GetSize(), dtype=np.int64))
    n_bytes *= np.dtype(DTYPE_OF_PIXEL.get(reader.GetPixelID(), "uint8")).itemsize
    return {"resident_bytes": str(n_bytes)}


def _reason(err: BaseException) -> str:
    """Return the last line of an exception of ITK, which is the one that says what happened."""
    lines = [line.strip() for line in str(err).splitlines() if line.strip()]
    return lines[-1].rstrip(".") if lines else type(err).__name__
