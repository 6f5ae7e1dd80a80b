"""DICOM and DICONDE: series of single slices in a folder, and multi-frame files."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from pydicom.encaps import get_frame

from pipeline.errors import SourceError
from pipeline.model.grid import Box
from pipeline.model.header import ReadOptions, VolumeHeader
from pipeline.readers.dicomheader import (
    ENCODED,
    UNENCODED,
    DicomFile,
    Frame,
    Stored,
    read_dicom_file,
)
from pipeline.readers.dicomorder import ordered_frames
from pipeline.readers.filesource import FileSource, make_header
from pipeline.readers.flat import read_rows

DECODERS: dict[str, Any] = {
    "JPEG lossless": imagecodecs.ljpeg_decode,
    "JPEG-LS": imagecodecs.jpegls_decode,
    "JPEG-LS near-lossless": imagecodecs.jpegls_decode,
    "JPEG 2000": imagecodecs.jpeg2k_decode,
    "JPEG 2000 lossy": imagecodecs.jpeg2k_decode,
}

N_NAMED = 5


@dataclass(frozen=True, slots=True)
class _Plane:
    """Where a plane lies in its file, and its scale."""

    file: int
    index: int
    syntax: str
    offset_bytes: int
    n_frames: int
    slope: float
    intercept: float


class DicomSource(FileSource):
    """Planes of a DICOM series.

    Uncompressed planes: a box costs one read of its rows for each plane (whole rows).  Encoded
    planes: each is decoded whole for each box.  Grey is slope * stored + intercept.

    Parameters
    ----------
    header : VolumeHeader
        What is known of the volume.
    files : list of Path
        In the order of their first planes.
    planes : list of _Plane
        In the order of the volume.
    stored : Stored
        How pixels are stored.
    """

    def __init__(
        self, header: VolumeHeader, files: list[Path], planes: list[_Plane], stored: Stored
    ) -> None:
        super().__init__(header, files)
        self._planes = planes
        self._stored = stored

    def _read(self, box: Box) -> NDArray[Any]:
        out = np.empty(box.shape, np.dtype(self.header.dtype))
        file: BinaryIO | None = None
        opened = -1
        try:
            for target, z in zip(out, range(box.start[0], box.stop[0]), strict=True):
                plane = self._planes[z]
                if plane.file != opened:
                    if file is not None:
                        file.close()
                    file = self._files[plane.file].open("rb", buffering=0)
                    opened = plane.file
                assert file is not None
                self._fill(file, plane, box, target)
        finally:
            if file is not None:
                file.close()
        return out

    def _fill(self, file: BinaryIO, plane: _Plane, box: Box, out: NDArray[Any]) -> None:
        stored = self._stored
        _, rows, columns = box.slices
        if plane.syntax in UNENCODED:
            kind = np.dtype(f"{UNENCODED[plane.syntax]}{stored.kind}{stored.n_bits // 8}")
            native = np.empty(out.shape, kind.newbyteorder("="))
            at = plane.offset_bytes + plane.index * stored.frame_bytes
            read_rows(file, at, kind, stored.n_columns, rows, columns, native)
        else:
            native = _decode(file, plane, stored)[rows, columns]
        native = _used_bits(native, stored)
        if plane.slope == 1.0 and plane.intercept == 0.0:
            out[...] = native
        else:
            out[...] = native * np.float64(plane.slope) + np.float64(plane.intercept)


def open_dicom_folder(folder: Path, names: Sequence[str], options: ReadOptions) -> DicomSource:
    """Open the one series of a folder.

    Single-frame and multi-frame files may be mixed, as long as they belong to one series.  Objects
    without pixels, such as an index, are passed over.

    Parameters
    ----------
    folder : Path
        The folder.
    names : sequence of str
        Names of its DICOM files, in any order.
    options : ReadOptions
        Its voxel size.

    Returns
    -------
    DicomSource
        Boxes cost what that class says.

    Raises
    ------
    SourceError
        Several series (their SeriesInstanceUIDs are said), a gap, planes of different size, type,
        direction or spacing, a file that is truncated or encoded in a way that is not taken.
    """
    found = [read_dicom_file(folder / name) for name in sorted(names)]
    files = [f for f in found if f is not None]
    _check_series(folder, files)
    return _open(str(folder), files, options)


def open_dicom(path: Path, options: ReadOptions) -> DicomSource:
    """Open a multi-frame file.

    Parameters
    ----------
    path : Path
        The file.
    options : ReadOptions
        Its voxel size.

    Returns
    -------
    DicomSource
        Boxes cost what that class says.

    Raises
    ------
    SourceError
        A file of one plane or none, and what `open_dicom_folder` refuses.
    """
    found = read_dicom_file(path)
    if found is not None and len(found.frames) == 1:
        raise SourceError(
            f"{path} is one slice, wanted a volume.",
            f"Name the folder of the series: {path.parent}",
        )
    return _open(str(path), [found] if found is not None else [], options)


def _check_series(folder: Path, files: list[DicomFile]) -> None:
    series = Counter(f.series for f in files)
    if len(series) > 1:
        shown = ", ".join(
            f"{uid or 'none stated'} ({n} files)" for uid, n in series.most_common(N_NAMED)
        )
        more = f", {len(series) - N_NAMED} more" if len(series) > N_NAMED else ""
        raise SourceError(
            f"{folder} holds {len(series)} series, wanted one; their SeriesInstanceUIDs are "
            f"{shown}{more}.",
            "Put each series in a folder of its own.",
        )


def _open(place: str, files: list[DicomFile], options: ReadOptions) -> DicomSource:
    frames = [frame for file in files for frame in file.frames]
    if len(frames) < 2:
        raise SourceError(
            f"{place} holds {len(frames)} planes, wanted two or more.",
            "Name the folder that holds all slices of the series.",
        )
    stored = files[0].stored
    for file in files:
        if file.stored != stored:
            raise SourceError(
                f"{file.path} holds {file.stored}, wanted {stored} like {files[0].path.name}.",
                "Keep one volume in a folder.",
            )
    ordered, voxel = ordered_frames(place, frames)
    header = make_header(
        place,
        "dicom",
        (len(ordered), stored.n_rows, stored.n_columns),
        _dtype(stored, ordered),
        voxel_um=voxel,
        n_bytes=sum(f.n_bytes for f in files),
        options=options,
        attributes=files[0].facts,
    )
    paths = list(dict.fromkeys(frame.path for frame in ordered))
    places = {path: k for k, path in enumerate(paths)}
    by_path = {file.path: file for file in files}
    planes = [_plane(places[f.path], f, by_path[f.path]) for f in ordered]
    return DicomSource(header, paths, planes, stored)


def _plane(number: int, frame: Frame, file: DicomFile) -> _Plane:
    return _Plane(
        file=number,
        index=frame.index,
        syntax=file.syntax,
        offset_bytes=file.offset_bytes,
        n_frames=len(file.frames),
        slope=frame.slope,
        intercept=frame.intercept,
    )


def _dtype(stored: Stored, frames: list[Frame]) -> str:
    """Return the type that holds all grey values exactly where they are whole, else float32."""
    whole = all(f.slope == 1.0 and f.intercept == round(f.intercept) for f in frames)
    if stored.kind == "f" or not whole:
        return "float32"
    low = stored.limits[0] + min(f.intercept for f in frames)
    high = stored.limits[1] + max(f.intercept for f in frames)
    # The type of the file goes first, so that a volume keeps the type that it was exported in.
    own = f"{'u' if stored.kind == 'u' else ''}int{stored.n_bits}"
    for name in dict.fromkeys((own, "int16", "uint16")):
        if name != "int8" and np.iinfo(name).min <= low and high <= np.iinfo(name).max:
            return name
    return "float32"


def _decode(file: BinaryIO, plane: _Plane, stored: Stored) -> NDArray[Any]:
    """Decode one frame to the stored type."""
    file.seek(plane.offset_bytes)
    encoded = get_frame(file, plane.index, number_of_frames=plane.n_frames)
    name = ENCODED[plane.syntax]
    kind = np.dtype(f"{stored.kind}{stored.n_bits // 8}")
    shape = (stored.n_rows, stored.n_columns)
    if name == "RLE":
        return decode_rle(encoded, shape, kind)
    voxels = np.asarray(DECODERS[name](encoded))
    if voxels.shape != shape:
        raise ValueError(f"a frame decodes to {voxels.shape}, wanted {shape}")
    # Decoders know nothing of signs: the bits are those of the stored type.
    unsigned = voxels.astype(np.dtype(f"u{kind.itemsize}"))
    return unsigned.view(kind)


def decode_rle(encoded: bytes, shape: tuple[int, int], kind: np.dtype[Any]) -> NDArray[Any]:
    """Decode a frame of DICOM's run-length encoding (PS3.5, annex G).

    Each byte of a pixel is a PackBits segment of its own, the most significant first.

    Parameters
    ----------
    encoded : bytes
        The frame: a header of 16 whole numbers, then its segments.
    shape : tuple of int
        Rows and columns.
    kind : dtype
        Type of a pixel.

    Returns
    -------
    (rows, columns) ndarray
        Native byte order.

    Raises
    ------
    ValueError
        Segments that are missing or short.
    """
    n_pixels = shape[0] * shape[1]
    numbers = np.frombuffer(encoded[:64], "<u4")
    if len(numbers) != 16 or numbers[0] != kind.itemsize:
        raise ValueError(f"a frame of {kind.itemsize} bytes a pixel has other segments")
    edges = [*numbers[1 : 1 + kind.itemsize].tolist(), len(encoded)]
    parts = np.empty((n_pixels, kind.itemsize), np.uint8)
    for k in range(kind.itemsize):
        segment = np.frombuffer(
            imagecodecs.packbits_decode(encoded[edges[k] : edges[k + 1]]), np.uint8
        )
        # A segment is padded to an even length, which may decode to one more byte.
        if len(segment) < n_pixels:
            raise ValueError(f"segment {k} holds {len(segment)} of {n_pixels} bytes")
        parts[:, k] = segment[:n_pixels]
    voxels = np.ascontiguousarray(parts).view(kind.newbyteorder(">")).reshape(shape)
    return voxels.astype(kind)


def _used_bits(voxels: NDArray[Any], stored: Stored) -> NDArray[Any]:
    """Clear, or fill with the sign, the high bits that hold no value."""
    unused = stored.n_bits - stored.n_bits_used
    return voxels if not unused else (voxels << unused) >> unused
