"""Size distributions of scans, and one row of pictures: arrays in, `Figure` out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from pipeline.report.sizes import LogHistogram
from pipeline.report.slices import Voxels2d, paint_grey, paint_phases, phase_patches
from pipeline.report.style import INK, phase_colours, plain, plain_some, styled

COUNTED = "particles per mm³ in a size class, as counted"
"""Cut ones included: nothing is corrected for the border."""


@dataclass(frozen=True, slots=True)
class Series:
    """Sizes of the particles of one scan, for `draw_sizes`.

    Parameters
    ----------
    name : str
        Name in the legend, such as a temper.
    histograms : mapping of str to LogHistogram
        By phase.
    """

    name: str
    histograms: Mapping[str, LogHistogram]


def draw_sizes(series: Sequence[Series], phase_names: Sequence[str], title: str = "") -> Figure:
    """Draw size distributions, a panel for each phase.

    Parameters
    ----------
    series : sequence of Series
        One or two scans, the first drawn solid and the second dashed.
    phase_names : sequence of str
        Phases of kind particles, in the order of the recipe.
    title : str, optional
        Line above the panels.

    Returns
    -------
    Figure
        Number density by size class on logarithmic axes, with counting errors.
    """
    with styled():
        figure = Figure(figsize=(2.55 * len(phase_names) + 0.5, 3.3), layout="constrained")
        panels = figure.subplots(1, len(phase_names), sharex=True, sharey=True, squeeze=False)[0]
        for panel, name in zip(panels, phase_names, strict=True):
            paint_sizes(panel, series, name)
            panel.set_title(name, loc="left")
        panels[0].set_ylabel(COUNTED)
        panels[0].set_ylim(density_limits(series, phase_names))
        if title:
            figure.suptitle(title, x=0.01, ha="left", fontsize=10.5, fontweight="bold")
    return figure


def draw_overview(
    grey: Voxels2d,
    phases: Voxels2d,
    phase_names: Sequence[str],
    voxel_um: tuple[float, float],
    series: Sequence[Series],
    phase: str,
) -> Figure:
    """Draw a slice, its phases, and the sizes of one phase, in one row.

    Parameters
    ----------
    grey, phases : ndarray
        As for `draw_slice`.
    phase_names : sequence of str
        As for `draw_slice`.
    voxel_um : tuple of float
        As for `draw_slice`.
    series : sequence of Series
        As for `draw_sizes`.
    phase : str
        The phase whose sizes are drawn.

    Returns
    -------
    Figure
        Three panels.
    """
    with styled():
        figure = Figure(figsize=(9.6, 3.5), layout="constrained")
        left, middle, right = figure.subplots(1, 3, width_ratios=[1, 1, 1.05])
        paint_grey(left, grey, voxel_um)
        paint_phases(middle, phases, phase_names, voxel_um)
        middle.set_ylabel("")
        middle.tick_params(labelleft=False)
        paint_sizes(right, series, phase)
        right.set_ylabel(COUNTED)
        right.set_ylim(density_limits(series, [phase]))
        left.set_title("scan", loc="left")
        middle.set_title("phases", loc="left")
        right.set_title(f"sizes, {phase}", loc="left")
        figure.legend(
            handles=phase_patches(phases, phase_names),
            loc="outside lower left",
            ncols=len(phase_names) + 1,
        )
    return figure


def paint_sizes(axes: Axes, series: Sequence[Series], phase: str) -> None:
    """Paint the size distributions of one phase; bars are 68 % intervals of the counts."""
    colour = phase_colours([phase])[0]
    handles = []
    for i, scan in enumerate(series):
        histogram = scan.histograms[phase]
        line = ("-", (0, (4, 1.6)))[i % 2]
        dark = colour if i % 2 == 0 else INK
        seen = histogram.counts > 0
        middle = np.sqrt(histogram.edges_um[1:] * histogram.edges_um[:-1])
        # Series stand a little apart, or their error bars would hide each other.
        middle = middle * (1.0 + 0.03 * (i - (len(series) - 1) / 2))
        # A class without a particle breaks the line.
        line_mm3 = np.where(seen, histogram.density_mm3, np.nan)
        density = histogram.density_mm3[seen]
        low, high = histogram.interval_mm3[:, seen]
        axes.errorbar(
            middle[seen],
            density,
            yerr=np.stack([density - low, high - density]),
            fmt="none",
            ecolor=dark,
            elinewidth=0.7,
            capsize=0,
        )
        face = colour if i % 2 == 0 else "white"
        axes.plot(
            middle, line_mm3, ls=line, lw=1.3, color=dark, marker="o", ms=4, mfc=face, mec=dark
        )
        label = f"{scan.name}, n = {int(histogram.counts.sum()):,}"
        handles.append(
            Line2D([], [], ls=line, lw=1.3, color=dark, marker="o", ms=4, mfc=face, label=label)
        )
    axes.set(xscale="log", yscale="log")
    axes.tick_params(axis="x", which="both", length=3, pad=3)
    axes.xaxis.set_major_formatter(plain)
    axes.xaxis.set_minor_formatter(plain_some)
    axes.set_xlabel("equivalent diameter (µm)")
    axes.grid(visible=True, which="major", color="#e6e8e6", lw=0.6)
    axes.set_axisbelow(True)
    axes.legend(handles=handles, loc="lower center", bbox_to_anchor=(0.5, 0.0))


def density_limits(series: Sequence[Series], phases: Sequence[str]) -> tuple[float, float]:
    """Return limits that show every interval and leave room for a legend below one particle."""
    histograms = [scan.histograms[phase] for scan in series for phase in phases]
    least = min(1.0 / histogram.volume_mm3 for histogram in histograms)
    most = max(histogram.interval_mm3[1].max() for histogram in histograms)
    return 0.012 * least, 1.8 * max(most, least)
