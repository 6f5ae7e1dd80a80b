"""Bending of sheets by NumPy's least squares on every particle's voxels."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.verify.findings import Finding, compare_values
from pipeline.verify.references import NUMPY, Edges


def compare_bending(
    columns: Mapping[str, NDArray[Any]], labels: NDArray[Any], voxel_um: Edges
) -> Iterator[Finding]:
    """Compare how far mid-surfaces are from planes, where the catalogue tells it.

    Parameters
    ----------
    columns : mapping of str to ndarray
        Rows of the catalogue, in the order of ids; NaN for what they do not tell.
    labels : ndarray of int
        Ids from 1, without gaps.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).

    Yields
    ------
    Finding
        One a column; none where no particle is a sheet.
    """
    got = columns["bending_um"].astype(np.float64)
    rows = np.flatnonzero(~np.isnan(got))
    if rows.size == 0:
        return
    normals = np.stack([columns[f"minor_{a}"] for a in "zyx"], 1)
    boxes = ndimage.find_objects(labels)
    wanted = np.array([_bending(labels[boxes[i]] == i + 1, normals[i], voxel_um) for i in rows])
    # Where no digit of a fit is left, a flat sheet's distance is rounding alone.
    yield compare_values(
        "bending_um", f"{NUMPY}, lstsq", got[rows] + 1e-3, wanted + 1e-3, 1e-9, "relative"
    )
    ratio = wanted / columns["thickness_um"][rows]
    yield compare_values(
        "bending", f"{NUMPY}, lstsq", columns["bending"][rows].astype(np.float64) + 1e-3,
        ratio + 1e-3, 1e-9, "relative",
    )  # fmt: skip


def _bending(body: NDArray[np.bool_], normal: NDArray[np.float64], voxel_um: Edges) -> float:
    axis = int(np.argmax(np.abs(normal)))
    lines = np.moveaxis(body, axis, -1)
    place = np.argwhere(lines.any(-1))
    middle = np.array([np.flatnonzero(lines[tuple(p)]).mean() for p in place]) * voxel_um[axis]
    weight = np.sqrt(lines.sum(-1)[tuple(place.T)])
    design = np.c_[np.ones(len(place)), place * np.delete(np.array(voxel_um), axis)]
    plane = np.linalg.lstsq(design * weight[:, None], middle * weight, rcond=None)[0]
    gap = (middle - design @ plane) * weight
    return float(np.sqrt((gap @ gap) / (weight @ weight) / (1 + plane[1:] @ plane[1:])))
