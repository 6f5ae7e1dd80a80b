"""The report of a scan as files: a page, its figures, its tables, and all numbers drawn."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from matplotlib.figure import Figure

from pipeline.report.scan.closeups import N_BODIES, show_largest
from pipeline.report.scan.evidence import Evidence, Plate, gather_evidence
from pipeline.report.scan.levels import show_fractions, show_greys
from pipeline.report.scan.meetings import show_meetings
from pipeline.report.scan.orientations import show_orientations
from pipeline.report.scan.page import Section, render_page
from pipeline.report.scan.samples import show_extremes, show_representative, show_sizes
from pipeline.report.scan.sections import show_sections
from pipeline.report.scan.tables import TableOf, list_tables
from pipeline.report.style import save_figure
from pipeline.stores.job import make_folder, write_partly, write_whole
from pipeline.stores.places import Place, report_folder
from pipeline.stores.query import export_table

FORMATS = ("html", "png", "svg", "csv", "parquet", "json")
"""What a report consists of: the page, figures twice, tables twice, numbers."""


def list_sections(evidence: Evidence, n_bodies: int = N_BODIES) -> list[Section]:
    """Return everything that a report shows, pictures first.

    Parameters
    ----------
    evidence : Evidence
        The scan.
    n_bodies : int
        How many of the largest bodies of each phase are shown.

    Returns
    -------
    list of Section
        In the order of the page.
    """
    identity, quality, contrast, phases, headlines = list_tables(evidence)
    return [
        Section("The scan", show_sections(evidence)),
        Section("Phases", [show_greys(evidence), show_fractions(evidence)], [phases]),
        Section("Quality", [], [quality, contrast]),
        Section("The largest bodies", show_largest(evidence, n_bodies)),
        Section("Sizes and extremes", [show_sizes(evidence), show_extremes(evidence)]),
        Section("Sampling", [show_representative(evidence)]),
        Section("Arrangement", [show_orientations(evidence), show_meetings(evidence)]),
        Section("Numbers", [], [headlines]),
        Section("Identity", [], [identity]),
    ]


def write_report(
    workspace: Place,
    scan_id: str,
    folder: Path | None = None,
    formats: Sequence[str] = FORMATS,
    n_bodies: int = N_BODIES,
    version: int | None = None,
) -> list[Path]:
    """Write the report of a scan.

    Parameters
    ----------
    workspace : Path or ObjectFolder
        The workspace.
    scan_id : str
        A scan of its catalogue.
    folder : Path, optional
        Where to; ``reports/<scan>`` of a workspace on a disk by default.
    formats : sequence of str
        Of `FORMATS`.
    n_bodies : int
        How many of the largest bodies of each phase are shown.
    version : int, optional
        Version of the catalogue; the latest when None.

    Returns
    -------
    list of Path
        The files, the page first.

    Raises
    ------
    NotFoundError
        If there is no such scan or version.
    StoreError
        If a file cannot be written.
    """
    evidence = gather_evidence(workspace, scan_id, version)
    place = folder or report_folder(workspace, scan_id)
    make_folder(place)
    sections = list_sections(evidence, n_bodies)
    plates = [plate for section in sections for plate in section.plates]
    tables = [table for section in sections for table in section.tables]
    paths: list[Path] = []
    if "html" in formats:
        paths.append(place / "report.html")
        write_whole(paths[-1], render_page(evidence, sections).encode())
    if "json" in formats:
        paths.append(place / "figures.json")
        write_whole(paths[-1], _numbers(evidence, plates))
    for suffix in (f for f in ("png", "svg") if f in formats):
        for plate in plates:
            if plate.figure is not None:
                paths.append(place / "figures" / f"{plate.name}.{suffix}")
                _save(plate, plate.figure, paths[-1])
    for suffix in (f for f in ("csv", "parquet") if f in formats):
        for table in tables:
            paths.append(place / "tables" / f"{table.name}.{suffix}")
            _export(table, suffix, paths[-1])
    return paths


def _numbers(evidence: Evidence, plates: Sequence[Plate]) -> bytes:
    told = {
        "scan": evidence.scan_id,
        "catalogue_version": evidence.version,
        "figures": {
            plate.name: {
                "title": plate.title,
                "caption": plate.caption,
                "absent": plate.absent or None,
                "numbers": plate.numbers,
            }
            for plate in plates
        },
    }
    return (json.dumps(told, indent=1, allow_nan=False) + "\n").encode()


def _save(plate: Plate, figure: Figure, path: Path) -> None:
    if path.suffix == ".png":
        write_whole(path, plate.png)
        return
    write_partly(path, lambda partial: save_figure(figure, partial))


def _export(table: TableOf, suffix: str, path: Path) -> None:
    def write(partial: Path) -> None:
        with partial.open("wb") as out:
            export_table(table.rows, suffix, out)

    write_partly(path, write)
