"""One value for each sampling unit and quantity: the matrix that groups are compared on."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.analysis.designs import Design
from pipeline.analysis.profiles import NAMED_SHARES, SHARES, Profile, unit_of
from pipeline.model.records import SPECIMEN_VALUES

Reals = NDArray[np.float64]

SCAN_COLUMNS = ("doubt_fraction", "edge_width_um", "noise_sd", "platelet_thickness_vx")
"""Quantities of `scans`: most tell whether the groups' images are alike."""

PHASE_COLUMNS = ("cnr_matrix", "largest_volume_um3", "n_particles")
"""Quantities of `phases` that `statistics` does not hold."""

FEWEST_PARTICLES = 10
"""Particles of a specimen below which it is named (common practice, no source)."""

_OF_THE_ESTIMATE = re.compile(
    r".*_p_value|contact_share_expected|.*_anderson_darling|.*_block_mm3|.*_gev.*|.*_uncorrected.*|.*_e562|.*_threshold.*"
    r"|.*_moments_um|orientation_[zyx]{2}|integral_range_um3|representative_edge_um|particles_needed|axes_spanned"
)
"""Statistics about how well something is known, or how a specimen stood, not about the material."""


@dataclass(frozen=True, slots=True, order=True)
class Quantity:
    """What is compared; the fields are columns of `pipeline.model.records.comparisons`."""

    kind: str
    phase: str
    quantity: str
    reference: str
    measure: str
    unit: str


@dataclass(frozen=True, slots=True)
class Measured:
    """Values of all units.

    Parameters
    ----------
    quantities : tuple of Quantity
        Columns of the matrix.
    values : ndarray of float64, shape (n_units, n_quantities)
        NaN where a unit has no value.
    curves : mapping of Quantity to ndarray of float64, shape (n_units, 39)
        Quantile functions at `SHARES`; rows of NaN for units without particles.
    n_particles : mapping of str to ndarray of int64, shape (n_units,)
        By phase, particles that its descriptors rest on.
    """

    quantities: tuple[Quantity, ...]
    values: Reals
    curves: Mapping[Quantity, Reals]
    n_particles: Mapping[str, NDArray[np.int64]] = field(default_factory=dict)


def caution_particles(design: Design, measured: Measured, with_border: bool) -> Iterator[str]:
    """Yield what to mind of the particles that a design's values rest on.

    Parameters
    ----------
    design : Design
        The units.
    measured : Measured
        Their values, with numbers of particles.
    with_border : bool
        Whether cut particles count.

    Yields
    ------
    str
        A sentence on what is cut, and one for each phase on its numbers.
    """
    if not measured.n_particles:
        return
    if with_border:
        yield "Particles that the border or the specimen's edge cuts count with what is seen."
    else:
        yield (
            "Particles that the border or the specimen's edge cuts are left out, large ones more "
            "often, so sizes of particles lean to small ones; rows of kind statistic "
            "(number_density_mm3, mean_volume_um3) are corrected for that."
        )
    for phase, n in sorted(measured.n_particles.items()):
        least, most = int(n.min()), int(n.max())
        text = f"{phase}: {least} to {most} particles a specimen"
        if least < FEWEST_PARTICLES:
            text += f", the fewest in {design.units[int(n.argmin())].specimen}"
        key = Quantity("descriptor", phase, "under_resolved", "", "share", "1")
        if key in measured.quantities and (n > 0).any():
            poor = float(np.nanmax(measured.values[:, measured.quantities.index(key)]))
            text += f"; up to {100 * poor:.0f} % of them under-resolved, of uncertain shape"
        yield f"{text}."


def keep_statistics(rows: pa.Table) -> pa.Table:
    """Return the statistics that are one number of the material and not a point of a curve."""
    names = pc.unique(rows["quantity"]).to_pylist()
    kept = [name for name in names if not _OF_THE_ESTIMATE.fullmatch(name)]
    return rows.filter(
        pc.and_(pc.is_null(rows["at"]), pc.is_in(rows["quantity"], pa.array(kept, pa.string())))
    )


