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
from pipeline.readers.units import Voxel, unit_um, voxel_from_attributes, voxel_of

SUFFIXES = (".h5", ".hdf5", ".hdf", ".he5", ".nxs", ".nx5")

# Importing hdf5plugin makes its filters known to h5py; the name shows that the import is meant.
PLUGIN_VERSION = hdf5plugin.version

UNIFORM = 1e-3
"""Largest deviation of a step of an axis from its mean, relative, to be called one voxel edge."""

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
    root to an NXdata group and its `signal`; else the only NXdata signal of three axes is taken;
    else the only dataset of three axes.  External links are followed only when named.

    The voxel size is looked for in the attributes of the dataset and of the groups above it, up to
    the root (names: see `voxel_from_attributes`), then in the axes of its NXdata group, where
    they are evenly spaced and have `units`.

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
        Not such a file, no dataset of three axes or several (they are listed), a virtual dataset
        whose files are missing, a type that is not taken.
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
        return found
    plotted = _follow_default(found)
    if plotted is not None:
        return plotted
    datasets = _datasets(found)
    volumes = [d for d in datasets if d.ndim == 3 and d.dtype.kind in "iufb"]
    signals = [d for d in _signals(found) if d.ndim == 3]
    if len({d.name for d in signals}) == 1:
        return signals[0]
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


def _text(value: Any) -> str:
    if isinstance(value, np.ndarray):
        value = value.flat[0] if value.size else ""
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def _follow_default(group: Any) -> Any:
    """Follow `default` of NeXus to a signal; None where the way breaks off or none is marked."""
    for _ in range(8):
        if _text(group.attrs.get("NX_class", "")) == "NXdata":
            return _signal(group)
        target = group.get(_text(group.attrs["default"])) if "default" in group.attrs else None
        if not isinstance(target, h5py.Group):
            return None
        group = target
    return None


def _signal(group: Any) -> Any:
    """Return the signal of an NXdata group, marked on the group or (older) on the dataset."""
    if "signal" in group.attrs:
        found = group.get(_text(group.attrs["signal"]))
        return found if isinstance(found, h5py.Dataset) else None
    for item in group.values():
        if isinstance(item, h5py.Dataset) and _text(item.attrs.get("signal", "")) == "1":
            return item
    return None


def _signals(group: Any) -> list[Any]:
    found = []

    def visit(_: str, item: Any) -> None:
        if isinstance(item, h5py.Group) and _text(item.attrs.get("NX_class", "")) == "NXdata":
            found.append(_signal(item))

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
    return voxel if voxel is not None else _axes_voxel_um(dataset)


def _axes_voxel_um(dataset: Any) -> Voxel | None:
    """Read voxel edges off the coordinates of an NXdata group."""
    group = dataset.parent
    names = group.attrs.get("axes", dataset.attrs.get("axes"))
    if names is None:
        return None
    if isinstance(names, np.ndarray) and names.size > 1:
        axes = [_text(n) for n in names]
    else:
        axes = _text(names).strip("[]").replace(",", ":").split(":")
    if len(axes) != 3:
        return None
    steps, units = [], []
    for name, n in zip(axes, dataset.shape, strict=True):
        axis = group.get(name)
        if not isinstance(axis, h5py.Dataset) or axis.shape not in {(n,), (n + 1,)} or n < 2:
            return None
        unit = _text(axis.attrs.get("units", ""))
        difference = np.diff(axis[()].astype(np.float64))
        mean = float(difference.mean())
        if unit_um(unit) is None or mean == 0.0:
            return None
        if not np.all(np.abs(difference - mean) <= UNIFORM * abs(mean)):
            return None
        steps.append(abs(mean))
        units.append(unit)
    return voxel_of(steps, units)
