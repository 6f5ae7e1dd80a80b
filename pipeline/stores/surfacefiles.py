"""Files of surfaces: STL, PLY, OBJ, glTF and VTU, in um and (x, y, z).

Only glTF has a convention for lengths, metres; all files here hold um in the frame of the scan, and
each says so as far as its format lets it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import meshio
import numpy as np
import trimesh
from numpy.typing import NDArray

from pipeline.errors import UsageError
from pipeline.stores.job import write_partly

SUFFIXES = {"stl": ".stl", "ply": ".ply", "obj": ".obj", "gltf": ".glb", "vtu": ".vtu"}
"""Suffix of each format; glTF is written in its binary form, as one file."""

NOTE = "castcensus: lengths in um, axes x y z of the scan"
"""What a file says about its coordinates."""

_OWN_COMMENT = b"comment https://github.com/mikedh/trimesh\n"


def write_surface(
    path: Path,
    vertices: NDArray[np.float64],
    faces: NDArray[np.int64],
    fields: Mapping[str, NDArray[np.float64]] | None = None,
) -> None:
    """Write a surface by rename; the suffix says the format.

    Parameters
    ----------
    path : Path
        The file; its folder is made.
    vertices : ndarray of float64, shape (n, 3)
        Positions (x, y, z) in um.
    faces : ndarray of int64, shape (n_faces, 3)
        Corners of triangles.
    fields : mapping of str to ndarray, optional
        Values by vertex, their units in their names: kept by PLY, glTF and VTU.  STL and PLY hold
        positions as float32, whose step is about 1/1000 um at 10 mm.

    Raises
    ------
    UsageError
        If the suffix is none of the formats.
    StoreError
        If the file cannot be written.
    """
    if path.suffix not in SUFFIXES.values():
        known = ", ".join(SUFFIXES.values())
        raise UsageError(f"{path} has no suffix of a surface file.", f"There are {known}.")
    if path.suffix == ".vtu":
        cells = meshio.Mesh(vertices, [("triangle", faces)], point_data=dict(fields or {}))
        write_partly(path, cells.write)
        return
    mesh = trimesh.Trimesh(
        vertices,
        faces,
        process=False,
        vertex_attributes=dict(fields or {}),
        metadata={"note": NOTE, "unit": "um"},
    )
    data = _encode(mesh, path.suffix)
    write_partly(path, lambda partial: partial.write_bytes(data))


def _encode(mesh: trimesh.Trimesh, suffix: str) -> bytes:
    if suffix == ".obj":
        # OBJ has no place for values by vertex.
        plain = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
        return str(plain.export(file_type="obj", header=NOTE)).encode()
    exported: Any = mesh.export(file_type=suffix[1:])
    data = bytes(exported)
    if suffix == ".stl":
        # The first 80 bytes are free; they may not begin with "solid", which marks text.
        return NOTE.encode().ljust(80) + data[80:]
    if suffix == ".ply":
        return data.replace(_OWN_COMMENT, f"comment {NOTE}\n".encode(), 1)
    return data
