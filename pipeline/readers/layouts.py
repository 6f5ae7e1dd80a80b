"""Where NeXus and data-exchange files keep a reconstruction, and how large its voxels are.

NeXus: application definitions NXtomo (projections) and NXtomoproc (a reconstruction), and NXdata
groups with coordinates.  Data exchange (De Carlo et al., J. Synchrotron Rad. 21 (2014) 1224, from
memory): ``/exchange/data``, with ``/exchange/theta`` where it holds projections, and what was
measured with under ``/measurement``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import h5py
import numpy as np

from pipeline.readers.units import Voxel, length_um, unit_um, voxel_of

UNIFORM = 1e-3
"""Largest deviation of a step of an axis from its mean, relative, to be called one voxel edge."""

ANGLES = {"theta", "rotation_angle", "angle", "angles", "omega"}
"""Names of an axis that counts projections."""

FRAME_MARKS = (*sorted(ANGLES), "image_key")
"""Datasets of one value a projection that stand beside projections."""

REFERENCES = ("data_white", "data_dark", "data_white_pre", "data_white_post")
"""Images without specimen or beam, beside the projections of data exchange."""

DISAGREE = 0.01
"""Relative difference from which two stated pixel sizes contradict each other."""

DETECTOR = "/measurement/instrument/detector"
RESOLUTION = "/measurement/instrument/detection_system/objective/resolution"


def text_of(value: Any) -> str:
    """Return an attribute or scalar as text, whatever HDF5 made of it."""
    if isinstance(value, np.ndarray):
        value = value.flat[0] if value.size else ""
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def class_of(item: Any) -> str:
    """Return the NeXus class of a group, or nothing."""
    return text_of(item.attrs.get("NX_class", ""))


def signal_of(group: Any) -> Any:
    """Return the signal of an NXdata group, marked on the group or (older) on the dataset."""
    if "signal" in group.attrs:
        found = group.get(text_of(group.attrs["signal"]))
        return found if isinstance(found, h5py.Dataset) else None
    for item in group.values():
        if isinstance(item, h5py.Dataset) and text_of(item.attrs.get("signal", "")) == "1":
            return item
    return None


def find_reconstructions(group: Any) -> list[Any]:
    """Find the datasets that a file marks as reconstructions.

    Taken: the data of an entry whose definition is NXtomoproc; ``reconstruction/data`` of any
    entry; ``exchange/data`` (or ``exchange_1`` ...) that is no set of projections.

    Parameters
    ----------
    group : h5py.Group
        The file, or an entry in it.

    Returns
    -------
    list of h5py.Dataset
        Of three axes, each once however many links lead to it.
    """
    found: list[Any] = []
    for entry in (group, *(g for g in group.values() if isinstance(g, h5py.Group))):
        name = str(entry.name).rpartition("/")[2]
        if _definition(entry) == "NXtomoproc":
            found += _processed(entry)
        elif class_of(entry) == "NXentry":
            found.append(entry.get("reconstruction/data"))
        elif re.fullmatch(r"exchange(_\d+)?", name):
            found.append(entry.get("data"))
    volumes = [d for d in found if isinstance(d, h5py.Dataset) and d.ndim == 3]
    # Equal are datasets of one place in the file: links count once.
    return list(dict.fromkeys(d for d in volumes if not is_projections(d)))


def _definition(entry: Any) -> str:
    stated = entry.get("definition")
    return text_of(stated[()]) if isinstance(stated, h5py.Dataset) and stated.size == 1 else ""


def _processed(entry: Any) -> list[Any]:
    plotted = [g for g in entry.values() if isinstance(g, h5py.Group) and class_of(g) == "NXdata"]
    return [
        *(signal_of(g) if signal_of(g) is not None else g.get("data") for g in plotted),
        entry.get("reconstruction/data"),
    ]


def is_projections(dataset: Any, *, by_neighbours: bool = True) -> bool:
    """Say whether a dataset holds projections: one image an angle, no volume.

    Parameters
    ----------
    dataset : h5py.Dataset
        Of three axes.
    by_neighbours : bool
        Where its axes are not stated: take a list of angles or of kinds of image beside it, as
        long as its first axis, for the proof.

    Returns
    -------
    bool
        True for projections, sinograms and reference images.
    """
    axes = stated_axes(dataset)
    if axes:
        return any(name.lower() in ANGLES for name in axes)
    if not by_neighbours:
        return False
    if str(dataset.name).rpartition("/")[2] in REFERENCES:
        return True
    beside = (dataset.parent.get(name) for name in FRAME_MARKS)
    return any(isinstance(d, h5py.Dataset) and d.shape == dataset.shape[:1] for d in beside)


def stated_axes(dataset: Any) -> list[str]:
    """Return the names of the axes that its group or it states; none where they are not three."""
    names = dataset.parent.attrs.get("axes", dataset.attrs.get("axes"))
    if names is None:
        return []
    if isinstance(names, np.ndarray) and names.size > 1:
        axes = [text_of(n) for n in names]
    else:
        axes = re.split(r"[:,]", text_of(names).strip("[]"))
    return [a.strip() for a in axes] if len(axes) == 3 else []


def axes_voxel_um(dataset: Any) -> Voxel | None:
    """Read voxel edges off the coordinates of a dataset's group.

    They are those of its stated axes; where none are stated, ``z``, ``y``, ``x`` (the order of
    NXtomoproc may be the reverse: what fits the lengths counts, and where both orders fit with
    different edges, none).

    Parameters
    ----------
    dataset : h5py.Dataset
        Of three axes.

    Returns
    -------
    tuple of float or None
        Micrometres, in the order of the dataset's axes; None unless all three are evenly spaced,
        in a unit of length.
    """
    group, axes = dataset.parent, stated_axes(dataset)
    if axes:
        return _coordinates_um(group, axes, dataset.shape)
    found = {_coordinates_um(group, names, dataset.shape) for names in ("zyx", "xyz")} - {None}
    return found.pop() if len(found) == 1 else None


def _coordinates_um(group: Any, names: Sequence[str], shape: tuple[int, ...]) -> Voxel | None:
    steps, units = [], []
    for name, n in zip(names, shape, strict=True):
        axis = group.get(name)
        if not isinstance(axis, h5py.Dataset) or axis.shape not in {(n,), (n + 1,)} or n < 2:
            return None
        unit = text_of(axis.attrs.get("units", ""))
        difference = np.diff(axis[()].astype(np.float64))
        mean = float(difference.mean())
        if unit_um(unit) is None or mean == 0.0:
            return None
        if not np.all(np.abs(difference - mean) <= UNIFORM * abs(mean)):
            return None
        steps.append(abs(mean))
        units.append(unit)
    return voxel_of(steps, units)


def exchange_voxel_um(dataset: Any) -> Voxel | None:
    """Read the voxel size of a data-exchange file from what was measured with.

    Taken, where its unit is stated: the pixel size at the specimen (``actual_pixel_size`` of the
    detector, or ``_x`` and ``_y``: columns and rows of a projection, of which the rows become
    planes), and the ``resolution`` of the objective, by convention the same length for one pixel.
    The ``pixel_size`` of the detector is its own, before any magnification, and is not taken.
    Where two of them contradict each other, none is.  Binning after the measurement is not seen.

    Parameters
    ----------
    dataset : h5py.Dataset
        Under ``/exchange`` or ``/exchange_1`` ...

    Returns
    -------
    tuple of float or None
        Micrometres, (z, y, x).
    """
    if not re.match(r"/exchange(_\d+)?/", str(dataset.name)):
        return None
    file = dataset.file
    x, y = (_field_um(file, f"{DETECTOR}/actual_pixel_size_{axis}") for axis in "xy")
    both = _field_um(file, f"{DETECTOR}/actual_pixel_size")
    resolution = _field_um(file, RESOLUTION)
    stated = [(y, x, x)] if x is not None and y is not None else []
    stated += [(value, value, value) for value in (both, resolution) if value is not None]
    if not stated:
        return None
    alike = all(np.allclose(other, stated[0], rtol=DISAGREE, atol=0) for other in stated)
    return stated[0] if alike else None


def _field_um(file: Any, path: str) -> float | None:
    """Return a length that is stated with its unit."""
    field = file.get(path)
    if not isinstance(field, h5py.Dataset) or field.size != 1:
        return None
    unit = text_of(field.attrs.get("units", field.attrs.get("unit", "")))
    unit = re.sub(r"\s*(/|per)\s*(px|pixel)$", "", unit.strip().lower())
    try:
        value = float(text_of(np.asarray(field[()])))
    except ValueError:
        return None
    length = length_um(value, unit)
    return length if length is not None and np.isfinite(length) and length > 0 else None
