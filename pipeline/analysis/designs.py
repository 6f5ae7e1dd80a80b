"""Who is compared with whom: groups of specimens, and whether they may be compared at all.

The specimen is the sampling unit.  Scans nest in specimens: several scans of one specimen in one
group are one unit.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.errors import UsageError
from pipeline.model.records import SCANS

VOXEL_TOLERANCE = 0.01
"""Relative difference of voxel edges up to which scans have one resolution."""

SIZE_TOLERANCE = 0.25
"""Relative difference of the searched volumes above which extremes are said to differ by it."""

REASONS = {
    "voxel": f"voxel edges that differ by more than {VOXEL_TOLERANCE:.0%}",
    "recipe": "recipes of different hash",
    "version": "castcensus of different minor versions (a patch changes no number)",
    "specimen": "scans that name no specimen; each then stands for one of its own",
}
"""What keeps scans from being compared, and can be waived."""

_CIRCUMSTANCES = (
    "alloy", "temper", "condition", "operator", "tube_kv", "tube_power_w", "beam_energy_kev",
    "denoise_used", "recipe_name", "heat_treatment",
)  # fmt: skip
"""Columns that may go with the groups and then explain a difference as well."""


USUAL = ("temper", "condition", "alloy", "specimen")
"""What people group by; named where a column does not exist."""

COLUMNS = (
    "scan_id", "specimen", "voxel_z_um", "voxel_y_um", "voxel_x_um", "recipe_hash",
    "code_version", "mask_volume_um3", *_CIRCUMSTANCES,
)  # fmt: skip
"""Columns of `scans` that a design is made from, beside those that it is told."""


@dataclass(frozen=True, slots=True)
class Unit:
    """The scans of one specimen in one group."""

    group: str
    specimen: str
    scan_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Design:
    """Groups of specimens.

    Parameters
    ----------
    by : str
        Column of `scans` that names the groups.
    groups : tuple of str
        Their names, in the order of their values.
    units : tuple of Unit
        By group and specimen.
    paired_by : str
        Column whose equal values make pairs; empty where pairs are not asked for.
    reference : str
        Group against which all others are compared; empty for all pairs of groups.
    cautions : tuple of str
        What a reader of the comparison has to know.
    despite : tuple of str
        Keys of `REASONS` that were found and waived.
    """

    by: str
    groups: tuple[str, ...]
    units: tuple[Unit, ...]
    paired_by: str
    reference: str
    cautions: tuple[str, ...]
    despite: tuple[str, ...]

    @property
    def contrasts(self) -> list[tuple[str, str]]:
        """Pairs of groups (first, second) that are compared."""
        if self.reference:
            return [(self.reference, g) for g in self.groups if g != self.reference]
        return list(combinations(self.groups, 2))


@dataclass(frozen=True, slots=True)
class Contrast:
    """Two groups as they are compared.

    Parameters
    ----------
    first, second : ndarray of intp
        Positions of their units in the design; for pairs, they belong together.
    paired : bool
        Whether they do.
    note : str
        What was left out, and why.
    """

    first: NDArray[np.intp]
    second: NDArray[np.intp]
    paired: bool
    note: str


def make_design(
    scans: pa.Table,
    by: str,
    *,
    paired_by: str = "",
    reference: str = "",
    despite: Collection[str] = (),
) -> Design:
    """Sort scans into groups and specimens, or refuse to compare them.

    Parameters
    ----------
    scans : pyarrow.Table
        Rows of `scans` with `COLUMNS`, `by` and `paired_by`.
    by : str
        Column that names the groups; scans without a value there are left out.
    paired_by : str, optional
        Column whose equal values make pairs, and which then names the sampling unit.
    reference : str, optional
        Group against which the others are compared.
    despite : collection of str
        Keys of `REASONS` that are waived.

    Returns
    -------
    Design
        At least two groups.

    Raises
    ------
    UsageError
        Unknown column, fewer than two groups, or scans that cannot be compared.
    """
    for column, option in ((by, "--by"), (paired_by, "--paired-by")):
        _check_column(column, option)
    rows = [row for row in scans.to_pylist() if row[by] is not None]
    # In the order of their values: 60 comes before 100.
    groups = tuple(dict.fromkeys(_label(value) for value in sorted({row[by] for row in rows})))
    if len(groups) < 2:
        have = f"all are {groups[0]!r}" if groups else "none states it"
        raise UsageError(
            f"{scans.num_rows} scans were chosen, and by {by} they make {len(groups)} groups, "
            f"wanted 2 or more: {have}.",
            "Group --by another column, or widen --where.",
        )
    if reference and reference not in groups:
        raise UsageError(
            f"--reference {reference!r} is no group.", f"There are {', '.join(groups)}."
        )
    found = _check_likeness(rows, paired_by or "specimen", despite)
    n_left = scans.num_rows - len(rows)
    cautions = [f"{n_left} scans state no {by} and are left out."] if n_left else []
    cautions += [f"Compared although {found[key]}" for key in found]
    cautions += _find_confounders(rows, by)
    units = _nest(rows, paired_by or "specimen", by)
    return Design(by, groups, units, paired_by, reference, tuple(cautions), tuple(sorted(found)))


def make_specimens(scans: pa.Table, despite: Collection[str] = ()) -> Design:
    """Sort scans into specimens of one group.

    Parameters
    ----------
    scans : pyarrow.Table
        Rows of `scans` with `COLUMNS`.
    despite : collection of str
        Keys of `REASONS` that are waived.

    Returns
    -------
    Design
        One group without a name.

    Raises
    ------
    UsageError
        Scans that cannot be compared, or a specimen in several conditions.
    """
    rows = scans.to_pylist()
    found = _check_likeness(rows, "specimen", despite)
    states: dict[str, set[tuple[Any, ...]]] = {}
    for row in rows:
        if row["specimen"] is not None:
            states.setdefault(row["specimen"], set()).add((row["temper"], row["condition"]))
    for specimen, kinds in sorted(states.items()):
        if len(kinds) > 1:
            names = ", ".join(sorted(" ".join(filter(None, kind)) or "none" for kind in kinds))
            raise UsageError(
                f"Specimen {specimen} was scanned in several conditions: {names}.",
                "Choose one with --where: that in which it was tested.",
            )
    cautions = [f"Correlated although {found[key]}" for key in found]
    for column in _CIRCUMSTANCES:
        values = sorted({str(row[column]) for row in rows})
        if len(values) > 1:
            cautions.append(
                f"Specimens differ in {column} ({', '.join(values)}): what goes with the property "
                "may be what goes with that. Look within each with --where."
            )
    return Design("", ("",), _nest(rows, "specimen"), "", "", tuple(cautions), tuple(sorted(found)))


def make_contrast(design: Design, first: str, second: str) -> Contrast:
    """Choose the units of two groups, and whether they are compared as pairs.

    Pairs are made where they are asked for, and where at least half of the smaller group's
    specimens are in the other group too.  A specimen in both groups cannot count as two, so it is
    left out where the groups are compared as independent ones.

    Parameters
    ----------
    design : Design
        The groups.
    first, second : str
        Names of two.

    Returns
    -------
    Contrast
        Their units.
    """
    places = [
        {u.specimen: i for i, u in enumerate(design.units) if u.group == g} for g in (first, second)
    ]
    shared = sorted(places[0].keys() & places[1].keys())
    smaller = min(len(p) for p in places)
    n_single = len(places[0]) + len(places[1]) - 2 * len(shared)
    if shared and (design.paired_by or 2 * len(shared) >= smaller):
        note = f"{n_single} specimens are in one group only and are left out" if n_single else ""
        chosen = [[p[s] for s in shared] for p in places]
        return Contrast(np.array(chosen[0], np.intp), np.array(chosen[1], np.intp), True, note)
    if design.paired_by:
        why = f"no {design.paired_by} is in both groups, so there are no pairs"
        return Contrast(np.empty(0, np.intp), np.empty(0, np.intp), True, why)
    note = f"{len(shared)} specimens are in both groups and are left out" if shared else ""
    chosen = [[i for s, i in p.items() if s not in shared] for p in places]
    return Contrast(np.array(chosen[0], np.intp), np.array(chosen[1], np.intp), False, note)


def _check_column(column: str, option: str) -> None:
    plain = [
        c.name
        for c in SCANS.columns
        if not (pa.types.is_list(c.type) or pa.types.is_timestamp(c.type))
    ]
    if column and column not in plain:
        near = difflib.get_close_matches(column, plain, 3) or [c for c in USUAL if c != column]
        raise UsageError(
            f"{option} {column!r} is no column of scans to group by.",
            f"Such as {', '.join(near)}; all {len(plain)}: castcensus dictionary.",
        )


def _check_likeness(
    rows: Sequence[dict[str, Any]], unit_column: str, despite: Collection[str]
) -> dict[str, str]:
    """Return why rows should not be compared, as far as it is waived; refuse the rest."""
    for reason in despite:
        if reason not in REASONS:
            raise UsageError(
                f"--despite {reason!r} is no reason.", f"There are {', '.join(REASONS)}."
            )
    found = _find_reasons(rows, unit_column)
    refused = [key for key in found if key not in despite]
    if refused:
        raise UsageError(
            "These scans are not comparable: " + " ".join(found[key] for key in refused),
            f"Narrow --where, or say --despite {','.join(refused)}.",
        )
    return found


def _nest(rows: Sequence[dict[str, Any]], unit_column: str, by: str = "") -> tuple[Unit, ...]:
    """Return the sampling units of rows, by group and name."""
    members: dict[tuple[str, str], list[str]] = {}
    for row in rows:
        unit = row[unit_column]
        name = f"scan {row['scan_id']}" if unit is None else _label(unit)
        group = _label(row[by]) if by else ""
        members.setdefault((group, name), []).append(row["scan_id"])
    return tuple(Unit(*key, tuple(sorted(ids))) for key, ids in sorted(members.items()))


def _label(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _find_reasons(rows: Sequence[dict[str, Any]], unit_column: str) -> dict[str, str]:
    """Return why rows should not be compared, one sentence a reason."""
    found = {}
    edges = np.array([[row[f"voxel_{a}_um"] for a in "zyx"] for row in rows])
    if (edges.max(axis=0) > edges.min(axis=0) * (1.0 + VOXEL_TOLERANCE)).any():
        low, high = float(edges.min()), float(edges.max())
        found["voxel"] = f"voxel edges go from {low:g} to {high:g} um."
    recipes = sorted({row["recipe_hash"] for row in rows})
    if len(recipes) > 1:
        found["recipe"] = f"they were counted by {len(recipes)} different recipes."
    versions = sorted({".".join(row["code_version"].split(".")[:2]) for row in rows})
    if len(versions) > 1:
        found["version"] = f"castcensus {', '.join(versions)} counted them."
    nameless = sum(row[unit_column] is None for row in rows)
    if nameless:
        found["specimen"] = f"{nameless} of {len(rows)} scans name no {unit_column}."
    return found


def _find_confounders(rows: Sequence[dict[str, Any]], by: str) -> list[str]:
    """Return what differs between the groups beside what they are named by."""
    cautions = []
    labels = [_label(row[by]) for row in rows]
    for column in _CIRCUMSTANCES:
        if column == by:
            continue
        values: dict[str, set[str]] = {}
        for label, row in zip(labels, rows, strict=True):
            values.setdefault(label, set()).add(repr(row[column]))
        if all(len(v) == 1 for v in values.values()) and len(set().union(*values.values())) > 1:
            cautions.append(
                f"{column} changes together with {by}: what differs may be due to either."
            )
    sizes = [
        float(
            np.mean([r["mask_volume_um3"] for r, at in zip(rows, labels, strict=True) if at == g])
        )
        for g in sorted(set(labels))
    ]
    if min(sizes) > 0 and max(sizes) > min(sizes) * (1.0 + SIZE_TOLERANCE):
        cautions.append(
            f"The volumes searched differ (means of {min(sizes):.4g} to {max(sizes):.4g} um3): "
            "largest particles and counts grow with them, and larger particles are cut less often."
        )
    return cautions
