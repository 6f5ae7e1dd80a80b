"""The voxel size that a TIFF file states, in whichever of its dialects."""

from __future__ import annotations

from typing import Any
from xml.etree import ElementTree as ET

from tifffile import TiffFile, TiffPage

from pipeline.readers.units import Voxel, length_um, unit_um

INCH, CENTIMETRE = 2, 3
"""Values of the ResolutionUnit tag (TIFF 6.0, page 38)."""


def tiff_voxel_um(tif: TiffFile) -> Voxel | None:
    """Read the voxel size of an open TIFF file.

    Tried in turn: PhysicalSizeX, Y and Z of OME-XML (micrometres where it names no unit, as its
    schema says); ``spacing`` and ``unit`` of an ImageJ description, with the resolution tags; the
    same two keys of the JSON description that tifffile writes.  Rows and columns follow the
    ResolutionUnit tag where it is centimetre, and else ``unit``.  An inch, which many writers put
    where nothing was said, beside another ``unit`` leaves open which of them is meant: then none
    is stated.  Plain tags speak of the plane alone: the distance of the planes is never guessed
    from them.

    Parameters
    ----------
    tif : TiffFile
        Open file.

    Returns
    -------
    tuple of float or None
        Micrometres, (z, y, x); None unless all three are stated.
    """
    if tif.is_ome and tif.ome_metadata:
        return _ome_voxel_um(tif.ome_metadata)
    described: dict[str, Any] = dict(tif.imagej_metadata or {})
    if not described and tif.shaped_metadata:
        described = dict(tif.shaped_metadata[0])
    unit = described.get("unit")
    spacing = described.get("spacing")
    page = tif.pages.first
    if not isinstance(unit, str) or not isinstance(spacing, int | float):
        return None
    z = length_um(abs(spacing), unit)
    x, y = (_edge_um(page, name, unit) for name in ("XResolution", "YResolution"))
    return None if z is None or y is None or x is None else (z, y, x)


def _edge_um(page: TiffPage, tag: str, unit: str) -> float | None:
    """Return the edge of a pixel: the unit divided by the pixels in it."""
    value = page.tags.valueof(tag)
    if not isinstance(value, tuple) or len(value) != 2 or 0 in value:
        return None
    n_pixels, n_units = value
    code = int(page.tags.valueof("ResolutionUnit", default=1))
    um = unit_um("cm" if code == CENTIMETRE else unit)
    if um is None or (code == INCH and um != unit_um("inch")):
        return None
    return um * n_units / n_pixels


def _ome_voxel_um(text: str) -> Voxel | None:
    try:
        root = ET.fromstring(text)  # noqa: S314 - expat limits expansion of entities
    except ET.ParseError:
        return None
    pixels = next((e for e in root.iter() if e.tag.rpartition("}")[2] == "Pixels"), None)
    if pixels is None:
        return None
    found: list[float | None] = []
    for axis in "ZYX":
        size = pixels.get(f"PhysicalSize{axis}")
        unit = pixels.get(f"PhysicalSize{axis}Unit", "µm")
        try:
            found.append(None if size is None else length_um(float(size), unit))
        except ValueError:
            found.append(None)
    z, y, x = found
    return None if z is None or y is None or x is None else (z, y, x)
