"""Zarr: OME-Zarr images (0.5, and 0.4 of the same meaning) and plain arrays, versions 2 and 3."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import zarr
from numpy.typing import NDArray

from pipeline.errors import SourceError
from pipeline.model.grid import Box, Triple
from pipeline.model.header import ReadOptions, VolumeHeader
from pipeline.readers.filesource import (
    READ_ERRORS,
    FileSource,
    make_header,
    sha256_files,
    stamp_files,
    triple,
)
from pipeline.readers.marks import is_zarr
from pipeline.readers.units import Voxel, unit_um, voxel_from_attributes, voxel_of

ZARR_ERRORS = (*READ_ERRORS, TypeError, AttributeError)


class ZarrSource(FileSource):
    """A Zarr array.

    A box costs the chunks that it touches, each decoded once; of a shard only its index and those
    inner chunks are read.  A chunk that is missing from the folder reads as the fill value, as
    the format wants it.

    Parameters
    ----------
    header : VolumeHeader
        What is known of the volume.
    folder : Path
        Folder of the array.
    axes : tuple of int
        Which axes of the array are z, y and x; the others have one place and are dropped.
    """

    def __init__(self, header: VolumeHeader, folder: Path, axes: tuple[int, ...]) -> None:
        super().__init__(header, ())
        self._folder = folder
        self._axes = axes

    def _read(self, box: Box) -> NDArray[Any]:
        with self._lock:
            if self._handle is None:
                self._handle = zarr.open_array(self._folder, mode="r")
            array = self._handle
        index: list[slice | int] = [0] * array.ndim
        for axis, part in zip(self._axes, box.slices, strict=True):
            index[axis] = part
        return np.asarray(array[tuple(index)])

    def checksum(self) -> str:
        """Return ``sha256:...`` over all files of the array.

        Files are taken in the order of their paths relative to the array's folder, with ``/``
        between the parts; the relative path, a zero byte and the length (8 bytes, little endian) go
        before the contents of each.  Reads every byte once, with a few MiB of memory.
        """
        named = sorted((p.relative_to(self._folder).as_posix(), p) for p in _files(self._folder))
        return sha256_files([path for _, path in named], [name for name, _ in named])

    def stamp(self) -> str:
        """Return ``sha256:...`` over names, sizes and times of change of the array's files.

        It tells without reading a voxel that nobody wrote to the array in between.
        """
        files = sorted(_files(self._folder))
        return stamp_files(files, [path.relative_to(self._folder).as_posix() for path in files])


def open_zarr(folder: Path, options: ReadOptions) -> ZarrSource:
    """Open an OME-Zarr image at its finest level, or a plain array.

    Of an image: the first multiscale, its first dataset, axes t and c of one place dropped; the
    voxel size is the product of the scale of the dataset and of the multiscale, in the units of
    the axes.  Of a plain array: the attributes that `voxel_from_attributes` knows.  A group without
    multiscales is taken where it is a collection of one image (``bioformats2raw.layout``), or holds
    exactly one array of three axes.  The store of a scan whose image was used in place opens that.

    Parameters
    ----------
    folder : Path
        Folder of the group or array.
    options : ReadOptions
        Its voxel size.

    Returns
    -------
    ZarrSource
        Boxes cost what that class says.

    Raises
    ------
    SourceError
        Unreadable metadata, several arrays, times or channels, axes in another order, a type
        that is not taken.
    """
    try:
        node = zarr.open(folder, mode="r")
        if isinstance(node, zarr.Array):
            found, axes, voxel = node, None, None
            place = folder
        else:
            if _own_facts(folder).get("image"):
                return _open_elsewhere(folder, _own_facts(folder)["image"], options)
            place, axes, voxel = _image(folder, node)
            found = zarr.open_array(place, mode="r")
            voxel = voxel or voxel_from_attributes(dict(node.attrs))
        if axes is None:
            axes = tuple(range(found.ndim))
        if voxel is None:
            voxel = voxel_from_attributes(dict(found.attrs))
        dropped = [n for k, n in enumerate(found.shape) if k not in axes]
        shape = tuple(found.shape[k] for k in axes) + tuple(n for n in dropped if n != 1)
        header = make_header(
            str(place),
            "zarr",
            shape,
            np.dtype(found.dtype).name,
            voxel_um=voxel,
            n_bytes=sum(p.stat().st_size for p in _files(place)),
            options=options,
            attributes={"chunks": str(found.chunks), "folder": str(folder)},
            chunk_vx=_chunk_vx(place, found.chunks, axes),
        )
    except ZARR_ERRORS as err:
        raise SourceError(
            f"{folder} is no readable Zarr array or OME-Zarr image: {err}.",
            "Copy it again from the original.",
        ) from err
    return ZarrSource(header, place, axes)


def _own_facts(folder: Path) -> dict[str, Any]:
    """Return what this project wrote into a store of its own; empty for all others."""
    try:
        own = json.loads((folder / "zarr.json").read_bytes())["attributes"]["castcensus"]
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return own if isinstance(own, dict) else {}


def _open_elsewhere(store: Path, image: Mapping[str, Any], options: ReadOptions) -> ZarrSource:
    """Open the image of a scan that was used in place, if nobody changed it since."""
    folder, voxel_um = Path(image["folder"]), image["voxel_um"]
    if options.voxel_um is None:
        options = replace(options, voxel_um=(voxel_um[0], voxel_um[1], voxel_um[2]))
    if not is_zarr(folder):
        raise SourceError(
            f"the image of {store} was used in place at {folder}, where it is no longer.",
            "Bring it back there; the store itself holds coarser levels and labels only.",
        )
    source = open_zarr(folder, options)
    if source.stamp() != image["stamp"]:
        raise SourceError(
            f"the image of {store} was used in place at {folder}, which has changed since.",
            f"Name {folder} itself to take it as it is now.",
        )
    return source


def _chunk_vx(place: Path, chunks: tuple[int, ...], axes: tuple[int, ...]) -> Triple | None:
    """Return the chunk of an array that may be used in place: a scan's own store goes with it."""
    if len(axes) != 3 or any(_own_facts(folder) for folder in (place, place.parent)):
        return None
    return triple([chunks[k] for k in axes])


