"""Mechanical results and particles: import, correlation over specimens, fracture origins."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from flows.jobs.comparison import choose_scans, measure_design
from pipeline.analysis.bootstrap import seed_of
from pipeline.analysis.correlation import ALPHA, correlate_property, least_clear
from pipeline.analysis.designs import Design, make_specimens
from pipeline.analysis.fracture import COLUMNS, draw_origins, rank_origin
from pipeline.analysis.measures import Measured, caution_particles
from pipeline.errors import CastcensusError, NotFoundError, SourceError, UsageError
from pipeline.kernels.mask import CoarseMask, mask_box
from pipeline.model.grid import Box
from pipeline.model.records import SCANS
from pipeline.model.specimens import PROPERTIES, Rejected, SpecimenResult, read_results
from pipeline.stages.grey import read_mask
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.job import JobFolder
from pipeline.stores.specimens import SpecimenTable


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did.

    Parameters
    ----------
    n_new, n_replaced : int
        Specimens that were not there, and that were.
    rejected : tuple of Rejected
        Rows that were left out.
    version : int
        Version of the table `specimens`.
    cautions : tuple of str
        Names that the catalogue does not know.
    """

    n_new: int
    n_replaced: int
    rejected: tuple[Rejected, ...]
    version: int
    cautions: tuple[str, ...]


def import_results(catalogue: Catalogue, path: Path, skip_rejected: bool = False) -> Imported:
    """Enter the mechanical results of a CSV file into the catalogue: all of them or none.

    Parameters
    ----------
    catalogue : Catalogue
        Where they go.
    path : Path
        The file.
    skip_rejected : bool
        Enter the rows that fit although others do not.

    Returns
    -------
    Imported
        What was done.

    Raises
    ------
    SourceError
        The file cannot be read, or a row is rejected; nothing is written then.
    """
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no UTF-8 text"
        raise SourceError(f"{path} cannot be read: {why}.") from None
    places = _read_places(catalogue)
    results, rejected = read_results(
        text, str(path), lambda result: _find_misplaced(places, result)
    )
    if rejected and (not skip_rejected or not results):
        lines = " ".join(f"Line {r.line}: {r.reason}." for r in rejected)
        raise SourceError(
            f"{len(rejected)} of {len(results) + len(rejected)} rows of {path} cannot be taken, "
            f"and nothing was written. {lines}",
            "Correct them" + (", or enter the others with --skip-rejected." if results else "."),
        )
    table = SpecimenTable(catalogue.root)
    before = {row["specimen"]: row for row in table.read().to_pylist()}
    n_replaced = sum(result.specimen in before for result in results)
    lost = [text for r in results for text in _find_lost(before.get(r.specimen, {}), r)]
    version = table.put([result.model_dump() for result in results])
    return Imported(len(results) - n_replaced, n_replaced, tuple(rejected), version,
                    (*_find_strangers(places, results), *lost))  # fmt: skip


Places = dict[str, dict[str, Any]]
"""Specimen and size of each scan."""


def _read_places(catalogue: Catalogue) -> Places:
    columns = ["scan_id", "specimen"] + [
        f"{what}_{a}_{unit}" for what, unit in (("voxel", "um"), ("size", "vx")) for a in "zyx"
    ]
    return {row["scan_id"]: row for row in catalogue.read(SCANS.name, columns=columns).to_pylist()}


def _find_misplaced(places: Places, result: SpecimenResult) -> str:
    """Return why a fracture origin cannot lie where it is said to; empty where it may."""
    scan = places.get(result.fracture_scan or "")
    if scan is None:
        return ""
    if scan["specimen"] not in (None, result.specimen):
        return f"fracture_scan: scan {result.fracture_scan} is of specimen {scan['specimen']}"
    for axis in "zyx":
        place = getattr(result, f"fracture_{axis}_um")
        length = scan[f"voxel_{axis}_um"] * scan[f"size_{axis}_vx"]
        if place > length:
            return (
                f"fracture_{axis}_um: {place:g} lies beyond scan {result.fracture_scan}, which "
                f"ends at {length:g} um"
            )
    return ""


def _find_lost(before: Mapping[str, Any], result: SpecimenResult) -> list[str]:
    """Return what a row takes away from the one that it replaces."""
    now = result.model_dump()
    lost = [name for name in now if before.get(name) is not None and now[name] is None]
    if not lost:
        return []
    return [f"Specimen {result.specimen} loses {', '.join(lost)}: its row is replaced."]


