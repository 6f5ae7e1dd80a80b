"""Cavities and tunnels from whole volumes: the complement of every body labelled, holes filled."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.verify.findings import Finding, compare_values
from pipeline.verify.references import RANK, SCIPY, SKIMAGE, Edges, euler_of


def compare_cavities(
    columns: Mapping[str, NDArray[Any]],
    labels: NDArray[Any],
    pores: NDArray[np.bool_],
    voxel_um: Edges,
    connectivity: int,
) -> Iterator[Finding]:
    """Compare what particles enclose.

    Parameters
    ----------
    columns : mapping of str to ndarray
        Rows of the catalogue, in the order of ids.
    labels : ndarray of int
        Ids from 1, without gaps.
    pores : ndarray of bool
        Voxels of the pore phase.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).
    connectivity : int
        6, 18 or 26 neighbours of bodies.

    Yields
    ------
    Finding
        One a column.
    """
    dual = ndimage.generate_binary_structure(3, RANK[26 if connectivity == 6 else 6])
    rows = [
        _enclosed(labels[box] == i + 1, pores[box], dual, connectivity)
        for i, box in enumerate(ndimage.find_objects(labels))
    ]
    cavities, voxels, n_pores, euler = np.array(rows, np.int64).reshape(-1, 4).T
    label, fill = f"{SCIPY}, label of the complement", f"{SCIPY}, binary_fill_holes"
    for name, reference, wanted, tolerance, unit in (
        ("n_cavities", label, cavities, 0.0, "count"),
        ("n_tunnels", f"{label}; {SKIMAGE}", cavities + 1 - euler, 0.0, "count"),
        ("cavity_volume_um3", fill, voxels * np.prod(voxel_um), 1e-9, "relative"),
        ("cavity_holds_pore", fill, n_pores > 0, 0.0, "flags"),
    ):
        yield compare_values(
            f"{name}, {connectivity} neighbours", reference, columns[name], wanted, tolerance, unit
        )


def _enclosed(
    body: NDArray[np.bool_],
    pores: NDArray[np.bool_],
    dual: NDArray[np.bool_],
    connectivity: int,
) -> tuple[int, int, int, int]:
    _, n = ndimage.label(np.pad(~body, 1, constant_values=True), dual)
    inner = ndimage.binary_fill_holes(body, dual) & ~body
    return n - 1, int(inner.sum()), int((inner & pores).sum()), euler_of(body, connectivity)
