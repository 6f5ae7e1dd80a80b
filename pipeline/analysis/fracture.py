"""Which particles lie at a fracture origin, and how they rank among all of their phase."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy import stats

from pipeline.model.records import FRACTURE

Reals = NDArray[np.float64]

RANKED = ("volume_um3", "feret_max_um", "sqrt_projected_area_um")
"""Sizes that particles are ranked by."""

COLUMNS = (
    "phase", "particle_id", *(f"bbox_{a}_{end}_vx" for a in "zyx" for end in ("start", "stop")),
    *(f"centroid_{a}_um" for a in "zyx"), *RANKED, "touches_border",
)  # fmt: skip
"""Columns of `particles` that are needed."""

N_ORIGINS = 999
"""Random origins that the found one is set beside: the least p-value is 1 / 1000."""

_NO_RANK = np.iinfo(np.int64).max

_PAIRS = 2_000_000
"""Distances that are held at once."""


def box_distance_um(low_um: Reals, high_um: Reals, origin_um: Reals) -> Reals:
    """Return how far a place lies from bounding boxes; 0 inside them.

    Parameters
    ----------
    low_um, high_um : ndarray of float64, shape (n, 3)
        Low and high corners of the boxes in um from the low face of the volume, (z, y, x).
    origin_um : ndarray of float64, shape (3,) or (k, 1, 3)
        The place, or places.

    Returns
    -------
    ndarray of float64, shape (n,) or (k, n)
        Distances in um: lower bounds of those to the particles.

    Examples
    --------
    >>> box = np.array([[0.0, 0.0, 0.0]]), np.array([[20.0, 20.0, 20.0]])
    >>> box_distance_um(*box, np.array([10.0, 23.0, 24.0])).tolist()
    [5.0]
    """
    beyond = np.maximum(low_um - origin_um, origin_um - high_um)
    return np.asarray(np.sqrt((np.maximum(beyond, 0.0) ** 2).sum(axis=-1)), np.float64)


def draw_origins(
    shape: tuple[int, int, int],
    voxel_um: tuple[float, float, float],
    holds: Callable[[tuple[int, int, int]], bool],
    seed: int,
    n: int = N_ORIGINS,
) -> Reals:
    """Return places drawn evenly from the specimen.

    Parameters
    ----------
    shape : tuple of int
        Voxels of the volume, (z, y, x).
    voxel_um : tuple of float
        Edges of a voxel, (z, y, x).
    holds : callable
        Tells whether a voxel (z, y, x) lies in the specimen.
    seed : int
        Of the draws.
    n : int
        Places wanted.

    Returns
    -------
    ndarray of float64, shape (at most n, 3)
        Places in um from the low face; fewer where under 1 % of the volume is specimen.
    """
    rng = np.random.default_rng(seed)
    places: list[Reals] = []
    for _ in range(100 * n):
        place = rng.random(3) * shape
        z, y, x = (int(v) for v in place)
        if holds((z, y, x)):
            places.append(place * np.array(voxel_um))
            if len(places) == n:
                break
    return np.array(places, np.float64).reshape(-1, 3)


def best_ranks(
    ranks: NDArray[np.int64],
    box_um: tuple[Reals, Reals],
    origins_um: Reals,
    radius_um: float,
    worst: int = _NO_RANK,
) -> NDArray[np.int64]:
    """Return the best rank among the particles near each of many origins.

    Parameters
    ----------
    ranks : ndarray of int64, shape (n,)
        Ranks of the particles, 1 the largest.
    box_um : tuple of ndarray of float64, shape (n, 3)
        Low and high corners of their bounding boxes in um, (z, y, x).
    origins_um : ndarray of float64, shape (k, 3)
        Places.
    radius_um : float
        How far a box may lie from an origin.
    worst : int, optional
        Rank beyond which nobody asks.

    Returns
    -------
    ndarray of int64, shape (k,)
        The greatest integer where no particle of a rank up to `worst` is near.
    """
    found = np.full(len(origins_um), _NO_RANK, np.int64)
    order = np.argsort(ranks, kind="stable")
    order = order[ranks[order] <= worst]
    # Large particles first: an origin that one is near to asks for no other.
    open_, at = np.arange(len(origins_um)), 0
    while len(open_) and at < len(order):
        part = order[at : at + max(1, _PAIRS // len(open_))]
        distance = box_distance_um(box_um[0][part], box_um[1][part], origins_um[open_][:, None])
        near = distance <= radius_um
        met = near.any(axis=1)
        found[open_[met]] = ranks[part[near[met].argmax(axis=1)]]
        open_, at = open_[~met], at + len(part)
    return found


def rank_origin(
    particles: pa.Table,
    voxel_um: tuple[float, float, float],
    origin_um: tuple[float, float, float],
    radius_um: float,
    random_um: Reals,
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
    random_um : ndarray of float64, shape (k, 3)
        Random origins that the found one is set beside, from `draw_origins`.

    Returns
    -------
    pyarrow.Table
        Columns of `pipeline.model.records.FRACTURE`; by phase, the nearest first.
    """

    def corner(end: str) -> Reals:
        return np.stack(
            [np.asarray(particles[f"bbox_{a}_{end}_vx"], np.float64) for a in "zyx"], axis=1
        )

    low, high = (corner(end) * np.array(voxel_um) for end in ("start", "stop"))
    distance = box_distance_um(low, high, np.array(origin_um))
    phases = np.asarray(particles["phase"].to_pylist(), dtype=object)
    rows: list[dict[str, object]] = []
    for phase in sorted(set(phases.tolist())):
        members = np.flatnonzero(phases == phase)
        if (distance[members] <= radius_um).any():
            box = (low[members], high[members])
            rows += _rank(particles.take(members), distance[members], radius_um, box, random_um)
    schema = FRACTURE.schema
    return pa.table(
        [pa.array([r.get(f.name) for r in rows], f.type) for f in schema], schema=schema
    )