def _find_strangers(places: Places, results: list[SpecimenResult]) -> list[str]:
    """Return what results name that the catalogue does not have."""
    unknown = sorted({r.specimen for r in results} - {row["specimen"] for row in places.values()})
    cautions = [f"No scan names specimen {name}." for name in unknown]
    return cautions + [
        f"Fracture of {r.specimen}: there is no scan {r.fracture_scan}."
        for r in results
        if r.fracture_scan is not None and r.fracture_scan not in places
    ]


@dataclass(frozen=True, slots=True)
class CorrelationWish:
    """What is to be correlated; fields as in `flows.jobs.comparison.GroupWish`."""

    property: str = "elongation_percent"
    where: str = ""
    phase: str = ""
    despite: tuple[str, ...] = ()
    with_border: bool = False


@dataclass(frozen=True, slots=True)
class CorrelationAnswer:
    """Correlations with what they rest on.

    Parameters
    ----------
    design : Design
        The specimens.
    measured : Measured
        Their values.
    property_ : ndarray of float64, shape (n_units,)
        The property, NaN where it was not measured.
    rows : pyarrow.Table
        Columns of `pipeline.model.records.CORRELATIONS`.
    cautions : tuple of (topic, text)
        What a reader has to know.
    catalogue_version, specimens_version : int
        Versions that were read.
    """

    design: Design
    measured: Measured
    property_: np.ndarray[Any, np.dtype[np.float64]]
    rows: pa.Table
    cautions: tuple[tuple[str, str], ...]
    catalogue_version: int
    specimens_version: int


def correlate_scans(
    catalogue: Catalogue,
    wish: CorrelationWish,
    version: int | None = None,
    timeout_s: float = 60.0,
) -> CorrelationAnswer:
    """Correlate what specimens' scans show with a mechanical property.

    Parameters
    ----------
    catalogue : Catalogue
        Where scans and results are.
    wish : CorrelationWish
        What is asked.
    version : int, optional
        Version of the catalogue; the latest when None.
    timeout_s : float
        Seconds that the condition `where` may take.

    Returns
    -------
    CorrelationAnswer
        A row for each quantity and measure.

    Raises
    ------
    UsageError
        No such property, or scans that cannot be compared.
    NotFoundError
        No scan fits, or none is of a specimen that has the property.
    """
    if wish.property not in PROPERTIES:
        raise UsageError(
            f"{wish.property!r} is no mechanical property.", f"There are {', '.join(PROPERTIES)}."
        )
    snapshot = catalogue.snapshot(version)
    table = SpecimenTable(catalogue.root)
    results = table.read()
    pairs = zip(results["specimen"].to_pylist(), results[wish.property].to_pylist(), strict=True)
    known = {specimen: float(value) for specimen, value in pairs if value is not None}
    scans = choose_scans(catalogue, snapshot, wish.where, timeout_s)
    named = [name in known for name in scans["specimen"].to_pylist()]
    if not any(named):
        raise NotFoundError(
            f"None of the {scans.num_rows} scans is of a specimen whose {wish.property} is known; "
            f"it is of {len(known)} specimens.",
            "Enter results with: castcensus specimens import FILE.",
        )
    design = make_specimens(scans.filter(pa.array(named)), wish.despite)
    measured = measure_design(snapshot, design, wish.phase, wish.with_border)
    values = np.array([known[unit.specimen] for unit in design.units])
    rows = correlate_property(design, measured, wish.property, values)
    cautions = _caution(
        design, rows, len(known), caution_particles(design, measured, wish.with_border)
    )
    return CorrelationAnswer(
        design, measured, values, rows, tuple(cautions), snapshot.version, table.version()
    )


def _caution(
    design: Design, rows: pa.Table, n_known: int, said: Iterable[str]
) -> list[tuple[str, str]]:
    """Return the table of cautions, with the numbers of the case."""
    n = len(design.units)
    clear = least_clear(n)
    least = (
        f"|rho| under {clear:.2f} is not told from 0 at 5 %"
        if clear is not None
        else "no rank correlation is told from 0 at 5 %"
    )
    n_tests = sum(p is not None for p in rows["p_value"].to_pylist())
    cautions = [
        ("small numbers", f"{n} specimens: {least}, and intervals are wide."),
        (
            "many tests",
            f"{n_tests} tests: about {ALPHA * n_tests:.0f} would have p under 5 % by chance alone. "
            "Go by q-values, and confirm on new specimens.",
        ),
        (
            "cause",
            "A correlation is no cause: both may follow from cooling, melt, or heat treatment.",
        ),
        (
            "what was scanned",
            "A scan is a part of a specimen: the particle that decided may lie outside it.",
        ),
    ]
    if n_known > n:
        text = f"{n_known - n} specimens with the property have no scan here and are left out."
        cautions.append(("selection", text))
    cautions += [("particles", text) for text in said]
    return cautions + [("confounding", text) for text in design.cautions]


