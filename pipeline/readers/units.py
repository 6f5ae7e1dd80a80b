"""Lengths in their own unit, and the voxel sizes that attributes of a file may state.

A number without a unit is no length: it is not taken for micrometres, and not for anything else.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

Voxel = tuple[float, float, float]
"""Edge lengths of a voxel in micrometres, (z, y, x)."""

UM_PER_UNIT = {
    "m": 1e6,
    "meter": 1e6,
    "metre": 1e6,
    "cm": 1e4,
    "centimeter": 1e4,
    "centimetre": 1e4,
    "mm": 1e3,
    "millimeter": 1e3,
    "millimetre": 1e3,
    "um": 1.0,
    "micron": 1.0,
    "micrometer": 1.0,
    "micrometre": 1.0,
    "nm": 1e-3,
    "nanometer": 1e-3,
    "nanometre": 1e-3,
    "angstrom": 1e-4,
    "in": 25400.0,
    "inch": 25400.0,
    '"': 25400.0,
}

# In the order in which they are tried.  `{}` stands for nothing (then a unit must be stated beside
# the number), or for the unit itself.
ATTRIBUTE_NAMES = ("voxel", "voxel_size", "element_size", "pixel_size", "voxelsize", "pixelsize")
ATTRIBUTE_UNITS = ("um", "nm", "mm", "cm", "m")


def length_um(value: float, unit: str) -> float | None:
    """Convert a length to micrometres.

    Parameters
    ----------
    value : float
        Length in `unit`.
    unit : str
        Name or symbol of a unit of length, in any case, singular or plural.

    Returns
    -------
    float or None
        Micrometres; None where `unit` is no unit of length (``pixel``, an empty string).

    Examples
    --------
    >>> length_um(0.5, "mm"), length_um(2, "µm"), length_um(3, "Micrometers"), length_um(1, "pixel")
    (500.0, 2.0, 3.0, None)
    """
    factor = unit_um(unit)
    return None if factor is None else float(value) * factor


def unit_um(unit: str) -> float | None:
    """Return the micrometres of one `unit`, or None where it is no unit of length.

    Examples
    --------
    >>> unit_um("inch"), unit_um("voxels")
    (25400.0, None)
    """
    # Micro sign, Greek mu, and the escape that ImageJ writes for it; the last is lower case here.
    name = unit.strip().lower().replace("\\u00b5", "u").replace("µ", "u").replace("μ", "u")
    name = {"å": "angstrom", "inches": "inch"}.get(name, name)
    if name not in UM_PER_UNIT and name.endswith("s"):
        name = name[:-1]
    return UM_PER_UNIT.get(name)


def voxel_of(value: Any, unit: str | Iterable[str]) -> Voxel | None:
    """Make a voxel size of one number (a cube) or three (z, y, x).

    Parameters
    ----------
    value : float or sequence of float or str
        Edge lengths; a string may hold them with their unit, such as ``0.65 um``.
    unit : str or iterable of str
        Unit of all, or one for each axis; empty where none is stated.

    Returns
    -------
    tuple of float or None
        Micrometres, (z, y, x); None where the unit is no length or there are not 1 or 3 numbers.

    Examples
    --------
    >>> voxel_of([0.004, 0.002, 0.002], "mm")
    (4.0, 2.0, 2.0)
    >>> voxel_of("0.65 um", ""), voxel_of(0.65, "")
    ((0.65, 0.65, 0.65), None)
    """
    if value is None:
        return None
    if isinstance(value, str):
        match = re.fullmatch(r"\s*([-+0-9.eE]+(?:[\s,;]+[-+0-9.eE]+)*)\s*([^\d\s]*)\s*", value)
        if match is None:
            return None
        try:
            value = [float(v) for v in re.split(r"[\s,;]+", match[1])]
        except ValueError:
            return None
        unit = match[2] or unit
    try:
        numbers = np.asarray(value, dtype=np.float64).ravel()
    except (TypeError, ValueError):
        return None
    if len(numbers) not in {1, 3}:
        return None
    units = [unit] * 3 if isinstance(unit, str) else list(unit)
    if len(units) != 3:
        return None
    lengths = [
        length_um(v, u) for v, u in zip(np.broadcast_to(numbers, 3).tolist(), units, strict=True)
    ]
    z, y, x = lengths
    return None if z is None or y is None or x is None else (z, y, x)


def voxel_from_attributes(attributes: Mapping[str, Any]) -> Voxel | None:
    """Find a voxel size among the attributes of a dataset or group.

    Understood, first found first: ``voxel``, ``voxel_size``, ``element_size``, ``pixel_size``,
    ``voxelsize``, ``pixelsize``, each with a suffix ``_um``, ``_nm``, ``_mm``, ``_cm`` or ``_m``;
    then the same without a suffix where a unit is stated, in the value (``"0.65 um"``), in an
    attribute ``<name>_units``, ``<name>_unit`` or ``<name>@units``, or in ``units`` or ``unit``.
    One number is a cube, three are (z, y, x).

    Parameters
    ----------
    attributes : mapping of str to object
        Attributes by name; numbers, arrays, strings, bytes.

    Returns
    -------
    tuple of float or None
        Micrometres, (z, y, x).

    Examples
    --------
    >>> voxel_from_attributes({"element_size_um": [4.0, 2.0, 2.0]})
    (4.0, 2.0, 2.0)
    >>> voxel_from_attributes({"pixel_size": 0.65, "units": "um"})
    (0.65, 0.65, 0.65)
    """
    plain = {str(name): _plain(value) for name, value in attributes.items()}
    for name in ATTRIBUTE_NAMES:
        for unit in ATTRIBUTE_UNITS:
            found = voxel_of(plain.get(f"{name}_{unit}"), unit)
            if found is not None:
                return found
    for name in ATTRIBUTE_NAMES:
        if name not in plain:
            continue
        keys = (f"{name}_units", f"{name}_unit", f"{name}@units", "units", "unit")
        stated: Any = next((plain[key] for key in keys if key in plain), "")
        if not isinstance(stated, str):
            stated = [str(u) for u in stated] if np.ndim(stated) == 1 else ""
        found = voxel_of(plain[name], stated)
        if found is not None:
            return found
    return None


def _plain(value: Any) -> Any:
    """Turn bytes and arrays of bytes, as HDF5 keeps text, into text."""
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    if isinstance(value, np.ndarray) and value.dtype.kind in "SO":
        texts = [v.decode("utf-8", "replace") if isinstance(v, bytes) else v for v in value.flat]
        return texts[0] if len(texts) == 1 else texts
    return value
