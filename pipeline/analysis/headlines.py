"""The main numbers of a scan: which rows of `statistics` people see first, and in which words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pipeline.analysis.quality import Row, describe_quality

HEADLINES: dict[tuple[str, float | None], str] = {
    ("volume_fraction", None): "volume fraction",
    ("volume_fraction_rows", None): "volume fraction of bodies with rows",
    ("number_density_mm3", None): "bodies per mm3, corrected for the border",
    ("diameter_quantile_um", 0.5): "median diameter",
    ("diameter_quantile_um", 0.9): "diameter that a tenth exceeds",
    ("surface_density_mm", None): "surface per volume",
    ("mean_free_path_um", None): "mean free path",
    ("representative_edge_um", None): "edge of a representative cube",
    ("largest_body_share", None): "share of the largest body",
    ("axes_spanned", None): "axes that the largest body spans",
    ("orientation_anisotropy", None): "anisotropy of orientation",
    ("sqrt_area_level_um", None): "largest sqrt(area) in the component",
    ("contact_ratio", None): "contact, times chance, with",
}
"""Quantity and abscissa, in the order shown, and what they are called."""


def pick_headlines(
    statistics: Iterable[Mapping[str, Any]], phases: Sequence[str]
) -> list[dict[str, Any]]:
    """Return the main numbers of a scan.

    Parameters
    ----------
    statistics : iterable of mapping
        Rows of `statistics` of one scan.
    phases : sequence of str
        The phases wanted, in their order.

    Returns
    -------
    list of dict
        The rows of `HEADLINES`, phase by phase, each with ``words``.
    """
    ranks = {key: rank for rank, key in enumerate(HEADLINES)}
    chosen = [
        row
        for row in statistics
        if row["phase"] in phases and (row["quantity"], row["at"]) in ranks
    ]
    chosen.sort(
        key=lambda r: (phases.index(r["phase"]), ranks[r["quantity"], r["at"]], r["reference"])
    )
    return [
        {**row, "words": f"{HEADLINES[row['quantity'], row['at']]} {row['reference']}".strip()}
        for row in chosen
    ]


def list_warnings(scan: Row, phases: Sequence[Row], statistics: Iterable[Row]) -> list[str]:
    """Return what a reader must mind: of the quality, then of the main numbers.

    Parameters
    ----------
    scan : mapping
        Row of `scans`.
    phases : sequence of mapping
        Rows of `phases`, dark to bright.
    statistics : iterable of mapping
        Rows of `statistics`.

    Returns
    -------
    list of str
        Each once; what holds for several phases names them all.
    """
    found = [line.warning for line in describe_quality(scan, phases)]
    counted = [phase["phase"] for phase in phases if phase["kind"] == "particles"]
    empty = [phase["phase"] for phase in phases if phase["phase"] in counted
             and phase["n_particles"] == 0]  # fmt: skip
    if empty:
        found.append(f"no body of {', '.join(empty)} has a row: their numbers are left out")
    counted = [name for name in counted if name not in empty]
    alike: dict[tuple[str, str], list[str]] = {}
    for row in pick_headlines(statistics, counted):
        # Contacts are put in words there, which is no warning.
        if row["note"] and row["quantity"] != "contact_ratio":
            alike.setdefault((row["words"], row["note"]), []).append(row["phase"])
    found += [f"{words}, {', '.join(names)}: {note}" for (words, note), names in alike.items()]
    return list(dict.fromkeys(warning for warning in found if warning))
