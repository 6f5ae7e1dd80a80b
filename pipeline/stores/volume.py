"""Volumes in Zarr v3: one shard a tile, checksummed chunks inside, read by box.

A task writes whole shards and no two tasks share one, so writers never lock.  Every inner chunk
carries a CRC-32C: a flipped bit is met as damage with the path of its shard, not as grey values.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import zarr
from numcodecs import blosc
from numpy.typing import NDArray
from zarr.codecs import BloscCodec, Crc32cCodec

from pipeline.errors import DamageError, StoreError
from pipeline.model.grid import Box, TileGrid, Triple
from pipeline.stores.durability import set_durable, sync_files
from pipeline.stores.layout import lay_out
from pipeline.stores.objects import open_array, place_of
from pipeline.stores.places import ObjectFolder, Place, answered, need_disk


def prepare_process(durable: bool = True) -> None:
    """Set how this process encodes: on one thread, and every chunk of a tile.

    Parallelism is the scheduler's business.  A shard of background only is written too: looking for
    it costs as much as encoding it, and what is there need not be guessed at.

    Parameters
    ----------
    durable : bool
        Whether what is written is forced to disk; see `pipeline.stores.durability`.
    """
    set_durable(durable)
    blosc.use_threads = False
    zarr.config.set(
        {
            "threading.max_workers": 1,
            "async.concurrency": 4,
            "array.write_empty_chunks": True,
        }
    )


def create_volume(
    path: Path,
    shape: Triple,
    dtype: str,
    tile_shape: Triple,
    *,
    fill: int = 0,
    label: bool = False,
) -> zarr.Array[Any]:
    """Create an empty volume, or open the one of the same layout that is already there.

    Parameters
    ----------
    path : Path
        Folder of the array.
    shape : tuple of int
        Voxels of the volume, (z, y, x).
    dtype : str
        Voxel type.
    tile_shape : tuple of int
        Voxels of a tile.
    fill : int
        Value of shards that are not there.
    label : bool
        Whether voxels are labels: long runs of one value, which shuffled bits would only slow down.

    Returns
    -------
    zarr.Array
        The array, ready for `write_tile`.

    Raises
    ------
    StoreError
        If the folder cannot be written or holds an array of another layout.
    """
    inner, shards = lay_out(shape, tile_shape)
    # A folder without metadata is what a driver leaves that dies right here.
    if (path / "zarr.json").exists():
        array = open_volume(path)
        if array.shape != shape or array.dtype != np.dtype(dtype) or array.shards != shards:
            raise StoreError(f"{path} holds an array of another layout.", "Remove it and resume.")
        return array
    codec = BloscCodec(
        cname="lz4",
        clevel=1,
        shuffle="noshuffle" if label else "bitshuffle",
        typesize=np.dtype(dtype).itemsize,
    )
    try:
        created = zarr.create_array(
            path,
            shape=shape,
            dtype=dtype,
            chunks=inner,
            shards=shards,
            compressors=[codec, Crc32cCodec()],
            fill_value=fill,
            dimension_names=("z", "y", "x"),
        )
        sync_files([path / "zarr.json"], path)
        return created
    except OSError as error:
        raise StoreError(f"{path} cannot be created: {error}.", "Check the workspace.") from None


def open_volume(path: Place) -> zarr.Array[Any]:
    """Open a volume for reading boxes and, on a disk, writing tiles.

    Raises
    ------
    StoreError
        If there is none.
    """
    try:
        if isinstance(path, ObjectFolder):
            return open_array(path)
        return zarr.open_array(path, mode="r+")
    except (OSError, ValueError, KeyError) as error:
        raise StoreError(f"{path} cannot be opened as a volume: {error}.") from None


def write_tile(array: zarr.Array[Any], core: Box, voxels: NDArray[Any]) -> None:
    """Write the voxels of one tile: one whole shard, by rename, then forced to disk.

    Raises
    ------
    StoreError
        If the disk is full or the folder not writable.
    """
    try:
        array[core.slices] = voxels
        sync_files((path for path, _ in walk_shards(array, core)), array_folder(array))
    except OSError as error:
        raise StoreError(
            f"{array.store_path}: the tile at {core.start} cannot be written: {error}.",
            "Free some disk and resume the job.",
        ) from None


def read_box(array: zarr.Array[Any], box: Box) -> NDArray[Any]:
    """Return the voxels of a box that lies inside the volume.

    Raises
    ------
    DamageError
        If a chunk does not match its checksum or cannot be decoded; the shard is named.
    """
    try:
        with answered(array.store_path):
            return np.asarray(array[box.slices])
    except (ValueError, RuntimeError, OSError) as error:
        shard = _damaged_shard(array, box) or "one of its shards"
        raise DamageError(
            f"{shard} is damaged: {str(error).rstrip('.')}.",
            "Restore it from a backup, or submit the scan again with --replace.",
        ) from None


def array_folder(array: zarr.Array[Any]) -> Path:
    """Return the folder of a volume on a disk."""
    return need_disk(place_of(array))


def shard_path(array: zarr.Array[Any], place: Triple) -> Path:
    """Return where the shard at `place` of the grid of tiles lies on disk."""
    return array_folder(array) / array.metadata.encode_chunk_key(place)


def walk_shards(array: zarr.Array[Any], box: Box | None = None) -> Iterator[tuple[Path, Box]]:
    """Yield where each shard lies on disk, and its voxels; see `walk_places`."""
    return ((need_disk(place), shard) for place, shard in walk_places(array, box))


def walk_places(array: zarr.Array[Any], box: Box | None = None) -> Iterator[tuple[Place, Box]]:
    """Yield where each shard lies, and its voxels; those under a box, or all.

    Parameters
    ----------
    array : zarr.Array
        The volume.
    box : Box, optional
        Part of it.

    Yields
    ------
    place : Path or ObjectFolder
        The shard, whether or not it is there.
    shard : Box
        Its voxels, cut off at the volume's border.
    """
    folder, shape, edges = place_of(array), array.shape, array.shards or array.chunks
    grid = TileGrid((shape[0], shape[1], shape[2]), (edges[0], edges[1], edges[2]))
    box = box or Box((0, 0, 0), grid.shape)
    z, y, x = (
        range(a // n, -(-b // n)) for a, b, n in zip(box.start, box.stop, edges, strict=True)
    )
    for place in itertools.product(z, y, x):
        shard = folder / array.metadata.encode_chunk_key(place)
        yield shard, grid.tile(grid.number(place)).core


def _damaged_shard(array: zarr.Array[Any], box: Box) -> Place | None:
    """Return the first shard under `box` that cannot be read, by reading them one by one."""
    for path, shard in walk_places(array, box):
        try:
            array[shard.slices]
        except (ValueError, RuntimeError, OSError):
            return path
    return None
