"""Thickness and neighbours by SciPy's distance transforms of the whole volume."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.verify.findings import Finding, compare_values
from pipeline.verify.references import SCIPY, Edges, Reals

N_THICK, N_ALIKE = 24, 8
"""Particles of a phase whose local thickness, and whose neighbours of their own phase, are held
against the reference, which takes a transform a radius or particle: the largest ones."""

OBLONG = 5e-5
"""Relative difference where squared edges stand in no ratio of small whole numbers."""

_CUBE = np.ones((3, 3, 3), np.bool_)

Rows = Sequence[Mapping[str, Any]]


def compare_thickness(
    columns: Mapping[str, NDArray[Any]], labels: NDArray[Any], voxel_um: Edges
) -> Iterator[Finding]:
    """Compare the largest ball of every particle, and the local thickness of the largest ones.

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
        One a column; none where the recipe asked for no thickness.
    """
    got = columns["inscribed_diameter_um"].astype(np.float64)
    if np.isnan(got).all():
        return
    bodies = [np.pad(labels[box] == i + 1, 1) for i, box in enumerate(ndimage.find_objects(labels))]
    depths = [ndimage.distance_transform_edt(body, sampling=voxel_um) for body in bodies]
    wanted = np.array([2 * depth.max() for depth in depths])
    yield compare_values("inscribed_diameter_um", SCIPY, got, wanted, OBLONG, "relative")
    largest = np.argsort(-columns["n_voxels"], kind="stable")[:N_THICK]
    local = [_local_thickness(bodies[i], depths[i], voxel_um) for i in largest]
    for name, summary in (("mean", np.mean), ("sd", np.std), ("median", np.median)):
        column = f"local_thickness_{name}_um"
        values = np.array([summary(thickness) for thickness in local])
        mine = columns[column].astype(np.float64)[largest]
        # A spread of nothing has no relative difference.
        edge = min(voxel_um)
        yield compare_values(column, SCIPY, mine + edge, values + edge, 1.5 * OBLONG, "relative")


def compare_neighbours(
    rows: Rows,
    labels: Mapping[str, NDArray[Any]],
    outside: NDArray[np.bool_],
    voxel_um: Edges,
    reach_um: float,
) -> Iterator[Finding]:
    """Compare the gap to the nearest particle of each phase.

    Parameters
    ----------
    rows : sequence of mapping
        Rows of the table of neighbours.
    labels : mapping of str to ndarray
        Particle ids by phase.
    outside : ndarray of bool
        Voxels outside the specimen.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).
    reach_um : float
        Longest gap that is told.

    Yields
    ------
    Finding
        Gaps to other phases of all particles, and to the own phase of the largest ones.
    """
    told = {(r["phase"], r["particle_id"], r["other_phase"]): r["distance_um"] for r in rows}
    got, wanted = [], []
    for name, ids in labels.items():
        for other, those in (*labels.items(), ("outside", outside)):
            numbers = np.arange(1, ids.max(initial=0) + 1)
            if other == name:
                sizes = np.bincount(ids.ravel())[1:]
                numbers = np.sort(np.argsort(-sizes, kind="stable")[:N_ALIKE]) + 1
                gaps = [_gaps(ids == i, (ids > 0) & (ids != i), voxel_um) for i in numbers]
            else:
                gaps = list(_gaps(ids, those > 0, voxel_um))
            for number, gap in zip(numbers.tolist(), gaps, strict=True):
                # What is just out of reach may be told or not by a rounded distance.
                if gap <= reach_um * (1 - OBLONG):
                    wanted.append(gap)
                    got.append(told.get((name, number, other), math.inf))
                elif gap > reach_um * (1 + OBLONG):
                    wanted.append(0.0)
                    got.append(float((name, number, other) in told))
    edge = min(voxel_um)
    yield compare_values(
        "neighbours: distance_um", SCIPY, np.array(got) + edge, np.array(wanted) + edge, OBLONG,
        "relative", "gaps",
    )  # fmt: skip


def _gaps(ids: NDArray[Any], others: NDArray[np.bool_], voxel_um: Edges) -> Any:
    """Return the gap of each body to others: the distance of centres to their voxels' neighbours.

    Voxels as cubes are nearer to each other by one step along each axis than their centres are.
    """
    if not others.any():
        distance = np.full(ids.shape, np.inf)
    else:
        wide = ndimage.binary_dilation(others, _CUBE)
        distance = ndimage.distance_transform_edt(~wide, sampling=voxel_um)
    if ids.dtype == np.bool_:
        return distance[ids].min()
    return ndimage.minimum(distance, ids, np.arange(1, ids.max(initial=0) + 1))


def _local_thickness(body: NDArray[np.bool_], depth: Reals, voxel_um: Edges) -> Reals:
    """Return the local thickness of a body's voxels, radius by radius."""
    radius = np.zeros(body.shape)
    for r in np.unique(depth[body].round(9)):
        away = ndimage.distance_transform_edt(depth < r - 1e-9, sampling=voxel_um)
        radius[body & (away < r - 1e-9)] = r
    lattice = 0.75 * float(np.prod(voxel_um)) ** (2 / 3)
    local = 2 * np.sqrt(np.maximum(np.square(radius[body]) - lattice, 0))
    return np.asarray(np.maximum(local, radius[body]))
