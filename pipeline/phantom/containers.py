"""Files that a simulated volume is written to, box by box, in any order of boxes.

Every container takes whole tiles and puts their voxels where they belong, so that no format needs
more of the volume in memory than a tile.  Voxels are little endian.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any, Literal, Protocol

import h5py
import numpy as np
import tifffile
import yaml
import zarr
from numpy.typing import NDArray

from pipeline.model.grid import Box, Triple

Format = Literal["tiff", "hdf5", "raw", "zarr", "nrrd", "npy"]
FORMATS: tuple[Format, ...] = ("tiff", "hdf5", "raw", "zarr", "nrrd", "npy")

_CHUNK_VX = 64
_TILE_VOXELS = 8 * 2**20  # 16 MB of uint16
_SHARD_VX: Triple = (128, 256, 256)


class Container(Protocol):
    """A volume that is being written."""

    path: Path

    def write(self, box: Box, grey: NDArray[Any]) -> None:
        """Write the voxels of a box."""
        ...

    def close(self) -> None:
        """Finish the file."""
        ...


def default_tile_shape(form: Format, size_vx: Triple) -> Triple:
    """Return the tiles that a format is written in.

    Zarr takes whole shards; the others take bands of whole rows, which lie together in the file.

    Examples
    --------
    >>> default_tile_shape("raw", (2048, 2048, 2048)), default_tile_shape("raw", (96, 96, 96))
    ((64, 64, 2048), (64, 96, 96))
    """
    nz, ny, nx = size_vx
    if form == "zarr":
        return (min(_SHARD_VX[0], nz), min(_SHARD_VX[1], ny), min(_SHARD_VX[2], nx))
    rows = _TILE_VOXELS // (_CHUNK_VX * nx)
    rows = rows // _CHUNK_VX * _CHUNK_VX if rows >= _CHUNK_VX else max(rows, 16)
    return (min(_CHUNK_VX, nz), min(rows, ny), nx)


def _write_rows(path: Path, offset: int, shape: Triple, box: Box, grey: NDArray[Any]) -> None:
    """Write a box of a little-endian volume in C order that starts at `offset` of a file."""
    little = np.ascontiguousarray(grey, grey.dtype.newbyteorder("<"))
    _, ny, nx = shape
    size = little.itemsize
    (z0, y0, x0), (z1, y1, _) = box.start, box.stop
    whole_rows = box.shape[2] == nx
    with path.open("r+b") as file:
        for z in range(z0, z1):
            if whole_rows:
                file.seek(offset + (z * ny + y0) * nx * size)
                file.write(little[z - z0].data)
                continue
            for y in range(y0, y1):
                file.seek(offset + ((z * ny + y) * nx + x0) * size)
                file.write(little[z - z0, y - y0].data)


class FlatFile:
    """One file: a header, then all voxels in C order.

    Parameters
    ----------
    path : Path
        File to create, at its full length.
    header : bytes
        What comes before the first voxel.
    size_vx : tuple of int
        Shape of the volume.
    """

    def __init__(self, path: Path, header: bytes, size_vx: Triple) -> None:
        self.path = path
        self._offset, self._shape = len(header), size_vx
        with path.open("wb") as file:
            file.write(header)
            file.truncate(len(header) + 2 * Box((0, 0, 0), size_vx).n_voxels)

    def write(self, box: Box, grey: NDArray[Any]) -> None:
        """Write the voxels of a box."""
        _write_rows(self.path, self._offset, self._shape, box, grey)

    def close(self) -> None:
        """Do nothing: the file is closed after every write."""


class TiffSlices:
    """A folder of single-page TIFF slices, whose ImageJ tags state the voxel size in all axes.

    Parameters
    ----------
    folder : Path
        Existing folder.
    size_vx : tuple of int
        Shape of the volume.
    voxel_um : float
        Edge length of a voxel.
    """

    def __init__(self, folder: Path, size_vx: Triple, voxel_um: float) -> None:
        self.path = folder
        self._shape: Triple = (1, size_vx[1], size_vx[2])
        buffer = io.BytesIO()
        tifffile.imwrite(
            buffer,
            np.zeros(self._shape[1:], np.uint16),
            imagej=True,
            byteorder="<",
            resolution=(1 / voxel_um, 1 / voxel_um),
            metadata={"unit": "um", "spacing": voxel_um},
        )
        n_bytes = 2 * size_vx[1] * size_vx[2]
        with tifffile.TiffFile(io.BytesIO(buffer.getvalue())) as page:
            self._offset = int(page.pages[0].dataoffsets[0])
        header = buffer.getvalue()[: self._offset]
        for z in range(size_vx[0]):
            with self._slice(z).open("wb") as file:
                file.write(header)
                file.truncate(self._offset + n_bytes)

    def _slice(self, z: int) -> Path:
        return self.path / f"slice_{z:05d}.tif"

    def write(self, box: Box, grey: NDArray[Any]) -> None:
        """Write the voxels of a box."""
        flat = Box((0, *box.start[1:]), (1, *box.stop[1:]))
        for i, z in enumerate(range(box.start[0], box.stop[0])):
            _write_rows(self._slice(z), self._offset, self._shape, flat, grey[i : i + 1])

    def close(self) -> None:
        """Do nothing: every slice is closed after every write."""


class Hdf5File:
    """A NeXus-like HDF5 file: ``/entry/data/data`` with its axes in micrometres.

    Parameters
    ----------
    path : Path
        File to create.
    size_vx : tuple of int
        Shape of the volume.
    voxel_um : float
        Edge length of a voxel.
    """

    def __init__(self, path: Path, size_vx: Triple, voxel_um: float) -> None:
        self.path = path
        self._file = h5py.File(path, "w")
        self._file.attrs["default"] = "entry"
        entry = self._file.create_group("entry")
        entry.attrs.update({"NX_class": "NXentry", "default": "data"})
        group = entry.create_group("data")
        group.attrs.update({"NX_class": "NXdata", "signal": "data"})
        group.attrs["axes"] = ["z", "y", "x"]
        chunks = tuple(min(_CHUNK_VX, n) for n in size_vx)
        self._data = group.create_dataset("data", size_vx, "<u2", chunks=chunks)
        self._data.attrs["voxel_size_um"] = [voxel_um] * 3
        for name, n in zip("zyx", size_vx, strict=True):
            axis = group.create_dataset(name, data=np.arange(n) * voxel_um)
            axis.attrs["units"] = "um"

    def write(self, box: Box, grey: NDArray[Any]) -> None:
        """Write the voxels of a box."""
        self._data[box.slices] = grey

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def _chunk_and_shard(tile: int, n: int) -> tuple[int, int]:
    """Return edges of chunk and shard along one axis: a tile is one shard of whole chunks.

    Examples
    --------
    >>> _chunk_and_shard(256, 1000), _chunk_and_shard(100, 100), _chunk_and_shard(97, 300)
    ((64, 256), (64, 128), (97, 97))
    """
    if tile >= n:
        chunk = min(_CHUNK_VX, n)
        return chunk, -(-n // chunk) * chunk
    fit = max(d for d in range(1, _CHUNK_VX + 1) if tile % d == 0)
    chunk = fit if fit >= _CHUNK_VX // 4 else tile
    return chunk, tile


class ZarrImage:
    """An OME-Zarr 0.5 image of one level, sharded so that a tile is one shard.

    Parameters
    ----------
    path : Path
        Folder to create.
    size_vx : tuple of int
        Shape of the volume.
    voxel_um : float
        Edge length of a voxel.
    tile_shape : tuple of int
        Tiles that will be written.
    dtype : str
        Type of a voxel.
    fill_value : int
        Value of voxels that nobody wrote.
    """

    def __init__(
        self,
        path: Path,
        size_vx: Triple,
        voxel_um: float,
        tile_shape: Triple,
        dtype: str = "uint16",
        fill_value: int = 0,
    ) -> None:
        self.path = path
        group = zarr.open_group(path, mode="w", zarr_format=3)
        group.attrs["ome"] = {
            "version": "0.5",
            "multiscales": [
                {
                    "name": path.stem,
                    "axes": [{"name": a, "type": "space", "unit": "micrometer"} for a in "zyx"],
                    "datasets": [
                        {
                            "path": "0",
                            "coordinateTransformations": [
                                {"type": "scale", "scale": [voxel_um] * 3}
                            ],
                        }
                    ],
                }
            ],
        }
        edges = [_chunk_and_shard(t, n) for t, n in zip(tile_shape, size_vx, strict=True)]
        self._array = group.create_array(
            "0",
            shape=size_vx,
            dtype=dtype,
            chunks=tuple(chunk for chunk, _ in edges),
            shards=tuple(shard for _, shard in edges),
            fill_value=fill_value,
            dimension_names=["z", "y", "x"],
        )

    def write(self, box: Box, grey: NDArray[Any]) -> None:
        """Write the voxels of a box, one whole shard."""
        self._array[box.slices] = grey

    def close(self) -> None:
        """Do nothing: shards are complete when they are written."""


def _nrrd_header(size_vx: Triple, voxel_um: float) -> bytes:
    nz, ny, nx = size_vx
    mm = voxel_um / 1000
    lines = (
        "NRRD0004",
        "type: uint16",
        "dimension: 3",
        f"sizes: {nx} {ny} {nz}",
        f"spacings: {mm!r} {mm!r} {mm!r}",
        'units: "mm" "mm" "mm"',
        "endian: little",
        "encoding: raw",
    )
    return ("\n".join(lines) + "\n\n").encode("ascii")


def _npy_header(size_vx: Triple) -> bytes:
    buffer = io.BytesIO()
    np.lib.format.write_array_header_1_0(
        buffer, {"descr": "<u2", "fortran_order": False, "shape": size_vx}
    )
    return buffer.getvalue()


def create_container(
    form: Format, folder: Path, size_vx: Triple, voxel_um: float, tile_shape: Triple
) -> Container:
    """Create an empty volume in a folder.

    Parameters
    ----------
    form : str
        One of `FORMATS`.
    folder : Path
        Existing folder; TIFF slices lie in it directly, others are named ``volume.<suffix>``.
    size_vx : tuple of int
        Shape, (z, y, x).
    voxel_um : float
        Edge length of a voxel in micrometres.
    tile_shape : tuple of int
        Tiles that will be written; Zarr makes them its shards.

    Returns
    -------
    Container
        Takes uint16 voxels.
    """
    if form == "tiff":
        return TiffSlices(folder, size_vx, voxel_um)
    if form == "hdf5":
        return Hdf5File(folder / "volume.h5", size_vx, voxel_um)
    if form == "zarr":
        return ZarrImage(folder / "volume.zarr", size_vx, voxel_um, tile_shape)
    if form == "nrrd":
        return FlatFile(folder / "volume.nrrd", _nrrd_header(size_vx, voxel_um), size_vx)
    if form == "npy":
        return FlatFile(folder / "volume.npy", _npy_header(size_vx), size_vx)
    side = {
        "shape": list(size_vx),
        "dtype": "uint16",
        "byte_order": "little",
        "offset_bytes": 0,
        "voxel_um": [voxel_um] * 3,
    }
    (folder / "volume.raw.yaml").write_text(yaml.safe_dump(side, sort_keys=False), "utf-8")
    return FlatFile(folder / "volume.raw", b"", size_vx)
