"""Fates: from counts of overlap to what became of each particle.

Two particles are partners if at least half of the voxels of one of them, in the common field, lie
in or near the other.  The half keeps neighbours apart that merely touch, and holds for a fragment
in its former body as for a body in what it merged into (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.model.match import FIELD_SHARE, LINK_SHARE
from pipeline.model.similarity import Similarity

KEPT, SHRUNK, GROWN, SPLIT, MERGED = "kept", "shrunk", "grown", "split", "merged"
DISSOLVED, NEW, LEFT, ENTERED = "dissolved", "new", "left the field", "entered the field"
FATES = (KEPT, GROWN, MERGED, SHRUNK, SPLIT, DISSOLVED, NEW, LEFT, ENTERED)
"""All fates, in the order of tables and pictures."""


@dataclass(frozen=True, slots=True)
class Side:
    """The particles of one phase of one scan, and where their voxels lie in the other.

    Parameters
    ----------
    ids, n_voxels, n_in_field : (n,) int64
        Particles, ascending; their voxels, and those in the common field.
    pairs : (m, 2) int64
        Own particle and particle of the other scan.
    n_same, n_near : (m,) int64
        Own voxels that lie in it, and in or near it.
    voxel_um3 : float
        Volume of a voxel.
    centroid_um : (n, 3) float64
        Centroids.
    thickness_um : (n,) float64
        Thicknesses, NaN where unknown.
    """

    ids: NDArray[np.int64]
    n_voxels: NDArray[np.int64]
    n_in_field: NDArray[np.int64]
    pairs: NDArray[np.int64]
    n_same: NDArray[np.int64]
    n_near: NDArray[np.int64]
    voxel_um3: float
    centroid_um: NDArray[np.float64]
    thickness_um: NDArray[np.float64]


@dataclass(slots=True)
class _Body:
    """One particle with its partners: place in the other side, share of it, same voxels."""

    partners: list[int] = field(default_factory=list)
    near: list[int] = field(default_factory=list)
    same: int = 0


def find_links(before: Side, after: Side) -> NDArray[np.int64]:
    """Return the pairs of partners.

    Parameters
    ----------
    before, after : Side
        Both sides.

    Returns
    -------
    (n, 4) int64
        Place in `before`, place in `after`, near voxels and same voxels of the former, in order.
    """
    table: dict[tuple[int, int], list[int]] = {}
    own = np.searchsorted(before.ids, before.pairs[:, 0])
    other = np.searchsorted(after.ids, before.pairs[:, 1])
    for b, a, near, same in zip(own, other, before.n_near, before.n_same, strict=True):
        table[int(b), int(a)] = [int(near), int(same), 0]
    own = np.searchsorted(after.ids, after.pairs[:, 0])
    other = np.searchsorted(before.ids, after.pairs[:, 1])
    for a, b, near in zip(own, other, after.n_near, strict=True):
        table.setdefault((int(b), int(a)), [0, 0, 0])[2] = int(near)
    rows = [
        (b, a, near, same)
        for (b, a), (near, same, back) in sorted(table.items())
        if near >= LINK_SHARE * max(int(before.n_in_field[b]), 1)
        or back >= LINK_SHARE * max(int(after.n_in_field[a]), 1)
    ]
    return np.array(rows, np.int64).reshape(-1, 4)


def decide_fates(
    before: Side, after: Side, move: Similarity, change_share: float
) -> list[dict[str, Any]]:
    """Return what became of every particle of one phase.

    Parameters
    ----------
    before, after : Side
        Its particles in both scans.
    move : Similarity
        From before to after.
    change_share : float
        Change of volume from which a body counts as shrunk or grown.

    Returns
    -------
    list of dict
        Columns of `pipeline.model.records.FATES` that belong to a particle.
    """
    links = find_links(before, after)
    bodies = [_Body() for _ in before.ids]
    owners: list[list[int]] = [[] for _ in after.ids]
    near_of = np.zeros(len(after.ids), np.int64)
    for b, a, near, same in links.tolist():
        bodies[b].partners.append(a)
        bodies[b].near.append(near)
        bodies[b].same += same
        owners[a].append(b)
        near_of[a] += near
    unit = after.voxel_um3 / move.scale**3
    volume_after = after.n_in_field * unit
    back = move.inverse()
    rows = []
    for b, body in enumerate(bodies):
        shares = [
            volume_after[a] * (near / near_of[a] if near_of[a] else 1 / len(owners[a]))
            for a, near in zip(body.partners, body.near, strict=True)
        ]
        sharing = {o for a in body.partners for o in owners[a]} - {b}
        row = _describe(before, b, "before") | _partners(after, body.partners, shares)
        row["n_sharing"] = len(sharing)
        row["overlap_um3"] = body.same * before.voxel_um3
        row["fate"] = _fate(row, change_share)
        whole = bool(body.partners) and not sharing and not row["is_cut"]
        if whole and all(after.n_in_field[a] == after.n_voxels[a] for a in body.partners):
            weight = after.n_voxels[body.partners].astype(np.float64)
            middle = weight @ after.centroid_um[body.partners] / weight.sum()
            offset = back.apply(middle) - before.centroid_um[b]
            row |= {f"offset_{n}_um": float(v) for n, v in zip("zyx", offset, strict=True)}
            row["offset_um"] = float(np.linalg.norm(offset))
        rows.append(row)
    for a, owned in enumerate(owners):
        if not owned:
            row = _describe(after, a, "after") | _partners(before, [], [])
            row |= {"n_sharing": 0, "overlap_um3": 0.0}
            row["fate"] = _fate(row, change_share)
            rows.append(row)
    return rows


def _describe(side: Side, i: int, name: str) -> dict[str, Any]:
    n, there = int(side.n_voxels[i]), int(side.n_in_field[i])
    thickness = float(side.thickness_um[i])
    return {
        "side": name,
        "particle_id": int(side.ids[i]),
        "n_voxels": n,
        "n_voxels_in_field": there,
        "is_cut": there < n,
        "volume_um3": there * side.voxel_um3,
        "thickness_um": thickness if np.isfinite(thickness) else None,
    }


def _partners(side: Side, places: list[int], shares: list[float]) -> dict[str, Any]:
    volume = float(sum(shares))
    known = [
        (s, float(side.thickness_um[p]))
        for p, s in zip(places, shares, strict=True)
        if np.isfinite(side.thickness_um[p])
    ]
    total = sum(s for s, _ in known)
    return {
        "partners": [int(side.ids[p]) for p in places],
        "n_pieces": len(places),
        "volume_other_um3": volume,
        "thickness_other_um": sum(s * t for s, t in known) / total if total > 0 else None,
    }


def _fate(row: dict[str, Any], change_share: float) -> str:
    """Decide a fate, and put the ratio of volumes into the row."""
    before = row["side"] == "before"
    volume = row["volume_um3"]
    row["volume_ratio"] = row["volume_other_um3"] / volume if volume > 0 else None
    if row["n_voxels_in_field"] < FIELD_SHARE * row["n_voxels"]:
        return LEFT if before else ENTERED
    if row["n_pieces"] == 0:
        return DISSOLVED if before else NEW
    if row["n_pieces"] > 1:
        return SPLIT
    if row["n_sharing"]:
        return MERGED
    ratio = row["volume_ratio"]
    if ratio < 1.0 - change_share:
        return SHRUNK
    return GROWN if ratio > 1.0 + change_share else KEPT


def summarise_fates(rows: pa.Table) -> list[dict[str, Any]]:
    """Return one summary a phase.

    Parameters
    ----------
    rows : pyarrow.Table
        Rows of `fates` of one pair of scans.

    Returns
    -------
    list of dict
        Phase; number of bodies by fate; volumes in the common field before and after, in the
        lengths of the scan before, in all and by the fate of the body before (``flow_um3``); what
        dissolved, with its share; mean number of pieces of split bodies; mean thickness before and
        after, weighted by volume, of bodies with partners; median offset of centroids.
    """
    found = []
    for phase in dict.fromkeys(rows["phase"].to_pylist()):
        of_phase = [r for r in rows.to_pylist() if r["phase"] == phase]
        found.append({"phase": phase} | _summary(of_phase))
    return found


def _summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    before = [r for r in rows if r["side"] == "before" and r["fate"] != LEFT]
    new = [r for r in rows if r["fate"] == NEW]
    counts = {fate: sum(r["fate"] == fate for r in rows) for fate in FATES}
    volumes = {fate: sum(r["volume_um3"] for r in rows if r["fate"] == fate) for fate in FATES}
    flow = {
        fate: [
            sum(r[name] for r in before if r["fate"] == fate)
            for name in ("volume_um3", "volume_other_um3")
        ]
        for fate in dict.fromkeys(r["fate"] for r in before)
    }
    there = sum(r["volume_um3"] for r in before)
    rest = sum(r["volume_other_um3"] for r in before)
    pieces = [r["n_pieces"] for r in before if r["fate"] == SPLIT]
    offsets = [r["offset_um"] for r in before if r["offset_um"] is not None]
    thick = [
        r for r in before if r["thickness_um"] is not None and r["thickness_other_um"] is not None
    ]
    return {
        "n_bodies": len(before),
        "n_by_fate": counts,
        "volume_by_fate_um3": volumes,
        "flow_um3": flow,
        "volume_before_um3": there,
        "volume_after_um3": rest + sum(r["volume_um3"] for r in new),
        "volume_dissolved_um3": there - rest,
        "dissolved_share": (there - rest) / there if there > 0 else None,
        "pieces_mean": float(np.mean(pieces)) if pieces else None,
        "thickness_before_um": _weighted(thick, "thickness_um", "volume_um3"),
        "thickness_after_um": _weighted(thick, "thickness_other_um", "volume_other_um3"),
        "offset_median_um": float(np.median(offsets)) if offsets else None,
    }


def _weighted(rows: list[dict[str, Any]], value: str, weight: str) -> float | None:
    total = sum(r[weight] for r in rows)
    return sum(r[value] * r[weight] for r in rows) / total if total > 0 else None


def tell_share(dissolved: float) -> str:
    """Return in words what share of a volume dissolved; below 0, what it gained.

    Examples
    --------
    >>> tell_share(-0.01)
    '1 % of the volume gained'
    """
    verb = "dissolved" if dissolved >= 0 else "gained"
    return f"{100 * abs(dissolved):.0f} % of the volume {verb}"


def tell_summary(found: Mapping[str, Any]) -> str:
    """Return a summary as a sentence.

    Examples
    --------
    >>> tell_summary({"phase": "iron-rich", "n_bodies": 412, "dissolved_share": 0.61,
    ...     "n_by_fate": {"split": 148}, "pieces_mean": 3.2, "thickness_before_um": 11.0,
    ...     "thickness_after_um": 6.0})
    'iron-rich: 412 bodies, 61 % of the volume dissolved, 148 split into 3.2 pieces on average, \
thickness 11 to 6 um'
    """
    parts = [f"{found['phase']}: {found['n_bodies']} bodies"]
    if found["dissolved_share"] is not None:
        parts.append(tell_share(found["dissolved_share"]))
    n_split = found["n_by_fate"]["split"]
    if n_split:
        parts.append(f"{n_split} split into {found['pieces_mean']:.1f} pieces on average")
    if found["thickness_before_um"] is not None and found["thickness_after_um"] is not None:
        ends = (found["thickness_before_um"], found["thickness_after_um"])
        parts.append("thickness {:.3g} to {:.3g} um".format(*ends))
    return ", ".join(parts)