def _files(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


def _image(folder: Path, group: zarr.Group) -> tuple[Path, tuple[int, ...] | None, Voxel | None]:
    """Find the array of a group, which of its axes are spatial, and its voxel size."""
    attributes = dict(group.attrs)
    ome = attributes.get("ome")
    scales = (ome if isinstance(ome, Mapping) else attributes).get("multiscales")
    if isinstance(scales, list) and scales:
        return _multiscale(folder, scales[0])
    images = _listed_images(group, ome if isinstance(ome, Mapping) else attributes)
    if len(images) == 1:
        return _image(folder / images[0], zarr.open_group(folder / images[0], mode="r"))
    arrays = [(name, array) for name, array in group.arrays() if array.ndim == 3]
    if len(arrays) == 1:
        return folder / arrays[0][0], None, None
    names = ", ".join(f"{name} {array.shape}" for name, array in arrays)
    groups = ", ".join(sorted(name for name, _ in group.groups()))
    raise SourceError(
        f"{folder} is a Zarr group without an image (no multiscales) and holds {len(arrays)} "
        f"arrays of three axes{': ' + names if names else ''}"
        f"{'; groups: ' + groups if groups else ''}.",
        f"Name the array, such as {folder.name}/{arrays[0][0] if arrays else '0'}",
    )


def _listed_images(group: zarr.Group, attributes: Mapping[str, Any]) -> list[str]:
    """Return the images of a collection: a group that numbers them (0, 1, ...) as its children."""
    if "bioformats2raw.layout" not in attributes:
        return []
    return sorted(name for name, _ in group.groups() if name.isdigit())


def _multiscale(
    folder: Path, scale: Mapping[str, Any]
) -> tuple[Path, tuple[int, ...] | None, Voxel | None]:
    dataset = scale["datasets"][0]
    place = folder / str(dataset["path"])
    stated = scale.get("axes")
    if not stated:
        return place, None, None
    # Before 0.4 axes were bare names.
    axes = [a if isinstance(a, Mapping) else {"name": a} for a in stated]
    names = [str(a["name"]).lower() for a in axes]
    space = tuple(
        k
        for k, a in enumerate(axes)
        if a.get("type") == "space" or (a.get("type") is None and names[k] in {"z", "y", "x"})
    )
    if [names[k] for k in space] != ["z", "y", "x"]:
        raise SourceError(
            f"{folder} has the axes {', '.join(names)}, wanted z, y, x (and t, c of one place).",
            "Store the volume with its axes in that order.",
        )
    factors = np.ones(len(axes))
    for part in (dataset, scale):
        for transform in part.get("coordinateTransformations") or ():
            if transform.get("type") == "scale":
                factors = factors * np.asarray(transform["scale"], dtype=np.float64)
    units = [str(axes[k].get("unit") or "") for k in space]
    if any(unit_um(u) is None for u in units):
        return place, space, None
    return place, space, voxel_of([float(factors[k]) for k in space], units)
