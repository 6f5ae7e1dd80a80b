"""How Delta, Arrow and Zarr open what lies in object storage, or on a disk."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import zarr
from deltalake import DeltaTable
from deltalake.fs import DeltaStorageHandler
from pyarrow.fs import FileSystem, PyFileSystem
from zarr.storage import ObjectStore

from pipeline.stores.places import SCHEME, ObjectFolder, Place, answered

_DELTA_OPTIONS = {"allow_http": "true", "connect_timeout": "5s", "max_retries": "3"}
"""Beside what the environment says; an endpoint on http:// is one that the user has named."""


def open_delta(place: Place, version: int | None = None) -> DeltaTable:
    """Open a Delta table, on disk or in object storage."""
    if isinstance(place, ObjectFolder):
        return DeltaTable(str(place), version=version, storage_options=_DELTA_OPTIONS)
    return DeltaTable(place, version=version)


def has_delta(place: Place) -> bool:
    """Tell whether there is a Delta table."""
    if isinstance(place, ObjectFolder):
        return (place / "_delta_log").is_dir()
    return bool(DeltaTable.is_deltatable(str(place)))


def open_bucket(address: str) -> tuple[FileSystem, int]:
    """Open the bucket of an address for Arrow; addresses lose that many characters to be paths."""
    root = SCHEME + address.removeprefix(SCHEME).partition("/")[0]
    return PyFileSystem(DeltaStorageHandler(root, _DELTA_OPTIONS)), len(root) + 1


def open_array(folder: ObjectFolder) -> zarr.Array[Any]:
    """Open a Zarr array for reading."""
    with answered(folder):
        store = ObjectStore(folder.store, read_only=True)
        return zarr.open_array(store, path=folder.key, mode="r", zarr_format=3)


def open_group(place: Place) -> zarr.Group:
    """Open a Zarr group for reading."""
    if isinstance(place, Path):
        return zarr.open_group(place, mode="r")
    with answered(place):
        store = ObjectStore(place.store, read_only=True)
        return zarr.open_group(store, path=place.key, mode="r", zarr_format=3)


def place_of(array: zarr.Array[Any]) -> Place:
    """Return where an array lies."""
    path, store = array.store_path, array.store_path.store
    if isinstance(store, ObjectStore):
        bucket: Any = store.store
        return ObjectFolder(str(bucket.config["bucket"]), path.path, bucket)
    return Path(str(path).removeprefix("file://"))
