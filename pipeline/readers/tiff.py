"""TIFF: folders of 2-D slices, multi-page files, BigTIFF.

Opening a folder reads the header of every slice (about half a millisecond each), because one slice
of another shape or a truncated one must be named before a run starts, not in its middle.  Where the
voxels of a plane lie is then known, and travels with a pickle: reading opens no header again.
"""

from __future__ import annotations

import math
from contextlib import ExitStack
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray
from tifffile import TiffFile, TiffFileError, TiffFrame, TiffPage

from pipeline.errors import SourceError
from pipeline.model.grid import Box
from pipeline.model.header import ReadOptions, VolumeHeader
from pipeline.readers.filesource import READ_ERRORS, FileSource, make_header
from pipeline.readers.flat import read_rows
from pipeline.readers.slicenames import ordered_slices
from pipeline.readers.tiffscale import tiff_voxel_um
from pipeline.readers.units import Voxel

SUFFIXES = (".tif", ".tiff", ".btf", ".tf8")
PAGE_ERRORS = (TiffFileError, *READ_ERRORS, TypeError, AttributeError)
ENCODED = -1
"""Offset of a plane that must be decoded: compressed, tiled, or in scattered strips."""

REDO = "Export the slice again, or copy it again from the original."
ONE_GREY = "Save one grey-scale volume: one sample a pixel, planes as the only further axis."


@dataclass(frozen=True, slots=True)
class _Slice:
    """What the header of a slice says."""

    shape: tuple[int, ...]
    dtype: str
    byte_order: str
    offset_bytes: int
    n_bytes: int
    voxel_um: Voxel | None
    software: str


class TiffSource(FileSource):
    """Planes in TIFF files: one in each of many, or all in one.

    Uncompressed planes: a box costs one read of its rows for each plane (whole rows).  Encoded
    planes: the strips or tiles that the box touches are decoded, one at a time, after the header of
    the file was parsed; in a multi-page file the chain of pages is walked up to the box's last.

    Parameters
    ----------
    header : VolumeHeader
        What is known of the volume.
    files : list of Path
        One for each plane, or one.
    offsets : ndarray of int64
        Where each plane lies in its file, or `ENCODED`.
    byte_orders : str
        ``<`` or ``>`` for each plane.
    """

    def __init__(
        self, header: VolumeHeader, files: list[Path], offsets: NDArray[np.int64], byte_orders: str
    ) -> None:
        super().__init__(header, files)
        self._offsets = offsets
        self._byte_orders = byte_orders

    def _read(self, box: Box) -> NDArray[Any]:
        out = np.empty(box.shape, np.dtype(self.header.dtype))
        planes = range(box.start[0], box.stop[0])
        if len(self._files) == self.header.shape[0]:
            for plane, z in zip(out, planes, strict=True):
                self._read_planes(self._files[z], [z], [0], box, plane[None])
        else:
            self._read_planes(self._files[0], list(planes), list(planes), box, out)
        return out

    def _read_planes(
        self, path: Path, planes: list[int], pages: list[int], box: Box, out: NDArray[Any]
    ) -> None:
        """Read planes of one file, opened once."""
        _, rows, columns = box.slices
        with ExitStack() as stack:
            file: BinaryIO | None = None
            tif: TiffFile | None = None
            for plane, z, page in zip(out, planes, pages, strict=True):
                offset = int(self._offsets[z])
                if offset == ENCODED:
                    if tif is None:
                        tif = stack.enter_context(TiffFile(path))
                    decode_rows(_page(tif, page), rows, columns, plane)
                    continue
                if file is None:
                    file = stack.enter_context(path.open("rb", buffering=0))
                stored = plane.dtype.newbyteorder(self._byte_orders[z])
                read_rows(file, offset, stored, self.header.shape[2], rows, columns, plane)