def measure_scans(
    design: Design, scans: pa.Table, phases: pa.Table, statistics: pa.Table
) -> dict[Quantity, Reals]:
    """Return the quantities of whole scans, as means over each unit's scans.

    Parameters
    ----------
    design : Design
        The units.
    scans, phases, statistics : pyarrow.Table
        Rows of these tables about the scans of the design; statistics as by `keep_statistics`.

    Returns
    -------
    dict of Quantity to ndarray of float64, shape (n_units,)
        NaN where no scan of the unit has a value.
    """
    by_scan: dict[Quantity, dict[str, float]] = {}

    def take(key: Quantity, scan_id: str, value: float | None) -> None:
        if value is not None:
            by_scan.setdefault(key, {})[scan_id] = float(value)

    for row in scans.select(["scan_id", *SCAN_COLUMNS]).to_pylist():
        for name in SCAN_COLUMNS:
            take(Quantity("scan", "", name, "", "value", unit_of(name)), row["scan_id"], row[name])
    of_particles = phases.filter(pc.field("kind") == "particles")
    for row in of_particles.select(["scan_id", "phase", *PHASE_COLUMNS]).to_pylist():
        for name in PHASE_COLUMNS:
            key = Quantity("phase", row["phase"], name, "", "value", unit_of(name))
            take(key, row["scan_id"], row[name])
    for row in statistics.to_pylist():
        key = Quantity(
            "statistic", row["phase"], row["quantity"], row["reference"], "value", row["unit"]
        )
        take(key, row["scan_id"], row["value"])
    return {key: _over_units(design, found) for key, found in by_scan.items()}


def measure_particles(
    profiles: Sequence[Mapping[tuple[str, str], Profile]],
) -> tuple[dict[Quantity, Reals], dict[Quantity, Reals]]:
    """Return what the particles of each unit are like.

    Parameters
    ----------
    profiles : sequence of mapping
        For each unit, profiles by (phase, descriptor).

    Returns
    -------
    values : dict of Quantity to ndarray of float64, shape (n_units,)
        Means and named quantiles of numbers, shares of flags.
    curves : dict of Quantity to ndarray of float64, shape (n_units, 39)
        Quantile functions.
    """
    n_units = len(profiles)
    values: dict[Quantity, Reals] = {}
    curves: dict[Quantity, Reals] = {}
    for row, found in enumerate(profiles):
        for (phase, name), profile in found.items():
            key = ("descriptor", phase, name, "")
            if not len(profile.quantiles):
                _column(values, Quantity(*key, "share", "1"), (n_units,))[row] = profile.mean
                continue
            unit = unit_of(name)
            _column(values, Quantity(*key, "mean", unit), (n_units,))[row] = profile.mean
            for measure, place in NAMED_SHARES.items():
                column = _column(values, Quantity(*key, measure, unit), (n_units,))
                column[row] = profile.quantiles[place]
            curve = _column(curves, Quantity(*key, "distribution", unit), (n_units, len(SHARES)))
            curve[row] = profile.quantiles
    return values, curves


def gather(
    columns: Iterable[Mapping[Quantity, Reals]],
    curves: Mapping[Quantity, Reals],
    n_particles: Mapping[str, NDArray[np.int64]] | None = None,
) -> Measured:
    """Return the matrix of all quantities, in their order."""
    merged: dict[Quantity, Reals] = {}
    for part in columns:
        merged |= part
    ordered = tuple(sorted(merged))
    values = np.stack([merged[key] for key in ordered], axis=1) if ordered else np.empty((0, 0))
    return Measured(ordered, values, dict(sorted(curves.items())), n_particles or {})


def tabulate_units(design: Design, measured: Measured) -> pa.Table:
    """Return every unit's values as rows of `SPECIMEN_VALUES`."""
    n_units, n = measured.values.shape
    columns: dict[str, list[object]] = {
        name: [getattr(q, name) for q in measured.quantities] * n_units
        for name in Quantity.__dataclass_fields__
    }
    columns["group"] = [u.group for u in design.units for _ in range(n)]
    columns["specimen"] = [u.specimen for u in design.units for _ in range(n)]
    columns["n_scans"] = [len(u.scan_ids) for u in design.units for _ in range(n)]
    columns["n_particles"] = [
        int(measured.n_particles[q.phase][row])
        if q.kind == "descriptor" and q.phase in measured.n_particles
        else None
        for row in range(n_units)
        for q in measured.quantities
    ]
    columns["value"] = [None if np.isnan(v) else v for v in measured.values.ravel().tolist()]
    schema = SPECIMEN_VALUES.schema
    return pa.table([pa.array(columns[f.name], f.type) for f in schema], schema=schema)


def _over_units(design: Design, by_scan: Mapping[str, float]) -> Reals:
    found = np.full(len(design.units), np.nan)
    for row, unit in enumerate(design.units):
        known = [by_scan[scan] for scan in unit.scan_ids if scan in by_scan]
        finite = [v for v in known if np.isfinite(v)]
        if finite:
            found[row] = sum(finite) / len(finite)
    return found


def _column(columns: dict[Quantity, Reals], key: Quantity, shape: tuple[int, ...]) -> Reals:
    if key not in columns:
        columns[key] = np.full(shape, np.nan)
    return columns[key]
