"""Figures: arrays in, `matplotlib.figure.Figure` out; no pyplot, no global state.

Colours are the project's own, one a phase, the same in every figure.  They step in lightness from
pore to copper-rich, so that they stay apart in print and for the common colour-vision deficiencies
(a test simulates these); two series of one phase differ by line and marker, never by colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from numpy.typing import NDArray

from pipeline.model.recipe import OUTSIDE
from pipeline.report.sizes import LogHistogram

PALETTE: dict[str, str] = {
    "pore": "#14364f",  # deep blue
    "matrix": "#dfe1dc",  # pale stone
    "iron-rich": "#c2452d",  # rust
    "copper-rich": "#f0b323",  # amber
}
"""Colour of each phase of the shipped recipes."""

SPARE_COLOURS = ("#2f7f86", "#7b4f9d", "#8fb339", "#a8672b", "#5b8fd6", "#d78fb0")
"""Colours of phases with other names, in the order of their positions."""

OUTSIDE_COLOUR = "#ffffff"
INK = "#22272b"
QUIET = "#8a9094"

# matplotlib types the keys of its settings one by one; a plain mapping is as safe here.
STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.labelsize": 9.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "savefig.dpi": 200,
}

Voxels2d = NDArray[Any]


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


def phase_colours(names: Sequence[str]) -> list[str]:
    """Return the colour of each phase.

    Parameters
    ----------
    names : sequence of str
        Phases in the order of the recipe.

    Returns
    -------
    list of str
        Hexadecimal colours.

    Examples
    --------
    >>> phase_colours(["pore", "grain"])
    ['#14364f', '#7b4f9d']
    """
    return [
        PALETTE.get(name, SPARE_COLOURS[i % len(SPARE_COLOURS)]) for i, name in enumerate(names)
    ]


def bar_length_um(width_um: float) -> float:
    """Return a round length of about a fifth of a picture's width.

    Examples
    --------
    >>> bar_length_um(205.0), bar_length_um(1024.0), bar_length_um(0.9)
    (50.0, 200.0, 0.2)
    """
    wanted = width_um / 5
    power = 10.0 ** math.floor(math.log10(wanted))
    step = min((1, 2, 5, 10), key=lambda n: abs(math.log(n * power / wanted)))
    return float(f"{step * power:.6g}")


def draw_slice(
    grey: Voxels2d,
    phases: Voxels2d,
    phase_names: Sequence[str],
    voxel_um: tuple[float, float],
    title: str = "",
) -> Figure:
    """Draw a slice beside its phases.

    Parameters
    ----------
    grey : ndarray, shape (rows, columns)
        Grey levels of the scan.
    phases : ndarray of uint8, shape (rows, columns)
        Positions in `phase_names`; 255 outside the specimen.
    phase_names : sequence of str
        Phases in the order of the recipe.
    voxel_um : tuple of float
        Edge of a voxel along rows and along columns, in um.
    title : str, optional
        Line above the pictures.

    Returns
    -------
    Figure
        Two pictures of the same place and scale, with scale bar and legend.
    """
    rows, columns = grey.shape
    height = 3.0 * rows * voxel_um[0] / (columns * voxel_um[1])
    with _styled():
        figure = Figure(
            figsize=(7.2, min(max(height, 1.2), 7.0) + (1.4 if title else 0.95)),
            layout="constrained",
        )
        left, right = figure.subplots(1, 2, sharex=True, sharey=True)
        paint_grey(left, grey, voxel_um)
        paint_phases(right, phases, phase_names, voxel_um)
        left.set_title("grey levels of the scan", loc="left")
        right.set_title("phases", loc="left")
        right.set_ylabel("")
        right.tick_params(labelleft=False)
        figure.legend(
            handles=phase_patches(phases, phase_names),
            loc="outside lower center",
            ncols=len(phase_names) + 1,
        )
        if title:
            figure.suptitle(title, x=0.01, ha="left", fontsize=10.5, fontweight="bold")
    return figure


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
    with _styled():
        figure = Figure(figsize=(2.55 * len(phase_names) + 0.5, 3.3), layout="constrained")
        panels = figure.subplots(1, len(phase_names), sharex=True, sharey=True, squeeze=False)[0]
        for panel, name in zip(panels, phase_names, strict=True):
            paint_sizes(panel, series, name)
            panel.set_title(name, loc="left")
        panels[0].set_ylabel("particles per mm³ in a size class")
        panels[0].set_ylim(density_limits(series, phase_names))
        if title:
            figure.suptitle(title, x=0.01, ha="left", fontsize=10.5, fontweight="bold")
    return figure


def draw_histogram(
    histogram: NDArray[np.int64],
    thresholds: Sequence[float],
    names: Sequence[str],
    grey_gain: float = 1.0,
    grey_offset: float = 0.0,
    title: str = "",
) -> Figure:
    """Draw the grey histogram of the specimen and where its phases part.

    Parameters
    ----------
    histogram : ndarray of int64, shape (65536,)
        Voxels by conditioned grey level.
    thresholds : sequence of float
        Grey levels of the scan between neighbouring phases.
    names : sequence of str
        Phases, dark to bright: one more than thresholds.
    grey_gain, grey_offset : float
        Grey of the scan = gain * conditioned grey + offset.
    title : str, optional
        Line above the axes.

    Returns
    -------
    Figure
        Voxels by grey level, logarithmic upwards.
    """
    used = np.flatnonzero(histogram)
    low, high = (int(used[0]), int(used[-1]) + 1) if used.size else (0, 1)
    width = max(1, (high - low) // 400)
    edges = np.arange(low, high + width, width)
    counts = np.add.reduceat(np.append(histogram[low:high], 0), edges[:-1] - low)
    levels = edges * grey_gain + grey_offset
    with _styled():
        figure = Figure(figsize=(7.2, 3.2), layout="constrained")
        axes = figure.subplots()
        limits = [levels[0], *thresholds, levels[-1]]
        for i, colour in enumerate(phase_colours(names)):
            axes.axvspan(limits[i], limits[i + 1], color=colour, alpha=0.35, lw=0, label=names[i])
        axes.stairs(np.maximum(counts, 0.5), levels, color=INK, lw=1.0, baseline=0.5)
        for threshold in thresholds:
            axes.axvline(threshold, color=INK, lw=0.8, ls=(0, (4, 2)))
        axes.set(yscale="log", ylim=(0.5, None), xlim=(levels[0], levels[-1]))
        axes.set_xlabel("grey level of the scan after denoising")
        axes.set_ylabel(f"voxels in a class of {width * grey_gain:g} levels")
        figure.legend(loc="outside lower center", ncols=len(names))
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
    with _styled():
        figure = Figure(figsize=(9.6, 3.5), layout="constrained")
        left, middle, right = figure.subplots(1, 3, width_ratios=[1, 1, 1.05])
        paint_grey(left, grey, voxel_um)
        paint_phases(middle, phases, phase_names, voxel_um)
        middle.set_ylabel("")
        middle.tick_params(labelleft=False)
        paint_sizes(right, series, phase)
        right.set_ylabel("particles per mm³ in a size class")
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


def paint_grey(axes: Axes, grey: Voxels2d, voxel_um: tuple[float, float]) -> None:
    """Paint grey levels with a scale bar; the outermost 0.2 % on either side are clipped."""
    low, high = np.percentile(grey, (0.2, 99.8))
    extent = _extent(grey, voxel_um)
    axes.imshow(grey, cmap="gray", vmin=low, vmax=max(high, low + 1), extent=extent)
    _label_axes(axes)
    _add_bar(axes, extent[1], extent[2])


def paint_phases(
    axes: Axes, phases: Voxels2d, names: Sequence[str], voxel_um: tuple[float, float]
) -> None:
    """Paint a phase map."""
    colours = ListedColormap([*phase_colours(names), OUTSIDE_COLOUR])
    shown = np.where(phases == OUTSIDE, len(names), phases)
    extent = _extent(phases, voxel_um)
    axes.imshow(
        shown,
        cmap=colours,
        vmin=-0.5,
        vmax=len(names) + 0.5,
        interpolation="nearest",
        extent=extent,
    )
    _label_axes(axes)


def phase_patches(phases: Voxels2d, names: Sequence[str]) -> list[Patch]:
    """Return the entries of a legend for the phases, and for what lies outside if any does."""
    patches = [
        Patch(facecolor=colour, edgecolor=INK, lw=0.5, label=name)
        for name, colour in zip(names, phase_colours(names), strict=True)
    ]
    if (phases == OUTSIDE).any():
        patches.append(
            Patch(facecolor=OUTSIDE_COLOUR, edgecolor=INK, lw=0.5, label="outside the specimen")
        )
    return patches


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
        middle = middle[seen] * (1.0 + 0.03 * (i - (len(series) - 1) / 2))
        density = histogram.density_mm3[seen]
        low, high = histogram.interval_mm3[:, seen]
        axes.errorbar(
            middle,
            density,
            yerr=np.stack([density - low, high - density]),
            fmt="none",
            ecolor=dark,
            elinewidth=0.7,
            capsize=0,
        )
        face = colour if i % 2 == 0 else "white"
        axes.plot(
            middle, density, ls=line, lw=1.3, color=dark, marker="o", ms=4, mfc=face, mec=dark
        )
        label = f"{scan.name}, n = {int(histogram.counts.sum()):,}"
        handles.append(
            Line2D([], [], ls=line, lw=1.3, color=dark, marker="o", ms=4, mfc=face, label=label)
        )
    axes.set(xscale="log", yscale="log")
    axes.tick_params(axis="x", which="both", length=3, pad=3)
    axes.xaxis.set_major_formatter(_plain)
    axes.xaxis.set_minor_formatter(_plain_some)
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


def save_figure(figure: Figure, path: Path, dpi: int = 200) -> None:
    """Write a figure as PNG without a time stamp: the same figure gives the same bytes."""
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=dpi, metadata={"Software": None})


@contextmanager
def _styled() -> Iterator[None]:
    with rc_context(STYLE):
        yield


def _extent(picture: Voxels2d, voxel_um: tuple[float, float]) -> tuple[float, float, float, float]:
    return (0.0, picture.shape[1] * voxel_um[1], picture.shape[0] * voxel_um[0], 0.0)


def _label_axes(axes: Axes) -> None:
    axes.set_xlabel("x (µm)")
    axes.set_ylabel("y (µm)")
    for side in ("top", "right"):
        axes.spines[side].set_visible(True)


def _add_bar(axes: Axes, width_um: float, height_um: float) -> None:
    length = bar_length_um(width_um)
    x, y, thick = 0.04 * width_um, 0.94 * height_um, 0.012 * height_um
    plate = (x - 0.02 * width_um, y - 0.09 * height_um)
    axes.add_patch(
        Rectangle(
            plate, length + 0.04 * width_um, 0.13 * height_um, color="white", alpha=0.85, lw=0
        )
    )
    axes.add_patch(Rectangle((x, y), length, thick, color=INK, lw=0))
    axes.text(
        x + length / 2,
        y - 0.012 * height_um,
        f"{length:g} µm",
        ha="center",
        va="bottom",
        fontsize=8,
    )


def _plain(value: float, _place: float) -> str:
    return f"{value:g}"


def _plain_some(value: float, _place: float) -> str:
    """Name the minor ticks 2 and 5 of each decade: nine would overlap."""
    digit = round(value / 10 ** math.floor(math.log10(value)))
    return f"{value:g}" if digit in (2, 5) else ""
