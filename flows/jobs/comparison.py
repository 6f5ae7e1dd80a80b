"""From a question about groups of scans to their comparison: the catalogue is only read."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.dataset as pads

from flows.settings import read_machine
from pipeline.analysis.comparison import Comparison, compare_groups
from pipeline.analysis.designs import COLUMNS, REASONS, Design, make_design
from pipeline.analysis.measures import (
    PHASE_COLUMNS,
    SCAN_COLUMNS,
    Measured,
    caution_particles,
    gather,
    keep_statistics,
    measure_particles,
    measure_scans,
)
from pipeline.analysis.profiles import Profile, list_descriptors, profile_particles
from pipeline.errors import DamageError, NotFoundError, UsageError
from pipeline.model.records import PARTICLES, PHASES, SCANS, STATISTICS
from pipeline.stores.catalogue import Catalogue, Snapshot
from pipeline.stores.query import run_query

READ_BYTES = 128 * 2**20
"""Bytes of particles that are in memory at once, about."""


MOST_THREADS = 4
"""Specimens that are read side by side."""

SHOWN_MEASURES = ("value", "mean", "share")
"""Measures that tables for people and figures of effects show; files hold all."""

REASONS_HELP = f"Go on despite of {', '.join(REASONS)} (with commas); the answer says so."
"""What a command says about waiving."""


@dataclass(frozen=True, slots=True)
class GroupWish:
    """What is to be compared.

    Parameters
    ----------
    by : str
        Column of `scans` that names the groups.
    where : str
        Condition on the columns of `scans` in SQL; empty for all scans.
    phase : str
        Phase to look at; empty for all.
    paired_by : str
        Column whose equal values make pairs; empty to pair what was scanned in both groups.
    reference : str
        Group that the others are compared with; empty for all pairs.
    despite : tuple of str
        Reasons not to compare that are waived: keys of `pipeline.analysis.designs.REASONS`.
    with_border : bool
        Whether particles count that the border of the volume or the specimen's edge cuts.
    change_percent : float
        Change that numbers of specimens are asked for.
    """

    by: str
    where: str = ""
    phase: str = ""
    paired_by: str = ""
    reference: str = ""
    despite: tuple[str, ...] = ()
    with_border: bool = False
    change_percent: float = 10.0


@dataclass(frozen=True, slots=True)
class GroupAnswer:
    """A comparison with what it rests on."""

    design: Design
    measured: Measured
    comparison: Comparison
    catalogue_version: int


def compare_scans(
    catalogue: Catalogue, wish: GroupWish, version: int | None = None, timeout_s: float = 60.0
) -> GroupAnswer:
    """Compare groups of scans.

    Parameters
    ----------
    catalogue : Catalogue
        Where they are.
    wish : GroupWish
        What is asked.
    version : int, optional
        Version of the catalogue; the latest when None.
    timeout_s : float
        Seconds that the condition `where` may take.

    Returns
    -------
    GroupAnswer
        Rows, values of specimens, cautions.

    Raises
    ------
    UsageError
        Groups that do not exist or cannot be compared, a condition that is none.
    NotFoundError
        No such version, or no scan fits the condition.
    """
    snapshot = catalogue.snapshot(version)
    scans = choose_scans(catalogue, snapshot, wish.where, timeout_s, (wish.by, wish.paired_by))
    design = make_design(
        scans,
        wish.by,
        paired_by=wish.paired_by,
        reference=wish.reference,
        despite=wish.despite,
    )
    measured = measure_design(snapshot, design, wish.phase, wish.with_border)
    compared = compare_groups(design, measured, wish.change_percent)
    said = tuple(caution_particles(design, measured, wish.with_border))
    compared = replace(compared, cautions=compared.cautions + said)
    return GroupAnswer(design, measured, compared, snapshot.version)


def surprise(row: Mapping[str, Any]) -> tuple[float, float, str, str]:
    """Return the order of rows for people: least p first, then the largest effect or ratio."""
    p = 2.0 if row["p_value"] is None else row["p_value"]
    size = row["hedges_g"] or math.log(row["ratio"] or 1.0)
    return p, -abs(size), row["phase"], row["quantity"]


def choose_scans(
    catalogue: Catalogue,
    snapshot: Snapshot,
    where: str = "",
    timeout_s: float = 60.0,
    columns: Sequence[str] = (),
) -> pa.Table:
    """Return the rows of `scans` that fit a condition: what designs need, and `columns`.

    The condition is untrusted: it runs where every query runs, in a process without files, and
    what comes back is taken as names of scans and nothing else.

    Raises
    ------
    NotFoundError
        None fits.
    QueryError
        The condition is none.
    """
    wanted = {*COLUMNS, *columns}
    names = [c.name for c in SCANS.columns if c.name in wanted]
    rows = _read(snapshot.dataset(SCANS.name), names).sort_by("scan_id")
    if where and rows.num_rows:
        # On lines of its own, so that a comment in it ends where it ends.
        sql = f"SELECT scan_id FROM scans WHERE (\n{where}\n)"  # noqa: S608 - see above
        chosen = run_query(catalogue, sql, version=snapshot.version, timeout_s=timeout_s)
        rows = rows.filter(pc.is_in(rows["scan_id"], chosen["scan_id"].cast(pa.string())))
    if not rows.num_rows:
        held = len(snapshot.scan_ids)
        raise NotFoundError(
            f"No scan fits: version {snapshot.version} of the catalogue in {catalogue.root} holds "
            f"{held} scans" + (f", none with {where}." if where and held else "."),
            "List them with: castcensus scans.",
        )
    return rows


def measure_design(
    snapshot: Snapshot, design: Design, phase: str = "", with_border: bool = False
) -> Measured:
    """Read what a design compares, one specimen at a time.

    Parameters
    ----------
    snapshot : Snapshot
        The catalogue.
    design : Design
        Groups and units.
    phase : str
        Phase to look at; empty for all.
    with_border : bool
        Whether particles count that the border of the volume or the specimen's edge cuts.

    Returns
    -------
    Measured
        A value for each unit and quantity.

    Raises
    ------
    UsageError
        No scan has the phase.
    """
    ids = [scan for unit in design.units for scan in unit.scan_ids]
    mine = pads.field("scan_id").isin(ids)
    columns = ["scan_id", "phase", "kind", *PHASE_COLUMNS]
    phases = _read(snapshot.dataset(PHASES.name), columns, mine)
    names = sorted(set(phases["phase"].to_pylist()))
    if phase and phase not in names:
        raise UsageError(f"No scan has a phase {phase!r}.", f"There are {', '.join(names)}.")
    statistics = _read(
        snapshot.dataset(STATISTICS.name),
        ["scan_id", "phase", "quantity", "reference", "at", "value", "unit"],
        mine,
    )
    if phase:
        phases = phases.filter(pc.field("phase") == phase)
        statistics = statistics.filter(pc.field("phase") == phase)
    scans = _read(snapshot.dataset(SCANS.name), ["scan_id", *SCAN_COLUMNS], mine)
    wanted = sorted(set(phases.filter(pc.field("kind") == "particles")["phase"].to_pylist()))
    of_whole = measure_scans(design, scans, phases, keep_statistics(statistics))
    # Sorting and decoding leave the interpreter free, so specimens go side by side.
    n_threads = min(read_machine().n_cores, MOST_THREADS, len(design.units))
    with ThreadPoolExecutor(n_threads) as pool:
        profiles = list(
            pool.map(
                lambda unit: _profile(
                    snapshot, unit.scan_ids, wanted, with_border, READ_BYTES // n_threads
                ),
                design.units,
            )
        )
    values, curves = measure_particles(profiles)
    n_particles = {
        name: np.array([p[name, "volume_um3"].n if (name, "volume_um3") in p else 0
                        for p in profiles], np.int64)
        for name in wanted
    }  # fmt: skip
    return gather([of_whole, values], curves, n_particles)


def _profile(
    snapshot: Snapshot,
    scan_ids: Sequence[str],
    phases: Sequence[str],
    with_border: bool,
    n_bytes: int,
) -> dict[tuple[str, str], Profile]:
    """Return the profiles of a unit, reading as many columns at once as `n_bytes` hold."""
    numbers, flags = list_descriptors(PARTICLES)
    datasets = [snapshot.dataset(PARTICLES.name, scan_id) for scan_id in scan_ids]
    n_rows = sum(_count(dataset) for dataset in datasets)
    step = max(1, n_bytes // (8 * max(n_rows, 1)))
    found: dict[tuple[str, str], Profile] = {}
    names = numbers + flags
    for start in range(0, len(names), step):
        part = names[start : start + step]
        columns = list(dict.fromkeys(["phase", "touches_border", "touches_mask_edge", *part]))
        # Rows are left out by position later: a filter here would copy every column once more.
        # Specimens go side by side already.
        rows = pa.concat_tables([_read(d, columns, threads=False) for d in datasets])
        found |= profile_particles(
            rows,
            [n for n in part if n in numbers],
            [n for n in part if n in flags],
            phases,
            with_border,
        )
    return found


def _count(dataset: pads.Dataset) -> int:
    try:
        return int(dataset.count_rows())
    except (OSError, pa.ArrowException) as error:
        raise _damage(error) from None


def _read(
    dataset: pads.Dataset,
    columns: Sequence[str],
    kept: pads.Expression | None = None,
    threads: bool = True,
) -> pa.Table:
    try:
        return dataset.to_table(columns=list(columns), filter=kept, use_threads=threads)
    except (OSError, pa.ArrowException) as error:
        raise _damage(error) from None


def _damage(error: Exception) -> DamageError:
    text = " ".join(str(error).split()).rstrip(".")
    return DamageError(f"Rows of the catalogue cannot be read: {text}.")
