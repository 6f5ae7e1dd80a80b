"""How far a scan can be trusted, in words: rows of the catalogue in, lines and warnings out."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Row = Mapping[str, Any]

CLEAR_CNR = 3.0
"""Contrast to noise under which two neighbouring phases are hard to part (common practice, no
source)."""

DOUBT_SHARE = 0.02
"""Share of voxels in doubt from which a scan is flagged (no source)."""

MOVED_SHARE = 0.2
"""Relative change of a fraction, by thresholds moved by the noise, that is flagged (no source)."""

SMALL_SPECIMEN = 0.1
"""Share of the volume inside the specimen under which a scan is flagged (no source)."""

THIN_NOTE = "those under 3 voxels look thicker, break or are missed (common practice, no source)"


@dataclass(frozen=True, slots=True)
class QualityLine:
    """One statement on the quality of a scan.

    Parameters
    ----------
    name : str
        What it is about.
    words : str
        The statement, with units.
    values : mapping of str to number or None
        The numbers in it by name, units as suffixes.
    warning : str
        What to mind; empty where all is well.
    """

    name: str
    words: str
    values: Mapping[str, Any]
    warning: str = ""


@dataclass(frozen=True, slots=True)
class Contrast:
    """Contrast to noise of two phases.

    Parameters
    ----------
    dark, bright : str
        Names, in the order of the recipe.
    before, after : float or None
        Distance of their pure levels over the noise before and after filtering; None where one is
        not known.
    """

    dark: str
    bright: str
    before: float | None
    after: float | None


def list_contrasts(scan: Row, phases: Sequence[Row]) -> list[Contrast]:
    """Return the contrast to noise of every pair of phases.

    Parameters
    ----------
    scan : mapping
        Row of `scans`.
    phases : sequence of mapping
        Rows of `phases`, dark to bright.

    Returns
    -------
    list of Contrast
        Every pair once.
    """
    found = []
    for dark, bright in itertools.combinations(phases, 2):
        levels = dark["pure_grey"], bright["pure_grey"]
        gap = None if None in levels else abs(levels[1] - levels[0])
        before, after = (
            gap / scan[noise] if gap is not None and scan[noise] else None
            for noise in ("noise_sd", "noise_conditioned_sd")
        )
        found.append(Contrast(dark["phase"], bright["phase"], before, after))
    return found


def describe_quality(scan: Row, phases: Sequence[Row]) -> list[QualityLine]:
    """Return what the catalogue says on the quality of a scan.

    Parameters
    ----------
    scan : mapping
        Row of `scans`.
    phases : sequence of mapping
        Rows of `phases`, dark to bright.

    Returns
    -------
    list of QualityLine
        Specimen, noise, contrast, sharpness, doubt, thresholds, platelets, sizes cut short, and
        what the choice of thresholds met.
    """
    return [
        _describe_specimen(scan),
        _describe_noise(scan),
        *_describe_contrasts(scan, phases),
        _describe_sharpness(scan),
        _describe_doubt(scan),
        *(line for phase in phases for line in _describe_moved(phase)),
        _describe_platelets(scan),
        *(line for phase in phases for line in _describe_bodies(phase)),
        *(QualityLine("thresholds", note, {}, note) for note in scan["segment_notes"] or ()),
    ]


def summarise_quality(scan: Row, phases: Sequence[Row]) -> str:
    """Return the quality of a scan in a short paragraph, without its warnings.

    Parameters
    ----------
    scan : mapping
        Row of `scans`.
    phases : sequence of mapping
        Rows of `phases`, dark to bright.

    Returns
    -------
    str
        Noise, least contrast of neighbouring phases, sharpness, and voxels in doubt.
    """
    lines = {line.name: line for line in describe_quality(scan, phases)}
    told = [f"noise {lines['noise'].words}"]
    order = [phase["phase"] for phase in phases]
    rated = [
        (pair.after if pair.before is None else pair.before, pair)
        for pair in list_contrasts(scan, phases)
        if order.index(pair.bright) - order.index(pair.dark) == 1
    ]
    known = [(value, pair) for value, pair in rated if value is not None]
    if known:
        value, pair = min(known, key=lambda found: found[0])
        names = f"{pair.dark} - {pair.bright}"
        told.append(f"least contrast of neighbours {value:.3g} times the noise ({names})")
    told += [f"{name} {lines[name].words}" for name in ("sharpness", "doubt")]
    return "Quality: " + "; ".join(told) + "."


def _describe_specimen(scan: Row) -> QualityLine:
    total = scan["size_z_vx"] * scan["size_y_vx"] * scan["size_x_vx"]
    n = scan["n_voxels_mask"]
    values = {
        "n_voxels_mask": n,
        "n_voxels": total,
        "n_voxels_nonfinite": scan["n_voxels_nonfinite"],
    }
    if n == 0:
        return QualityLine(
            "specimen", "no voxel was searched", values, "nothing was found inside the specimen"
        )
    if n == total:
        return QualityLine("specimen", "the whole volume was searched: no air was masked", values)
    lost = scan["n_voxels_nonfinite"]
    words = f"{100 * n / total:.1f} % of the volume lies inside the specimen and was searched"
    warnings = [f"{lost:,} voxels are not finite and were left out"] if lost else []
    if n < SMALL_SPECIMEN * total:
        warnings.append(
            f"only {100 * n / total:.2g} % of the volume was searched, all else taken for air: "
            "look whether that is the specimen, or search the whole with condition.mask=none"
        )
    return QualityLine("specimen", words, values, "; ".join(warnings))


def _describe_noise(scan: Row) -> QualityLine:
    before, after = scan["noise_sd"], scan["noise_conditioned_sd"]
    values = {"noise_sd": before, "noise_conditioned_sd": after}
    if before is None and after is None:
        why = "too few voxels of one phase tell it"
        return QualityLine("noise", "not known", values, f"noise is not known: {why}")
    told = [
        f"{value:.4g} {when} filtering"
        for value, when in ((before, "before"), (after, "after"))
        if value is not None
    ]
    filter_ = f" ({scan['denoise_used']})" if scan["denoise_used"] else ""
    return QualityLine("noise", f"{', '.join(told)} in grey levels{filter_}", values)


def _describe_contrasts(scan: Row, phases: Sequence[Row]) -> Iterator[QualityLine]:
    order = [phase["phase"] for phase in phases]
    for pair in list_contrasts(scan, phases):
        name = f"contrast {pair.dark} - {pair.bright}"
        values = {"cnr_before": pair.before, "cnr_after": pair.after}
        rated = pair.after if pair.before is None else pair.before
        if rated is None:
            yield QualityLine(name, "not known: a pure level or the noise was not found", values)
            continue
        told = [
            f"{value:.3g} {when} filtering"
            for value, when in ((pair.before, "before"), (pair.after, "after"))
            if value is not None
        ]
        near = order.index(pair.bright) - order.index(pair.dark) == 1
        warning = ""
        if near and rated < CLEAR_CNR:
            warning = (
                f"{pair.dark} and {pair.bright} are hard to part: contrast {rated:.2g} times the "
                f"noise, under {CLEAR_CNR:g} (common practice, no source)"
            )
        yield QualityLine(name, f"{', '.join(told)} (times the noise)", values, warning)


def _describe_sharpness(scan: Row) -> QualityLine:
    names = (
        "edge_width_vx",
        "edge_width_um",
        "edge_width_z_um",
        "edge_width_y_um",
        "edge_width_x_um",
    )
    values = {name: scan[name] for name in names}
    if scan["edge_width_um"] is None:
        why = "fewer than 100 edges, or wider than 6.4 voxels"
        return QualityLine("sharpness", f"not measured: {why}", values)
    words = (
        f"10 to 90 % of an edge within {scan['edge_width_vx']:.2f} voxels, "
        f"{scan['edge_width_um']:.3g} um (edges of {scan['edge_phase']}, filter included)"
    )
    return QualityLine("sharpness", words, values)


def _describe_doubt(scan: Row) -> QualityLine:
    share = scan["doubt_fraction"]
    values = {"doubt_fraction": share, "threshold_shift": scan["threshold_shift"]}
    if share is None:
        return QualityLine("doubt", "not known: nor is the noise", values)
    words = (
        f"{100 * share:.3g} % of voxels change phase when thresholds move by one noise sd "
        f"({scan['threshold_shift']:.4g} grey levels)"
    )
    warning = ""
    if share > DOUBT_SHARE:
        warning = f"{100 * share:.2g} % of voxels are in doubt: the phases hang on the thresholds"
    return QualityLine("doubt", words, values, warning)


def _describe_moved(phase: Row) -> Iterator[QualityLine]:
    now, low, high = (phase[f"volume_fraction{end}"] for end in ("", "_lowered", "_raised"))
    values = {
        "volume_fraction": now,
        "volume_fraction_lowered": low,
        "volume_fraction_raised": high,
    }
    if None in (now, low, high):
        return
    least, most = min(now, low, high), max(now, low, high)
    words = (
        f"{100 * now:.4g} % of the volume; {100 * least:.4g} to {100 * most:.4g} % as thresholds "
        "move by one noise sd"
    )
    warning = ""
    if now > 0.0 and max(most - now, now - least) > MOVED_SHARE * now:
        warning = (
            f"the fraction of {phase['phase']} hangs on the thresholds: {100 * least:.3g} to "
            f"{100 * most:.3g} % as they move by one noise sd"
        )
    yield QualityLine(f"fraction {phase['phase']}", words, values, warning)


def _describe_platelets(scan: Row) -> QualityLine:
    n, thickness = scan["n_platelets"], scan["platelet_thickness_vx"]
    values = {
        "n_platelets": n,
        "platelet_thickness_vx": thickness,
        "thin_platelets": scan["thin_platelets"],
    }
    if thickness is None:
        return QualityLine("platelets", f"{n or 0}: too few to judge the voxel size by", values)
    words = f"{n:,}, of a median thickness of {thickness:.2f} voxels"
    warning = ""
    if scan["thin_platelets"]:
        warning = f"median platelet {thickness:.2f} voxels thick: {THIN_NOTE}"
    return QualityLine("platelets", words, values, warning)


def _describe_bodies(phase: Row) -> Iterator[QualityLine]:
    if phase["kind"] != "particles":
        return
    names = ("n_particles", "n_under_resolved", "n_touching_border", "n_threshold_sensitive")
    values = {name: phase[name] for name in (*names, "n_small_bodies")}
    at_mask = values["n_touching_mask"] = phase.get("n_touching_mask")
    n, name = phase["n_particles"], f"bodies {phase['phase']}"
    small = f"{phase['n_small_bodies']:,} under {phase['min_voxels']} voxels have no row"
    if n == 0:
        yield QualityLine(name, f"none; {small}", values)
        return
    words = (
        f"{n:,}, of which {phase['n_under_resolved']:,} under-resolved, "
        f"{phase['n_touching_border']:,} cut by the border"
        f"{f', {at_mask:,} more by the edge of the mask' if at_mask else ''}; {small}"
    )
    warning = ""
    if 2 * phase["n_under_resolved"] > n:
        warning = f"most bodies of {phase['phase']} are thinner than 3 voxels: mind their shapes"
    yield QualityLine(name, words, values, warning)
