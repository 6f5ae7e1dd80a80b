"""Sizes of a scan's particles, how large a sample is enough, and the largest to expect."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from pipeline.analysis.extremes import Gumbel, plotting_positions, reduced_variate
from pipeline.analysis.sizes import CLASSES_PER_DECADE
from pipeline.report.scan.evidence import Evidence, Plate
from pipeline.report.scan.panels import leave_empty, name_ticks, open_panels, rule
from pipeline.report.style import INK, QUIET, plain, styled

Z95 = 1.959964
"""Half-width of a 95 % interval in standard errors."""

MARKERS = ("o", "s", "D", "^", "v", "P")

CLASS_RATIO = 10.0 ** (1 / CLASSES_PER_DECADE)


def show_sizes(evidence: Evidence) -> Plate:
    """Return the size distributions, corrected for the border.

    Parameters
    ----------
    evidence : Evidence
        The scan.

    Returns
    -------
    Plate
        A panel for each counted phase.
    """
    plate = Plate("sizes", "Sizes")
    curves = {n: evidence.curve(n, "diameter_class_density_mm3") for n in evidence.counted}
    plate.numbers = {
        name: {
            "class_from_um": [row["at"] for row in rows],
            "class_ratio": CLASS_RATIO,
            "density_mm3": [row["value"] for row in rows],
            "low_mm3": [row["low"] for row in rows],
            "high_mm3": [row["high"] for row in rows],
            "n_whole": [row["n"] for row in rows],
        }
        for name, rows in curves.items()
    }
    if not any(curves.values()):
        known = [n for n in evidence.counted if evidence.number(n, "number_density_mm3")["value"]]
        plate.absent = (
            "the catalogue has no size classes of this scan: count it again"
            if known
            else "no particle lies wholly inside the field"
        )
        return plate
    plate.caption = (
        "Bodies per mm³ in classes of equivalent diameter, a tenth of a decade wide. Large bodies "
        "are cut by the border more often than small ones; only whole ones are counted here, each "
        "weighted by the places where it would have been seen whole. Bars: 95 % intervals if "
        "bodies lay independently."
    )
    with styled():
        plate.figure, panels = open_panels(evidence.counted, 3.2)
        for panel, (name, rows) in zip(panels, curves.items(), strict=True):
            if rows:
                _paint_sizes(panel, rows, evidence.colour(name))
            else:
                leave_empty(panel, evidence.number(name, "number_density_mm3")["note"])
        drawn = [p for p, rows in zip(panels, curves.values(), strict=True) if rows]
        drawn[0].set(xscale="log", yscale="log")
        for panel in drawn:
            name_ticks(panel)
            panel.set_xlabel("equivalent diameter (µm)")
            if len(drawn) < len(panels):
                # Panels that share their axes leave names to the outer ones, which may be empty.
                panel.tick_params(labelleft=True, labelbottom=True)
        panels[0].set_ylabel("bodies per mm³ in a class")
    return plate


def _paint_sizes(axes: Axes, rows: list[dict[str, Any]], colour: str) -> None:
    middle = np.array([row["at"] for row in rows]) * math.sqrt(CLASS_RATIO)
    value, low, high = (np.array([row[k] for row in rows]) for k in ("value", "low", "high"))
    axes.errorbar(
        middle, value, yerr=np.stack([value - low, high - value]), fmt="none", ecolor=colour,
        elinewidth=0.9, alpha=0.8,
    )  # fmt: skip
    axes.plot(middle, value, "o-", ms=4.5, lw=1.2, color=colour, mec=INK, mew=0.5)
    n = sum(row["n"] for row in rows)
    told = f"{n:,} whole {'body' if n == 1 else 'bodies'}"
    axes.text(0.97, 0.96, told, transform=axes.transAxes, ha="right", va="top",
              fontsize=8.5)  # fmt: skip
    rule(axes)


def show_representative(evidence: Evidence) -> Plate:
    """Return the scatter of fractions against the size of sub-volumes.

    Parameters
    ----------
    evidence : Evidence
        The scan.

    Returns
    -------
    Plate
        One panel with a curve for each counted phase, its law for large volumes, and the size
        that the wanted error takes.
    """
    plate = Plate("representative-volume", "How large a volume is enough")
    plate.numbers = {name: _scatter_of(evidence, name) for name in evidence.counted}
    drawn = [name for name in evidence.counted if plate.numbers[name]["edge_um"]]
    plate.numbers["wanted_error"] = evidence.asked.get("wanted_error")
    plate.numbers["scan_edge_um"] = float(np.cbrt(evidence.scan["mask_volume_um3"]))
    if not drawn:
        plate.absent = "no counted phase was found in enough parts of the scan"
        return plate
    plate.caption = (
        "How much the volume fraction differs between sub-volumes, as a share of its mean, against "
        "their edge. Dashed: the law for volumes much larger than the bodies, from the "
        "integral range; where it meets the wanted error, a cube is representative (open mark). "
        "Upright line: edge of a cube as large as this scan's specimen."
    )
    with styled():
        plate.figure = Figure(figsize=(7.2, 3.7), layout="constrained")
        axes = plate.figure.subplots()
        handles = []
        for i, name in enumerate(drawn):
            marker, colour = MARKERS[i % len(MARKERS)], evidence.colour(name)
            wanted = plate.numbers["wanted_error"]
            handles.append(_paint_scatter(axes, plate.numbers[name], marker, colour, wanted))
            handles[-1].set_label(name)
        axes.set(xscale="log", yscale="log")
        _mark_wanted(axes, plate.numbers["scan_edge_um"], plate.numbers["wanted_error"])
        name_ticks(axes)
        axes.yaxis.set_major_formatter(plain)
        axes.set_xlabel("edge of a sub-volume (µm)")
        axes.set_ylabel("scatter of the fraction / mean")
        rule(axes)
        axes.legend(handles=handles, loc="upper left", bbox_to_anchor=(1.0, 1.0))
    return plate


def _scatter_of(evidence: Evidence, name: str) -> dict[str, Any]:
    rows = evidence.curve(name, "volume_fraction_scatter")
    edge = evidence.number(name, "representative_edge_um")
    return {
        "edge_um": [row["at"] for row in rows],
        "relative_sd": [row["value"] for row in rows],
        "n_subvolumes": [row["n"] for row in rows],
        "volume_fraction": evidence.number(name, "volume_fraction")["value"],
        "integral_range_um3": evidence.number(name, "integral_range_um3")["value"],
        "representative_edge_um": edge["value"],
        "note": edge["note"],
    }


def _mark_wanted(axes: Axes, edge_um: float, wanted: float | None) -> None:
    """Mark the size of the scan and the scatter that the wanted error allows."""
    if edge_um:
        axes.axvline(edge_um, color=QUIET, lw=0.9)
        axes.annotate("this scan", (edge_um, 0.98), xycoords=axes.get_xaxis_transform(),
                      xytext=(4, 0), textcoords="offset points", va="top", fontsize=8,
                      color=QUIET)  # fmt: skip
    if wanted:
        axes.axhline(wanted / Z95, color=QUIET, lw=0.9, ls=(0, (1, 2)))
        axes.annotate(f"error of {100 * wanted:g} % at 95 %", (0.01, wanted / Z95),
                      xycoords=axes.get_yaxis_transform(), xytext=(0, 3),
                      textcoords="offset points", fontsize=8, color=QUIET)  # fmt: skip


def _paint_scatter(
    axes: Axes, numbers: dict[str, Any], marker: str, colour: str, wanted: float | None
) -> Line2D:
    edge, sd = numbers["edge_um"], numbers["relative_sd"]
    (line,) = axes.plot(edge, sd, marker=marker, ms=5, lw=1.3, color=colour, mec=INK, mew=0.5)
    fraction, reach = numbers["volume_fraction"], numbers["integral_range_um3"]
    if fraction and reach:
        law = math.sqrt((1.0 - fraction) * reach / fraction)
        last = max(edge[-1], numbers["representative_edge_um"] or 0.0)
        ends = np.array([edge[-1], last * 1.3])
        axes.plot(ends, law / ends**1.5, color=colour, lw=1.0, ls=(0, (4, 2)))
        if numbers["representative_edge_um"] and wanted:
            axes.plot(numbers["representative_edge_um"], wanted / Z95, marker, ms=7,
                      mfc="white", mec=colour, mew=1.3, ls="none")  # fmt: skip
    return line


def show_extremes(evidence: Evidence) -> Plate:
    """Return the largest bodies of parts of the scan, the fit, and the largest of a component.

    Parameters
    ----------
    evidence : Evidence
        The scan.

    Returns
    -------
    Plate
        A panel for each counted phase: maxima over the reduced variate of Gumbel's distribution.
    """
    plate = Plate("extremes", "The largest to expect")
    component = evidence.asked.get("component_mm3")
    plate.numbers = {name: _extremes_of(evidence, name) for name in evidence.counted}
    plate.numbers["component_mm3"] = component
    if not any(plate.numbers[name]["maxima_um"] for name in evidence.counted):
        notes = [plate.numbers[name]["note"] for name in evidence.counted]
        plate.absent = "; ".join(dict.fromkeys(note for note in notes if note))
        return plate
    plate.caption = (
        "Largest square root of the area projected along the load in each part of the scan, in "
        "order (dots), over the scale on which Gumbel's distribution is a straight line: the line "
        "is its fit, the band two standard errors (ASTM E2283). Open mark: the largest to "
        f"expect in a component of {component or 0:g} mm³, far beyond the data. Dots off the line "
        "say that the extrapolation is not to be trusted."
    )
    with styled():
        plate.figure, panels = open_panels(evidence.counted, 3.3, share=False)
        for panel, name in zip(panels, evidence.counted, strict=True):
            numbers = plate.numbers[name]
            if numbers["maxima_um"]:
                _paint_extremes(panel, numbers, evidence.colour(name), component)
                panel.set_xlabel("reduced variate")
            else:
                leave_empty(panel, numbers["note"])
        panels[0].set_ylabel("largest √area of a part (µm)")
    return plate


def _extremes_of(evidence: Evidence, name: str) -> dict[str, Any]:
    level = evidence.number(name, "sqrt_area_level_um")
    rows = evidence.curve(name, "sqrt_area_maximum_um")
    maxima = np.array([row["value"] for row in rows])
    place = plotting_positions(maxima)[1].tolist() if rows else []
    return {
        "maxima_um": maxima.tolist(),
        "reduced_variate": place,
        "block_mm3": evidence.number(name, "sqrt_area_block_mm3")["value"],
        "location_um": evidence.number(name, "sqrt_area_gumbel_location_um")["value"],
        "scale_um": evidence.number(name, "sqrt_area_gumbel_scale_um")["value"],
        "anderson_darling": evidence.number(name, "sqrt_area_anderson_darling")["value"],
        "level_um": level["value"],
        "level_low_um": level["low"],
        "level_high_um": level["high"],
        "note": level["note"],
    }


def _paint_extremes(
    axes: Axes, numbers: dict[str, Any], colour: str, component: float | None
) -> None:
    variate, maxima = numbers["reduced_variate"], numbers["maxima_um"]
    axes.plot(variate, maxima, "o", ms=4.5, color=colour, mec=INK, mew=0.5, zorder=3)
    rule(axes)
    if numbers["location_um"] is None:
        return
    fit = Gumbel(numbers["location_um"], numbers["scale_um"], len(maxima))
    period = (component or 0.0) / numbers["block_mm3"]
    reaches = numbers["level_um"] is not None and period > 1.0
    last = reduced_variate(period) if reaches else max(variate)
    y = np.linspace(min(variate) - 0.2, max(last, *variate) + 0.3, 100)
    periods = -1.0 / np.expm1(-np.exp(-y))
    line = np.array([fit.level(t) for t in periods])
    error = 2.0 * np.array([fit.level_error(t) for t in periods])
    axes.fill_between(y, line - error, line + error, color=colour, alpha=0.18, lw=0)
    axes.plot(y, line, color=colour, lw=1.3)
    if reaches:
        ends = [[numbers["level_um"] - numbers["level_low_um"]],
                [numbers["level_high_um"] - numbers["level_um"]]]  # fmt: skip
        axes.errorbar([last], [numbers["level_um"]], yerr=ends, fmt="D", ms=6, mfc="white",
                      mec=colour, mew=1.3, ecolor=colour, elinewidth=1.0)  # fmt: skip
    told = f"A² = {numbers['anderson_darling']:.2f} (under 0.76: fits)"
    axes.text(0.03, 0.97, told, transform=axes.transAxes, va="top", fontsize=8)
