"""HDF5 and NeXus: one 3-D dataset of a file."""

from __future__ import annotations

from pathlib import Path, PurePosixPath
from typing import Any

import h5py
import hdf5plugin
import numpy as np
from numpy.typing import NDArray

from pipeline.errors import SourceError
from pipeline.model.grid import Box
from pipeline.model.header import ReadOptions
from pipeline.readers.filesource import READ_ERRORS, FileSource, make_header
from pipeline.readers.layouts import (
    axes_voxel_um,
    class_of,
    exchange_voxel_um,
    find_reconstructions,
    is_projections,
    signal_of,
    text_of,
)
from pipeline.readers.units import Voxel, voxel_from_attributes

# Importing hdf5plugin makes its filters known to h5py; the name shows that the import is meant.
PLUGIN_VERSION = hdf5plugin.version

N_LISTED = 20


class Hdf5Source(FileSource):
    """A dataset of an HDF5 file.

    A box costs the chunks that it touches, each decoded once for each `read`; a contiguous dataset
    costs the box.  HDF5 serves one thread of a process at a time.

    Parameters
    ----------
    header : VolumeHeader
        What is known of the volume.
    files : list of Path
        The file, then the files that a virtual dataset takes its voxels from.
    dataset : str
        Path of the dataset inside the file.
    """

    def __init__(self, header: Any, files: list[Path], dataset: str) -> None:
        super().__init__(header, files)
        self._dataset = dataset

    def _read(self, box: Box) -> NDArray[Any]:
        with self._lock:
            if self._handle is None:
                self._handle = _open_file(self._files[0])
            return np.asarray(self._handle[self._dataset][box.slices])


def open_hdf5(path: Path, inside: str, options: ReadOptions) -> Hdf5Source:
    """Open a dataset of an HDF5 or NeXus file.

    Without a path the dataset is found: the `default` attributes of NeXus are followed from the
    root to an NXdata group and its `signal`; else the only dataset that is marked as a
    reconstruction is taken (NXtomoproc, data exchange: see `find_reconstructions`); else the only
    NXdata signal of three axes; else the only dataset of three axes.  Projections are passed over.
    External links are followed only when named.

    The voxel size is looked for in the attributes of the dataset and of the groups above it, up to
    the root (names: see `voxel_from_attributes`), then in the axes of its group, where they are
    evenly spaced and have `units`, then in the fields of data exchange (`exchange_voxel_um`).

    Parameters
    ----------
    path : Path
        The file.
    inside : str
        Path of a dataset, or of a group in which to look; empty for the whole file.
    options : ReadOptions
        Its voxel size.

    Returns
    -------
    Hdf5Source
        Boxes cost what that class says.

    Raises
    ------
    SourceError
        Not such a file, no dataset of three axes or several (they are listed), projections, a
        virtual dataset whose files are missing, a type that is not taken.
    """
    try:
        with _open_file(path) as file:
            dataset = _find_dataset(path, file, inside)
            header = make_header(
                f"{path}:{dataset.name}",
                "hdf5",
                dataset.shape or (),
                np.dtype(dataset.dtype).name,
                voxel_um=_voxel_um(dataset),
                n_bytes=path.stat().st_size,
                options=options,
                attributes={"dataset": str(dataset.name)},
            )
            files = [path, *_virtual_files(path, dataset)]
            return Hdf5Source(header, files, str(dataset.name))
    except READ_ERRORS as err:
        raise SourceError(
            f"{path} is no readable HDF5 file: {err}.", "Copy it again from the original."
        ) from err


def _open_file(path: Path) -> Any:
    # Without locks where the file system has none; a reader of inputs that are never written to.
    return h5py.File(path, "r", locking="best-effort")


def _find_dataset(path: Path, file: Any, inside: str) -> Any:
    found = file
    if inside.strip("/"):
        found = file.get(inside)
        if found is None:
            raise SourceError(
                f"{path} holds nothing at {inside}, wanted a dataset of three axes.",
                f"It holds: {_listing(_datasets(file))}.",
            )
    if isinstance(found, h5py.Dataset):
        if found.ndim == 3 and is_projections(found, by_neighbours=False):
            raise _projections(path, [found])
        return found
    return _search(path, found)