def chance_of_rank(best: int, random: NDArray[np.int64]) -> float | None:
    """Return the p-value of the best rank near an origin, beside those near random origins.

    A random origin meets large particles more often than small ones, and many where they
    cluster: both hold for the draws too, so random origins have p-values of at most p in a share
    of p at most.

    Parameters
    ----------
    best : int
        Best rank near the origin.
    random : ndarray of int64, shape (k,)
        The same near random ones.

    Returns
    -------
    float or None
        (1 + those that are as good) / (1 + k); None without random origins.

    Examples
    --------
    >>> chance_of_rank(3, np.array([1, 3, 4, 9]))
    0.6
    """
    if not len(random):
        return None
    return (1 + int((random <= best).sum())) / (1 + len(random))


def _rank(
    mine: pa.Table, distance: Reals, radius_um: float, box_um: tuple[Reals, Reals], random_um: Reals
) -> list[dict[str, object]]:
    n = len(distance)
    ranks, chances = {}, {}
    near = distance <= radius_um
    for name in RANKED:
        sizes = np.asarray(mine[name].to_numpy(), np.float64)
        if np.isfinite(sizes).all():
            # 1 is the largest; equal sizes share the better rank.
            ranks[name] = stats.rankdata(-sizes, method="min").astype(np.int64)
            best = int(ranks[name][near].min())
            random = best_ranks(ranks[name], box_um, random_um, radius_um, best)
            chances[name] = chance_of_rank(best, random)
    rows = []
    places = np.flatnonzero(near)
    table = dict(zip(places.tolist(), mine.take(places).to_pylist(), strict=True))
    for i in sorted(table, key=lambda i: (distance[i], table[i]["particle_id"])):
        row: dict[str, object] = {k: table[i][k] for k in ("phase", "particle_id",
               "touches_border", *RANKED, *(f"centroid_{a}_um" for a in "zyx"))}  # fmt: skip
        row |= {"distance_um": float(distance[i]), "n_phase": n, "n_near": int(near.sum())}
        for name, found in ranks.items():
            stem = name.rpartition("_")[0]
            row |= {f"{stem}_rank": int(found[i]), f"{stem}_chance": chances[name]}
        rows.append(row)
    return rows
