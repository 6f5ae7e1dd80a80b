"""A report as one HTML file that needs nothing else: figures and style are inside."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from pipeline.analysis.headlines import list_warnings
from pipeline.model.cautions import CAUTIONS
from pipeline.report.scan.evidence import PIXELS_AN_INCH, Evidence, Plate
from pipeline.report.scan.tables import TableOf
from pipeline.report.style import QUIET


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a report: figures, then tables."""

    title: str
    plates: Sequence[Plate]
    tables: Sequence[TableOf] = ()


def render_page(evidence: Evidence, sections: Sequence[Section]) -> str:
    """Return the report as HTML.

    Parameters
    ----------
    evidence : Evidence
        The scan.
    sections : sequence of Section
        What it shows, in order.

    Returns
    -------
    str
        One document, also well-formed as XML, without a reference to anything outside it.
    """
    environment = Environment(
        loader=PackageLoader("pipeline.report.scan", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    scan = evidence.scan
    facts = [scan["specimen"], scan["alloy"], scan["temper"], scan["condition"]]
    told = ", ".join(dict.fromkeys(str(fact) for fact in facts if fact))
    return environment.get_template("report.html.j2").render(
        title=f"Census of scan {evidence.scan_id}",
        subtitle=told or "no facts about the specimen were stated",
        warnings=list_warnings(scan, evidence.phases, evidence.statistics),
        tiles=_tiles(evidence),
        sections=[
            {"title": s.title, "plates": [_embed(p) for p in s.plates], "tables": s.tables}
            for s in sections
        ],
        cautions=CAUTIONS,
        colophon=(
            f"castcensus {scan['code_version']}, version {evidence.version} of the catalogue, "
            f"recipe {scan['recipe_hash']}, source {scan['source_checksum']}. Beside this page "
            "castcensus report writes the numbers of all figures as JSON, the figures as PNG and "
            "SVG, and the tables as CSV and Parquet."
        ),
    )


def _tiles(evidence: Evidence) -> list[dict[str, str]]:
    tiles = []
    for row in evidence.phases:
        if row["kind"] != "particles" or row["volume_fraction"] is None:
            continue
        tiles.append({
            "colour": evidence.colour(row["phase"]),
            "value": f"{100 * row['volume_fraction']:.3g} %",
            "words": f"{row['phase']}, {row['n_particles']:,} bodies",
        })  # fmt: skip
    volume = evidence.scan["mask_volume_um3"] * 1e-9
    tiles.append({"colour": QUIET, "value": f"{volume:.3g} mm³", "words": "searched"})
    return tiles


def _embed(plate: Plate) -> dict[str, Any]:
    shown = {"name": plate.name, "title": plate.title, "caption": plate.caption,
             "absent": plate.absent, "uri": "", "width": 0}  # fmt: skip
    if plate.figure is not None:
        picture = base64.b64encode(plate.png).decode("ascii")
        shown |= {
            "uri": f"data:image/png;base64,{picture}",
            "width": round(plate.figure.get_size_inches()[0] * PIXELS_AN_INCH / 2),
        }
    return shown