def _search(path: Path, found: Any) -> Any:
    """Return the one volume of a group, by what the file marks, and else by its shape."""
    plotted = _follow_default(found)
    if plotted is not None and not (plotted.ndim == 3 and is_projections(plotted)):
        return plotted
    made = find_reconstructions(found)
    if len(made) == 1:
        return made[0]
    datasets = _datasets(found)
    cubes = made or [d for d in datasets if d.ndim == 3 and d.dtype.kind in "iufb"]
    volumes = [d for d in cubes if not is_projections(d)]
    signals = [d for d in _signals(found) if d.ndim == 3 and not is_projections(d)]
    if not made and len({d.name for d in signals}) == 1:
        return signals[0]
    if cubes and not volumes:
        raise _projections(path, cubes)
    if not volumes:
        raise SourceError(
            f"{path} holds no dataset of three axes; it holds: {_listing(datasets)}.",
            "Store the volume as one dataset (plane, row, column).",
        )
    if len(volumes) > 1:
        raise SourceError(
            f"{path} holds {len(volumes)} datasets of three axes: {_listing(volumes)}.",
            f"Name one of them: {path.name}:{volumes[0].name}",
        )
    return volumes[0]


def _projections(path: Path, datasets: list[Any]) -> SourceError:
    return SourceError(
        f"{path} holds projections, wanted a reconstructed volume: {_listing(datasets)}.",
        "Reconstruct the scan, and name the file of the reconstruction.",
    )


def _datasets(group: Any) -> list[Any]:
    found: list[Any] = []

    def visit(_: str, item: Any) -> None:
        if isinstance(item, h5py.Dataset):
            found.append(item)

    group.visititems(visit)
    return found


def _listing(datasets: list[Any]) -> str:
    texts = [f"{d.name} {tuple(d.shape or ())} {d.dtype}" for d in datasets[:N_LISTED]]
    if len(datasets) > N_LISTED:
        texts.append(f"{len(datasets) - N_LISTED} more")
    return ", ".join(texts) or "nothing"


def _follow_default(group: Any) -> Any:
    """Follow `default` of NeXus to a signal; None where the way breaks off or none is marked."""
    for _ in range(8):
        if class_of(group) == "NXdata":
            return signal_of(group)
        target = group.get(text_of(group.attrs["default"])) if "default" in group.attrs else None
        if not isinstance(target, h5py.Group):
            return None
        group = target
    return None


def _signals(group: Any) -> list[Any]:
    found = []

    def visit(_: str, item: Any) -> None:
        if isinstance(item, h5py.Group) and class_of(item) == "NXdata":
            found.append(signal_of(item))

    group.visititems(visit)
    return [d for d in found if d is not None]


def _virtual_files(path: Path, dataset: Any) -> list[Path]:
    """Name the files behind a virtual dataset: a missing one would read as fill values."""
    if not dataset.is_virtual:
        return []
    names = dict.fromkeys(s.file_name for s in dataset.virtual_sources())
    files = [path.parent / name for name in names if name != "."]
    missing = [str(f) for f in files if not f.is_file()]
    if missing:
        raise SourceError(
            f"{path}:{dataset.name} takes voxels from files that are missing: "
            f"{', '.join(missing[:5])}.",
            "Copy them beside it.",
        )
    return files


def _voxel_um(dataset: Any) -> Voxel | None:
    voxel = voxel_from_attributes(dict(dataset.attrs))
    where = PurePosixPath(str(dataset.name))
    for above in where.parents:
        if voxel is None:
            voxel = voxel_from_attributes(dict(dataset.file[str(above)].attrs))
    if voxel is None:
        voxel = axes_voxel_um(dataset)
    return voxel if voxel is not None else exchange_voxel_um(dataset)
