"""Which particles lie at a fracture origin, and how they rank among all of their phase."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy import special, stats

from pipeline.model.records import FRACTURE

Reals = NDArray[np.float64]

RANKED = ("volume_um3", "feret_max_um", "sqrt_projected_area_um")
"""Sizes that particles are ranked by."""

COLUMNS = (
    "phase", "particle_id", *(f"bbox_{a}_{end}_vx" for a in "zyx" for end in ("start", "stop")),
    *(f"centroid_{a}_um" for a in "zyx"), *RANKED, "touches_border",
)  # fmt: skip
"""Columns of `particles` that are needed."""


def box_distance_um(start_vx: Reals, stop_vx: Reals, voxel_um: Reals, origin_um: Reals) -> Reals:
    """Return how far a place lies from bounding boxes; 0 inside them.

    Parameters
    ----------
    start_vx, stop_vx : ndarray of float64, shape (n, 3)
        First voxels of the boxes and beyond them, (z, y, x).
    voxel_um, origin_um : ndarray of float64, shape (3,)
        Edges of a voxel, and the place from the low face of the volume.

    Returns
    -------
    ndarray of float64, shape (n,)
        Distances in um: lower bounds of those to the particles.

    Examples
    --------
    >>> box = np.array([[0.0, 0.0, 0.0]]), np.array([[2.0, 2.0, 2.0]])
    >>> box_distance_um(*box, np.full(3, 10.0), np.array([10.0, 23.0, 24.0])).tolist()
    [5.0]
    """
    beyond = np.maximum(start_vx * voxel_um - origin_um, origin_um - stop_vx * voxel_um)
    return np.asarray(np.sqrt((np.maximum(beyond, 0.0) ** 2).sum(axis=1)), np.float64)


def rank_origin(
    particles: pa.Table,
    voxel_um: tuple[float, float, float],
    origin_um: tuple[float, float, float],
    radius_um: float,
) -> pa.Table:
    """Find the particles near a fracture origin and rank them in their phase.

    Parameters
    ----------
    particles : pyarrow.Table
        All particles of the scan, with `COLUMNS`.
    voxel_um, origin_um : tuple of float
        Edges of a voxel, and the origin from the low face of the volume, (z, y, x).
    radius_um : float
        How far a particle's bounding box may lie from the origin.

    Returns
    -------
    pyarrow.Table
        Columns of `pipeline.model.records.FRACTURE`; by phase, the nearest first.
    """

    def corner(end: str) -> Reals:
        return np.stack(
            [np.asarray(particles[f"bbox_{a}_{end}_vx"], np.float64) for a in "zyx"], axis=1
        )

    distance = box_distance_um(
        corner("start"), corner("stop"), np.array(voxel_um), np.array(origin_um)
    )
    phases = np.asarray(particles["phase"].to_pylist(), dtype=object)
    rows: list[dict[str, object]] = []
    for phase in sorted(set(phases.tolist())):
        members = np.flatnonzero(phases == phase)
        near = members[distance[members] <= radius_um]
        if len(near):
            rows += _rank(particles.take(members), distance[members], radius_um, len(near))
    schema = FRACTURE.schema
    return pa.table(
        [pa.array([r.get(f.name) for r in rows], f.type) for f in schema], schema=schema
    )


def chance_of_rank(rank: int, n: int, n_near: int) -> float:
    """Return how likely the best of `n_near` particles at random ranks as well among `n`.

    Examples
    --------
    >>> round(chance_of_rank(1, 100, 5), 6)
    0.05
    """
    if n - rank < n_near:
        return 1.0
    log = special.gammaln([n - rank + 1, n - n_near + 1, n - rank - n_near + 1, n + 1])
    return float(-np.expm1(log[0] + log[1] - log[2] - log[3]))


def _rank(
    mine: pa.Table, distance: Reals, radius_um: float, n_near: int
) -> list[dict[str, object]]:
    n = len(distance)
    ranks, chances = {}, {}
    near = distance <= radius_um
    for name in RANKED:
        sizes = np.asarray(mine[name].to_numpy(), np.float64)
        if np.isfinite(sizes).all():
            # 1 is the largest; equal sizes share the better rank.
            ranks[name] = stats.rankdata(-sizes, method="min").astype(int)
            chances[name] = chance_of_rank(int(ranks[name][near].min()), n, n_near)
    table = mine.to_pylist()
    rows = []
    for i in sorted(np.flatnonzero(near), key=lambda i: (distance[i], table[i]["particle_id"])):
        row: dict[str, object] = {k: table[i][k] for k in ("phase", "particle_id",
               "touches_border", *RANKED, *(f"centroid_{a}_um" for a in "zyx"))}  # fmt: skip
        row |= {"distance_um": float(distance[i]), "n_phase": n, "n_near": n_near}
        for name, found in ranks.items():
            stem = name.rpartition("_")[0]
            row |= {f"{stem}_rank": int(found[i]), f"{stem}_chance": chances[name]}
        rows.append(row)
    return rows
