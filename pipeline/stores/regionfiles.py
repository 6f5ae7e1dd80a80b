"""Files of tetrahedra with named regions and surfaces: Gmsh's open text format, and VTU."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import meshio
import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UsageError
from pipeline.stores.job import write_partly

REGION_SUFFIXES = (".msh", ".vtu")


def write_regions(
    path: Path,
    vertices: NDArray[np.float64],
    tetrahedra: NDArray[np.int64],
    volumes: NDArray[np.int64],
    triangles: NDArray[np.int64],
    surfaces: NDArray[np.int64],
    names: Mapping[str, tuple[int, int]],
) -> None:
    """Write tetrahedra and triangles with their regions by rename; the suffix says the format.

    Parameters
    ----------
    path : Path
        The file: ``.msh`` (Gmsh 2.2, text; regions and surfaces are named physical groups) or
        ``.vtu`` (their numbers in the cell data ``region``).
    vertices : ndarray of float64, shape (n, 3)
        Nodes (x, y, z) in um.
    tetrahedra : ndarray of int64, shape (n_tetrahedra, 4)
        Nodes.
    volumes : ndarray of int64, shape (n_tetrahedra,)
        Number of the region of each.
    triangles : ndarray of int64, shape (n_triangles, 3)
        Nodes.
    surfaces : ndarray of int64, shape (n_triangles,)
        Number of the surface of each; no region has one of these.
    names : mapping of str to (number, dimension)
        Name of each region (dimension 3) and surface (2).

    Raises
    ------
    UsageError
        If the suffix is neither.
    StoreError
        If the file cannot be written.
    """
    cells = [("tetra", tetrahedra), ("triangle", triangles)]
    tags = [volumes.astype(np.int32), surfaces.astype(np.int32)]
    if path.suffix == ".msh":
        mesh = meshio.Mesh(
            vertices,
            cells,
            cell_data={"gmsh:physical": tags, "gmsh:geometrical": tags},
            field_data={name: np.array(pair) for name, pair in names.items()},
        )
        write_partly(path, lambda partial: mesh.write(partial, file_format="gmsh22", binary=False))
    elif path.suffix == ".vtu":
        write_partly(path, meshio.Mesh(vertices, cells, cell_data={"region": tags}).write)
    else:
        known = ", ".join(REGION_SUFFIXES)
        raise UsageError(f"{path} has no suffix of a file of tetrahedra.", f"There are {known}.")