@dataclass(frozen=True, slots=True)
class FractureAnswer:
    """Particles at the fracture origin of a specimen."""

    specimen: str
    scan_id: str
    origin_um: tuple[float, float, float]
    radius_um: float
    rows: pa.Table
    cautions: tuple[tuple[str, str], ...]


def find_origin(
    catalogue: Catalogue, specimen: str, radius_um: float, version: int | None = None
) -> FractureAnswer:
    """Find the particles at the fracture origin of a specimen, and rank them.

    Parameters
    ----------
    catalogue : Catalogue
        Where scans and results are.
    specimen : str
        A specimen whose fracture origin is known.
    radius_um : float
        How far a particle's bounding box may lie from it.
    version : int, optional
        Version of the catalogue; the latest when None.

    Returns
    -------
    FractureAnswer
        Particles with their ranks.

    Raises
    ------
    NotFoundError
        No such specimen, no fracture origin, or no such scan.
    UsageError
        The origin lies outside the volume.
    """
    results = {row["specimen"]: row for row in SpecimenTable(catalogue.root).read().to_pylist()}
    row = results.get(specimen)
    if row is None or row["fracture_scan"] is None:
        have = sorted(name for name, r in results.items() if r["fracture_scan"] is not None)
        raise NotFoundError(
            f"No fracture origin of specimen {specimen!r} is known.",
            f"There are those of {', '.join(have)}." if have else "Enter it with the results.",
        )
    scan_id = row["fracture_scan"]
    names = [
        f"{what}_{a}_{unit}" for what, unit in (("voxel", "um"), ("size", "vx")) for a in "zyx"
    ]
    facts = catalogue.read(SCANS.name, scan_id, ["job", *names], version).to_pylist()[0]
    voxel = (facts["voxel_z_um"], facts["voxel_y_um"], facts["voxel_x_um"])
    origin = (row["fracture_z_um"], row["fracture_y_um"], row["fracture_x_um"])
    for axis, edge, place in zip("zyx", voxel, origin, strict=True):
        length = edge * facts[f"size_{axis}_vx"]
        if place > length:
            raise UsageError(
                f"The fracture origin of {specimen} lies at {axis} = {place:g} um, and scan "
                f"{scan_id} ends at {length:g} um.",
                "State it from the low face of that volume, in um.",
            )
    particles = catalogue.read("particles", scan_id, COLUMNS, version)
    shape = (facts["size_z_vx"], facts["size_y_vx"], facts["size_x_vx"])
    known, mask = _find_mask(catalogue.root, facts["job"])
    random = draw_origins(
        shape, voxel, lambda voxel: _holds(mask, voxel), seed_of("fracture", scan_id)
    )
    found = rank_origin(particles, voxel, origin, radius_um, random)
    drawn = "specimen" if known else "whole volume, as no job's folder with the mask is here"
    cautions = (
        ("one fracture", "One origin tells nothing about others: look at many specimens."),
        (
            "chance",
            "Many small particles lie everywhere: look at *_chance, not at distance alone. Its "
            f"{len(random)} random origins come evenly from the {drawn}; fractures start at "
            "surfaces more often than that.",
        ),
        ("place", "Distances are to bounding boxes; the origin itself is read off a surface."),
        ("cut particles", "Particles that the border cuts are larger than they seem."),
    )
    return FractureAnswer(specimen, scan_id, origin, radius_um, found, cautions)


def _find_mask(root: object, job: str) -> tuple[bool, CoarseMask | None]:
    """Return whether a job still tells its specimen mask, and the mask; None for all."""
    if not isinstance(root, Path):
        return False, None
    folder = JobFolder(root.parent / "jobs" / job)
    try:
        return True, read_mask(folder, folder.read_plan())
    except (CastcensusError, OSError):
        return False, None


def _holds(mask: CoarseMask | None, voxel: tuple[int, int, int]) -> bool:
    """Tell whether a voxel lies in the specimen."""
    if mask is None:
        return True
    z, y, x = voxel
    return bool(mask_box(mask, Box(voxel, (z + 1, y + 1, x + 1))).all())