def decode_rows(page: TiffPage | TiffFrame, rows: slice, columns: slice, out: NDArray[Any]) -> None:
    """Decode the strips or tiles of a page that a window touches.

    Parameters
    ----------
    page : TiffPage or TiffFrame
        Page of an open file.
    rows, columns : slice
        The window, with start and stop.
    out : ndarray, (rows, columns)
        Receives the window in native byte order.
    """
    key = page.keyframe
    assert key is not None
    if key.is_tiled:
        height, width = key.tilelength, key.tilewidth
    else:
        height, width = min(key.rowsperstrip, key.imagelength), key.imagewidth
    n_across = -(-key.imagewidth // width)
    file = page.parent.filehandle
    segments = zip(page.dataoffsets, page.databytecounts, strict=True)
    for index, (offset, n_bytes) in enumerate(segments):
        y, x = index // n_across * height, index % n_across * width
        top, bottom = max(y, rows.start), min(y + height, rows.stop)
        left, right = max(x, columns.start), min(x + width, columns.stop)
        if top >= bottom or left >= right:
            continue
        window = out[top - rows.start : bottom - rows.start, left - columns.start :]
        window = window[:, : right - left]
        if n_bytes == 0:
            # A segment that was never written stands for the nodata value.
            window[...] = key.nodata
            continue
        file.seek(offset)
        data = file.read(n_bytes)
        if len(data) < n_bytes:
            raise EOFError(f"page {page.index} ends {n_bytes - len(data)} bytes early")
        segment = key.decode(data, index, jpegtables=key.jpegtables)[0]
        if segment is None:
            raise ValueError(f"segment {index} of page {page.index} holds nothing")
        window[...] = segment[0, top - y : bottom - y, left - x : right - x, 0]


def open_tiff_folder(folder: Path, names: list[str], options: ReadOptions) -> TiffSource:
    """Open a folder of 2-D slices.

    Parameters
    ----------
    folder : Path
        The folder.
    names : list of str
        Names of its TIFF files, in any order; at least two.
    options : ReadOptions
        Its voxel size.

    Returns
    -------
    TiffSource
        Boxes cost what that class says.

    Raises
    ------
    SourceError
        A slice is missing, truncated, of another shape or type than the first, or no single
        grey-scale image: the message names it.
    """
    files = [folder / name for name in ordered_slices(folder, names)]
    first = _open_slice(files[0])
    slices = [first]
    for path in files[1:]:
        found = _open_slice(path)
        if (found.shape, found.dtype) != (first.shape, first.dtype):
            raise SourceError(
                f"slice {path} is {_size(found.shape)} {found.dtype}, wanted {_size(first.shape)} "
                f"{first.dtype} like the first, {files[0].name}.",
                "Export all slices of the volume in one size and type.",
            )
        slices.append(found)
    header = make_header(
        str(folder),
        "tiff-folder",
        (len(files), *first.shape),
        first.dtype,
        voxel_um=first.voxel_um,
        n_bytes=sum(s.n_bytes for s in slices),
        options=options,
        attributes={"software": first.software} if first.software else {},
    )
    offsets = np.array([s.offset_bytes for s in slices], dtype=np.int64)
    return TiffSource(header, files, offsets, "".join(s.byte_order for s in slices))


def open_tiff(path: Path, options: ReadOptions) -> TiffSource:
    """Open a multi-page TIFF or BigTIFF file.

    Parameters
    ----------
    path : Path
        The file.
    options : ReadOptions
        Its voxel size.

    Returns
    -------
    TiffSource
        Boxes cost what that class says.

    Raises
    ------
    SourceError
        Truncated, or not one grey-scale volume: colour, one plane, four axes, pages of several
        shapes.
    """
    n_bytes = path.stat().st_size
    try:
        with TiffFile(path) as tif:
            series = _only_series(path, tif)
            header = make_header(
                str(path),
                "tiff",
                series.shape,
                np.dtype(series.dtype).name,
                voxel_um=tiff_voxel_um(tif),
                n_bytes=n_bytes,
                options=options,
                attributes={"software": tif.pages.first.software, "axes": series.axes},
            )
            offsets = _plane_offsets(path, tif, series, header)
            orders = tif.byteorder * header.shape[0]
    except PAGE_ERRORS as err:
        raise _unreadable(path, err) from err
    return TiffSource(header, [path], offsets, orders)


def _only_series(path: Path, tif: TiffFile) -> Any:
    """Return the one image of a file, or say what else it holds."""
    _check_chain(path, tif)
    series = tif.series
    if len(series) != 1:
        a, b = series[0], series[1]
        page = b.pages[0]
        raise SourceError(
            f"{path} holds {len(series)} images of different shape or type: {_size(a.shape)} "
            f"{np.dtype(a.dtype).name}, and from page {getattr(page, 'index', '?')} "
            f"{_size(b.shape)} {np.dtype(b.dtype).name}.",
            ONE_GREY,
        )
    first = tif.pages.first
    n_described = int((tif.imagej_metadata or {}).get("images", 0))
    n_held = math.prod(series[0].shape[:-2])
    if n_held < n_described:
        raise SourceError(
            f"{path} is truncated: it holds {n_held} planes, its description says {n_described}.",
            REDO,
        )
    if "S" in series[0].axes or first.samplesperpixel != 1:
        raise SourceError(
            f"{path} is a colour image ({first.samplesperpixel} samples a pixel, axes "
            f"{series[0].axes}, {_size(series[0].shape)}), wanted grey.",
            ONE_GREY,
        )
    if series[0].ndim == 3 and series[0].axes[0] == "C":
        raise SourceError(
            f"{path} holds {series[0].shape[0]} channels of one plane, wanted planes.", ONE_GREY
        )
    return series[0]


def _plane_offsets(
    path: Path, tif: TiffFile, series: Any, header: VolumeHeader
) -> NDArray[np.int64]:
    """Find where each plane lies; refuse a file that ends before the last one does."""
    n_planes, n_rows, n_columns = header.shape
    plane_bytes = n_rows * n_columns * header.itemsize
    size = header.n_bytes
    if series.dataoffset is not None:
        wanted = series.dataoffset + n_planes * plane_bytes
        if size < wanted:
            raise _truncated(path, size, wanted)
        return series.dataoffset + plane_bytes * np.arange(n_planes, dtype=np.int64)
    # The order of pages is taken from the file; an image spread over several files is refused.
    if len(tif.pages) != n_planes or any(p is None or p.parent is not tif for p in series.pages):
        raise SourceError(
            f"{path} holds {len(tif.pages)} pages for the {n_planes} planes that it describes.",
            "Save the volume as one file with one page a plane, or as a folder of slices.",
        )
    return np.array(
        [_page_offset(path, page, plane_bytes, size) for page in series.pages], dtype=np.int64
    )


def _open_slice(path: Path) -> _Slice:
    """Return what the header of a slice says; the file is read again only if it has changed.

    A header takes about a millisecond, and a job opens its source several times.
    """
    try:
        facts = path.stat()
    except OSError as err:
        raise _unreadable(path, err) from err
    return _parse_slice(path, facts.st_size, facts.st_mtime_ns, facts.st_ino)


@lru_cache(maxsize=8192)
def _parse_slice(path: Path, *_: int) -> _Slice:
    try:
        with TiffFile(path) as tif:
            page = tif.pages.first
            if len(tif.pages) != 1:
                raise SourceError(
                    f"slice {path} holds {len(tif.pages)} pages, wanted one.",
                    "Keep one stack of single slices in a folder; open a multi-page file by name.",
                )
            if page.samplesperpixel != 1 or page.ndim != 2 or page.dtype is None:
                raise SourceError(
                    f"slice {path} is no grey-scale image: {page.samplesperpixel} samples a pixel "
                    f"of {page.bitspersample} bits, shape {_size(page.shape)}.",
                    "Export grey-scale slices.",
                )
            size = tif.filehandle.size
            plane_bytes = page.shape[0] * page.shape[1] * page.dtype.itemsize
            return _Slice(
                shape=page.shape,
                dtype=page.dtype.name,
                byte_order=tif.byteorder,
                offset_bytes=_page_offset(path, page, plane_bytes, size),
                n_bytes=size,
                voxel_um=tiff_voxel_um(tif),
                software=page.software,
            )
    except PAGE_ERRORS as err:
        raise _unreadable(path, err) from err


def _page_offset(path: Path, page: TiffPage | TiffFrame, plane_bytes: int, size: int) -> int:
    """Return where a page's voxels lie, or `ENCODED`; refuse a page that the file cuts off."""
    if not page.dataoffsets:
        raise SourceError(f"page {page.index} of {path} holds no voxels.", REDO)
    end = max(a + n for a, n in zip(page.dataoffsets, page.databytecounts, strict=True))
    if page.is_final:
        end = max(end, page.dataoffsets[0] + plane_bytes)
    if end > size:
        raise _truncated(path, size, end)
    return int(page.dataoffsets[0]) if page.is_final else ENCODED


def _check_chain(path: Path, tif: TiffFile) -> None:
    """Refuse a file whose last page points to a further one that the file no longer holds."""
    n_pages = len(tif.pages)
    form, file = tif.tiff, tif.filehandle
    file.seek(_page(tif, n_pages - 1).offset)
    n_tags = int.from_bytes(file.read(form.tagnosize), _order(tif))
    file.seek(n_tags * form.tagsize, 1)
    following = int.from_bytes(file.read(form.offsetsize), _order(tif))
    if following:
        raise _truncated(path, file.size, following, "at least ")


def _order(tif: TiffFile) -> Any:
    return "little" if tif.byteorder == "<" else "big"


def _page(tif: TiffFile, index: int) -> Any:
    return tif.pages[index]


def _truncated(path: Path, got: int, wanted: int, least: str = "") -> SourceError:
    return SourceError(f"{path} is truncated: got {got} bytes, wanted {least}{wanted}.", REDO)


def _unreadable(path: Path, err: BaseException) -> SourceError:
    return SourceError(f"{path} is no readable TIFF file: {err}.", REDO)


def _size(shape: tuple[int, ...]) -> str:
    return " x ".join(str(n) for n in shape)
