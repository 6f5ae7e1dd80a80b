"""What SimpleITK does not tell of a MetaImage, NRRD or NIfTI file.

It reports a spacing of 1 where the header states none, and not where the voxels lie.  Only those
two facts are read here, from the first bytes of the header; all else is left to the library.
"""

from __future__ import annotations

import gzip
import re
import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.errors import SourceError
from pipeline.readers.units import Voxel, voxel_of

HEADER_BYTES = 1 << 20
"""No text header is longer."""

NIFTI_UNITS = {1: "m", 2: "mm", 3: "um"}
"""Lowest three bits of xyzt_units (nifti1.h)."""


@dataclass(frozen=True, slots=True)
class Payload:
    """Where the voxels of an image lie, and how large they are.

    Parameters
    ----------
    voxel_um : tuple of float or None
        Stated voxel size, micrometres, (z, y, x).
    data : Path
        The one file that holds the voxels.
    offset_bytes : int or None
        Where the first voxel lies; None where they are encoded.
    byte_order : str
        ``<`` or ``>``.
    """

    voxel_um: Voxel | None
    data: Path
    offset_bytes: int | None
    byte_order: str = "<"


def read_payload(path: Path) -> Payload:
    """Read where an image's voxels lie and their stated size.

    Parameters
    ----------
    path : Path
        A MetaImage, NRRD or NIfTI file, told apart by its suffix.

    Returns
    -------
    Payload
        The facts.

    Raises
    ------
    SourceError
        The header breaks off, names a data file that is missing, or names several.
    """
    name = path.name.lower()
    if name.endswith((".nii", ".nii.gz")):
        return _nifti(path)
    payload = _meta(path) if name.endswith((".mha", ".mhd")) else _nrrd(path)
    if not payload.data.is_file():
        raise SourceError(
            f"{path} names the data file {payload.data}, which is missing.", "Copy it beside it."
        )
    return payload


def _nifti(path: Path) -> Payload:
    packed = path.name.lower().endswith(".gz")
    with gzip.open(path) if packed else path.open("rb") as file:
        head = file.read(348)
    if len(head) < 348:
        raise SourceError(f"{path} is truncated: got {len(head)} bytes of header, wanted 348.")
    order = next((o for o in "<>" if struct.unpack(f"{o}i", head[:4])[0] == 348), None)
    if order is None:
        # NIfTI-2 is left to the library whole, without the places of its fields.
        return Payload(None, path, None)
    pixdim = np.frombuffer(head[76:108], dtype=f"{order}f4")
    # Shortest decimal of the stored float32, so that 0.005 mm is 5 um and not 4.999999888 um.
    edges = [abs(float(str(v))) for v in pixdim[3:0:-1]]
    voxel = voxel_of(edges, NIFTI_UNITS.get(head[123] & 7, ""))
    offset, slope, intercept = struct.unpack(f"{order}3f", head[108:120])
    scaled = slope not in {0.0, 1.0} or (slope == 1.0 and intercept != 0.0)
    if packed or scaled or head[344:348] != b"n+1\0":
        return Payload(voxel, path, None)
    return Payload(voxel, path, int(offset), order)


def _meta(path: Path) -> Payload:
    with path.open("rb") as file:
        head = file.read(HEADER_BYTES)
    match = re.search(rb"^[ \t]*ElementDataFile[ \t]*=[ \t]*([^\r\n]*)\r?\n?", head, re.M)
    if match is None:
        raise SourceError(f"{path} is no MetaImage: its header names no ElementDataFile.")
    fields = {}
    for line in head[: match.start()].decode("latin-1").splitlines():
        key, equals, value = line.partition("=")
        if equals:
            fields[key.strip().lower()] = value.strip()
    unit = fields.get("distanceunits", "?").lower()
    spacing = fields.get("elementspacing") or fields.get("elementsize")
    voxel = _reversed_voxel(spacing, "mm" if unit in {"?", ""} else unit)
    data = match[1].decode("latin-1").strip()
    local = data.upper() == "LOCAL"
    if data.upper().startswith("LIST") or "%" in data or len(data.split()) > 1:
        raise _scattered(path, data)
    file_path = path if local else path.parent / data
    flags = (fields.get("compresseddata", "False"), fields.get("binarydata", "True"))
    if flags[0].lower()[:1] in {"t", "1"} or flags[1].lower()[:1] in {"f", "0"}:
        return Payload(voxel, file_path, None)
    skip = int(fields.get("headersize", "0"))
    big = fields.get("binarydatabyteordermsb", fields.get("elementbyteordermsb", "False"))
    order = ">" if big.lower()[:1] in {"t", "1"} else "<"
    if skip < 0:
        # HeaderSize = -1: the voxels are the last bytes of the file; the library knows how many.
        return Payload(voxel, file_path, None)
    return Payload(voxel, file_path, match.end() if local else skip, order)


def _nrrd(path: Path) -> Payload:
    with path.open("rb") as file:
        head = file.read(HEADER_BYTES)
    if not head.startswith(b"NRRD"):
        raise SourceError(f"{path} is no NRRD file: it begins with {head[:4]!r}.")
    end = re.search(rb"\r?\n\r?\n", head)
    text = head[: end.start() if end else len(head)].decode("utf-8", "replace")
    fields = {}
    for line in text.splitlines()[1:]:
        key, colon, value = line.partition(":")
        if colon and not line.startswith("#") and not value.startswith("="):
            fields[key.strip().lower()] = value.strip()
    voxel = _nrrd_voxel(fields)
    data = fields.get("data file", fields.get("datafile"))
    if data is not None and (data.upper().startswith("LIST") or len(data.split()) > 1):
        raise _scattered(path, data)
    file_path = path if data is None else path.parent / data
    order = ">" if fields.get("endian", "little").lower() == "big" else "<"
    skips = [
        int(fields.get(a, fields.get(b, "0")))
        for a, b in (("line skip", "lineskip"), ("byte skip", "byteskip"))
    ]
    if fields.get("encoding", "").lower() != "raw" or skips[0] != 0 or skips[1] < 0:
        return Payload(voxel, file_path, None)
    if data is not None:
        return Payload(voxel, file_path, skips[1], order)
    if end is None:
        raise SourceError(f"{path} is truncated: its header has no end.")
    return Payload(voxel, file_path, end.end() + skips[1], order)


def _nrrd_voxel(fields: dict[str, str]) -> Voxel | None:
    quoted = re.findall(r'"([^"]*)"', fields.get("space units", fields.get("units", "")))
    unit: str | list[str] = quoted[::-1] if len(quoted) == 3 and all(quoted) else "mm"
    if "spacings" in fields:
        return _reversed_voxel(fields["spacings"], unit)
    vectors = re.findall(r"\(([^)]*)\)", fields.get("space directions", ""))
    if len(vectors) != 3:
        return None
    edges = [float(np.linalg.norm([float(v) for v in vector.split(",")])) for vector in vectors]
    return voxel_of(edges[::-1], unit)


def _reversed_voxel(text: str | None, unit: str | list[str]) -> Voxel | None:
    """Read three numbers in the order x, y, z."""
    numbers = [float(v) for v in (text or "").split()]
    # NRRD spells "not known" as nan.
    if len(numbers) != 3 or not np.all(np.isfinite(numbers)):
        return None
    return voxel_of(numbers[::-1], unit)


def _scattered(path: Path, data: str) -> SourceError:
    return SourceError(
        f"{path} spreads its voxels over several files ({data}), wanted one.",
        "Save the volume with one data file.",
    )
