"""Grey levels of a scan, and what its phases' fractions owe to sampling and to thresholds."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from pipeline.report.greys import draw_histogram
from pipeline.report.scan.evidence import Evidence, Plate, excused
from pipeline.report.scan.panels import name_ticks, rule
from pipeline.report.style import INK, QUIET, styled

CLASSES = 400
"""Classes of grey in which the histogram's numbers are kept, at most."""


def show_greys(evidence: Evidence) -> Plate:
    """Return the grey histogram with pure levels and thresholds.

    Parameters
    ----------
    evidence : Evidence
        The scan.

    Returns
    -------
    Plate
        The figure; absent where the job's folder is gone.
    """
    plate = Plate("grey-levels", "Grey levels")
    scan = evidence.scan
    with excused(plate):
        counts = evidence.histogram()
        if not counts.any():
            plate.absent = "no voxel lies inside the specimen"
            return plate
        plate.figure = draw_histogram(
            counts,
            scan["thresholds"],
            evidence.names,
            scan["grey_gain"],
            scan["grey_offset"],
            pure=[row["pure_grey"] for row in evidence.phases],
        )
        plate.caption = (
            "How many voxels of the specimen have which grey level, after filtering, on a "
            "logarithmic scale. Dashed lines: thresholds between neighbouring phases. Triangles: "
            "grey of each pure phase, as far as it was found. Voxels on edges go to one of the two "
            "phases that meet there, so fractions are not the areas of the bands."
        )
        plate.numbers = _class_greys(evidence, counts)
    return plate


def _class_greys(evidence: Evidence, counts: NDArray[np.int64]) -> dict[str, Any]:
    """Return the numbers of the histogram, in at most some hundred classes."""
    scan = evidence.scan
    used = np.flatnonzero(counts)
    width = max(1, (int(used[-1]) + 1 - int(used[0])) // CLASSES)
    firsts = np.arange(int(used[0]), int(used[-1]) + 1, width)
    sums = np.add.reduceat(counts, firsts)
    sums[-1] = counts[firsts[-1] : firsts[-1] + width].sum()
    return {
        "thresholds_grey": list(scan["thresholds"]),
        "pure_grey": {row["phase"]: row["pure_grey"] for row in evidence.phases},
        "class_first_grey": (firsts * scan["grey_gain"] + scan["grey_offset"]).tolist(),
        "class_width_grey": width * scan["grey_gain"],
        "n_voxels": sums.tolist(),
    }


def show_fractions(evidence: Evidence) -> Plate:
    """Return volume fractions with their interval, and by moved thresholds.

    Parameters
    ----------
    evidence : Evidence
        The scan.

    Returns
    -------
    Plate
        The figure; absent where no counted phase was found.
    """
    plate = Plate("fractions", "Volume fractions")
    rows = {row["phase"]: row for row in evidence.phases}
    for name in evidence.counted:
        sampled = evidence.number(name, "volume_fraction")
        plate.numbers[name] = {
            **{end: sampled[end] for end in ("value", "low", "high")},
            **{by: rows[name][f"volume_fraction_{by}"] for by in ("lowered", "raised")},
        }
    found = [name for name in evidence.counted if plate.numbers[name]["value"]]
    if not found:
        plate.absent = "no counted phase was found in the specimen"
        return plate
    plate.caption = (
        "Share of the specimen's volume that each counted phase takes. Bar: 95 % interval from "
        "the scatter between parts of the scan, which says how well a scan of this size samples "
        "the casting. Upright ticks: the fraction with all thresholds lower or higher by one "
        "standard deviation of the noise."
    )
    with styled():
        figure = Figure(figsize=(7.2, 0.85 + 0.5 * len(found)), layout="constrained")
        axes = figure.subplots()
        for place, name in enumerate(found):
            _paint_fraction(axes, place, plate.numbers[name], evidence.colour(name))
        axes.set(xscale="log", ylim=(len(found) - 0.45, -0.7), xlabel="volume fraction (%)")
        axes.set_yticks(range(len(found)), found)
        axes.tick_params(axis="y", length=0)
        name_ticks(axes)
        rule(axes, "x")
        handles = [
            Line2D([], [], color=QUIET, lw=5, alpha=0.6, label="95 % interval"),
            Line2D([], [], ls="none", marker="|", ms=11, mew=1.2, color=INK,
                   label="thresholds moved by the noise"),
        ]  # fmt: skip
        figure.legend(handles=handles, loc="outside lower center", ncols=2)
    plate.figure = figure
    return plate


def _paint_fraction(axes: Axes, place: int, numbers: dict[str, Any], colour: str) -> None:
    percent: dict[str, Any] = {
        key: None if value is None else 100 * value for key, value in numbers.items()
    }
    if percent["low"] is not None:
        ends = [percent["low"], percent["high"]]
        axes.plot(ends, [place] * 2, color=colour, lw=5, alpha=0.45, solid_capstyle="butt")
    axes.plot(percent["value"], place, "o", ms=7, mfc=colour, mec=INK, mew=0.7)
    moved = [percent[by] for by in ("lowered", "raised") if percent[by]]
    axes.plot(moved, [place] * len(moved), "|", ms=15, mew=1.2, color=INK)
    axes.annotate(f"{percent['value']:.3g} %", (percent["value"], place), xytext=(0, 10),
                  textcoords="offset points", ha="center", fontsize=8)  # fmt: skip
