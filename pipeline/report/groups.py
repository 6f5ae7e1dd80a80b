"""Figures of groups of specimens: distributions, shifts of quantiles, sizes of effects.

A thin line is a specimen, a thick one a group: what is drawn is what is tested.  Groups differ by
colour, line and marker at once.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter
from numpy.typing import NDArray

from pipeline.report.style import INK, QUIET, phase_colours, plain, styled

Reals = NDArray[np.float64]

GROUP_COLOURS = ("#2f7f86", "#a8672b", "#7b4f9d", "#14364f", "#8fb339", "#d78fb0")
GROUP_LINES: tuple[Any, ...] = ("-", (0, (5, 1.5)), (0, (1, 1)), (0, (5, 1, 1, 1)))
FAINT = "#e6e8e6"

MOST_EFFECTS = 24
"""Rows of a forest that a page holds."""

PANELS_A_ROW = 3


@dataclass(frozen=True, slots=True)
class Panel:
    """One descriptor of one phase in two or more groups.

    Parameters
    ----------
    phase, quantity, unit : str
        What it is.
    shares : ndarray of float64, shape (n_places,)
        Shares of particles at which quantiles stand.
    groups : mapping of str to ndarray of float64, shape (n_specimens, n_places)
        Quantile function of each specimen.
    shift : tuple of ndarray of float64, shape (n_places,), or None
        Difference of the second group from the first at each share, and the ends of its interval,
        NaN where there is none.
    p_value, distance : float or None
        Of the distributions.
    """

    phase: str
    quantity: str
    unit: str
    shares: Reals
    groups: Mapping[str, Reals]
    shift: tuple[Reals, Reals, Reals] | None = None
    p_value: float | None = None
    distance: float | None = None

    @property
    def label(self) -> str:
        """Quantity with its unit, for an axis."""
        unit = unit_text(self.unit)
        words = spell(self.quantity, self.unit)
        return words if unit == "1" else f"{words} ({unit})"


def colour_of(phase: str) -> str:
    """Return the colour of a row: of its phase, grey for whole scans and for the pale matrix."""
    return QUIET if phase in ("", "matrix") else phase_colours([phase])[0]


def unit_text(unit: str) -> str:
    """Return a unit as it stands on an axis.

    >>> unit_text("um3")
    'µm³'
    """
    return {"um": "µm", "um2": "µm²", "um3": "µm³", "deg": "°"}.get(unit, unit)


def spell(quantity: str, unit: str) -> str:
    """Return a column's name in words, without its unit.

    Examples
    --------
    >>> spell("feret_max_um", "um"), spell("volume_fraction", "1")
    ('feret max', 'volume fraction')
    """
    ends = {"1/mm3": "_mm3", "1/mm": "_mm"}
    return quantity.removesuffix(ends.get(unit, f"_{unit}")).replace("_", " ")


def draw_distributions(panels: Sequence[Panel], title: str = "") -> Figure:
    """Draw cumulative distributions, a panel for each descriptor.

    Parameters
    ----------
    panels : sequence of Panel
        At least one; all of the same groups.
    title : str
        Line above the panels.

    Returns
    -------
    Figure
        Share of particles below each value: thin for specimens, thick for groups.
    """
    with styled():
        figure, axes = lay_out(len(panels))
        for place, panel in zip(axes, panels, strict=False):
            _paint_distribution(place, panel)
        _name_rows(axes, len(panels), "share of particles below")
        figure.legend(
            handles=[
                Line2D([], [], color=_colour(i), ls=_line(i), lw=2.2,
                       label=f"{name}, {len(curves)} specimen{'s' * (len(curves) != 1)}")
                for i, (name, curves) in enumerate(panels[0].groups.items())
            ],
            loc="outside lower left",
            ncols=min(4, len(panels[0].groups)),
        )  # fmt: skip
        set_head(figure, title)
    return figure


def draw_shifts(panels: Sequence[Panel], names: tuple[str, str], title: str = "") -> Figure:
    """Draw by how much each quantile moves from the first group to the second.

    Parameters
    ----------
    panels : sequence of Panel
        At least one, with shifts.
    names : tuple of str
        First and second group.
    title : str
        Line above the panels.

    Returns
    -------
    Figure
        Difference by share of particles, with its 95 % interval where specimens tell it.
    """
    with styled():
        figure, axes = lay_out(len(panels))
        banded = False
        for place, panel in zip(axes, panels, strict=False):
            assert panel.shift is not None
            value, low, high = panel.shift
            colour = phase_colours([panel.phase])[0]
            place.axhline(0.0, color=INK, lw=0.7)
            if np.isfinite(low).all():
                banded = True
                place.fill_between(100 * panel.shares, low, high, color=colour, alpha=0.22, lw=0)
            place.plot(100 * panel.shares, value, color=colour, lw=1.8)
            place.set(xlim=(0, 100), xticks=(10, 50, 90), xlabel="percentile of the particles")
            place.set_ylabel(f"shift of {panel.label}")
            place.grid(visible=True, color=FAINT, lw=0.6)
            place.set_axisbelow(True)
            _name(place, panel)
        band = "; bands: 95 %, by specimen" if banded else "; too few specimens for an interval"
        set_head(figure, title or f"Shift of quantiles, {names[1]} - {names[0]}{band}")
    return figure


def draw_forest(rows: Sequence[Mapping[str, Any]], title: str = "") -> Figure:
    """Draw sizes of effects with their intervals, one row each, in the order given.

    Parameters
    ----------
    rows : sequence of mapping
        Rows of `pipeline.model.records.COMPARISON` of one contrast, at least one and at most
        `MOST_EFFECTS`.
    title : str
        Line above.

    Returns
    -------
    Figure
        Ratio and, where specimens tell it, Hedges' g; filled where q is 5 % or less.
    """
    with_g = any(row["hedges_g"] is not None for row in rows)
    height = 0.235 * len(rows) + 1.35
    with styled():
        figure = Figure(figsize=(8.6 if with_g else 6.4, height), layout="constrained")
        axes = figure.subplots(1, 2 if with_g else 1, sharey=True, squeeze=False)[0]
        _paint_effects(axes[0], rows, "ratio", 1.0)
        first, second = rows[0]["group_a"], rows[0]["group_b"]
        axes[0].set_xlabel(f"ratio {second} / {first}")
        _scale_ratios(axes[0], rows)
        if with_g:
            _paint_effects(axes[1], rows, "hedges_g", 0.0)
            axes[1].set_xlabel("Hedges' g: difference / scatter of specimens")
            _write_chances(axes[1], rows)
        axes[0].set_yticks(range(len(rows)), [name_row(row) for row in rows])
        for label, row in zip(axes[0].get_yticklabels(), rows, strict=True):
            label.set_fontsize(8)
            label.set_color(INK if is_clear(row) or not with_g else QUIET)
        axes[0].set_ylim(len(rows) - 0.4, -0.6)
        figure.legend(handles=_keys(rows, with_g), loc="outside lower left", ncols=5)
        set_head(figure, title)
    return figure


def _paint_distribution(axes: Axes, panel: Panel) -> None:
    everything = np.concatenate([curves.ravel() for curves in panel.groups.values()])
    low, high = float(np.nanmin(everything)), float(np.nanmax(everything))
    for i, curves in enumerate(panel.groups.values()):
        for curve in curves:
            # One particle, or particles all alike, are no distribution: dots, not a line.
            one = np.ptp(curve) == 0.0
            axes.plot(curve, panel.shares, color=_colour(i), lw=0.6, alpha=0.4,
                      ls=":" if one else "-")  # fmt: skip
    for i, curves in enumerate(panel.groups.values()):
        mean = np.nanmean(curves, axis=0)
        axes.plot(mean, panel.shares, color=_colour(i), ls=_line(i), lw=2.2)
    if low > 0.0 and high > 8.0 * low:
        axes.set_xscale("log")
        axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0) if high < 200 * low else (1,)))
        axes.xaxis.set_minor_formatter(NullFormatter())
        axes.xaxis.set_major_formatter(FuncFormatter(plain))
    axes.set(ylim=(0, 1), yticks=(0, 0.25, 0.5, 0.75, 1), xlabel=panel.label)
    axes.grid(visible=True, which="major", color=FAINT, lw=0.6)
    axes.set_axisbelow(True)
    _name(axes, panel)


def _paint_effects(
    axes: Axes, rows: Sequence[Mapping[str, Any]], name: str, neutral: float
) -> None:
    for y in range(0, len(rows), 2):
        axes.axhspan(y - 0.5, y + 0.5, color="#f5f6f4", lw=0, zorder=0)
    axes.axvline(neutral, color=INK, lw=0.7, zorder=1)
    for y, row in enumerate(rows):
        value, low, high = row[name], row[f"{name}_low"], row[f"{name}_high"]
        if value is None:
            continue
        colour = colour_of(row["phase"])
        if low is not None:
            axes.plot([low, high], [y, y], color=colour, lw=1.6, solid_capstyle="butt", zorder=2)
        face = colour if is_clear(row) else "white"
        axes.plot(value, y, "o", ms=5.5, mfc=face, mec=colour, mew=1.2, zorder=3)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def _scale_ratios(axes: Axes, rows: Sequence[Mapping[str, Any]]) -> None:
    """Make the axis of ratios logarithmic with plain ticks that do not crowd."""
    ends = [row[k] for row in rows for k in ("ratio", "ratio_low", "ratio_high") if row[k]]
    # An interval that goes on for decades would squeeze all others.
    low = max(min([*ends, 0.95]) / 1.05, 0.02)
    high = min(max([*ends, 1.05]) * 1.05, 50.0)
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    spread = math.log(high / low)
    fine = [0.8, 0.9, 1.0, 1.1, 1.2, 1.3]
    wide = [0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 5.0, 10.0, 20.0, 50.0]
    ticks = fine if spread < 0.6 else wide if spread < 2.5 else [0.02, 0.1, 0.5, 1, 2, 10, 50]
    axes.set_xticks([t for t in ticks if low <= t <= high])
    axes.xaxis.set_major_formatter(FuncFormatter(plain))
    axes.xaxis.set_minor_locator(LogLocator(subs=()))


def _write_chances(axes: Axes, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write p and q at the right of the forest."""
    axes.text(1.03, -0.75, "p", transform=axes.get_yaxis_transform(), fontsize=8, va="bottom")
    axes.text(1.18, -0.75, "q", transform=axes.get_yaxis_transform(), fontsize=8, va="bottom")
    for y, row in enumerate(rows):
        for x, name in ((1.03, "p_value"), (1.18, "q_value")):
            if row[name] is not None:
                axes.text(
                    x, y, f"{row[name]:.2g}", transform=axes.get_yaxis_transform(), fontsize=7.5,
                    va="center", color=INK if is_clear(row) else QUIET,
                )  # fmt: skip


def _keys(rows: Sequence[Mapping[str, Any]], with_g: bool) -> list[Line2D]:
    named: dict[str, list[str]] = {}
    for phase in dict.fromkeys(row["phase"] for row in rows):
        named.setdefault(colour_of(phase), []).append(phase or "whole scan")
    keys = [
        Line2D([], [], color=colour, lw=1.6, marker="o", mfc=colour, ms=5, label=", ".join(names))
        for colour, names in named.items()
    ]
    if with_g:
        for face, text in ((INK, "q ≤ 5 %"), ("white", "q > 5 %")):
            keys.append(Line2D([], [], ls="none", marker="o", mec=INK, mfc=face, ms=5, label=text))
    return keys


def name_row(row: Mapping[str, Any]) -> str:
    """Return what a row of a comparison or correlation is about, without its phase."""
    measure = {"value": "", "q50": "median"}.get(row["measure"], row["measure"])
    words = (spell(row["quantity"], row["unit"]), row["reference"], measure)
    return ", ".join(word for word in words if word)


def is_clear(row: Mapping[str, Any]) -> bool:
    """Tell whether a row's q-value is 5 % or less."""
    return row["q_value"] is not None and row["q_value"] <= 0.05


def _name(axes: Axes, panel: Panel) -> None:
    axes.set_title(panel.phase, loc="left", color=INK)
    if panel.p_value is not None:
        axes.set_title(f"p = {panel.p_value:.2g}", loc="right", fontsize=8, color=QUIET)


def _name_rows(axes: Sequence[Axes], n: int, text: str) -> None:
    for i in range(0, n, PANELS_A_ROW):
        axes[i].set_ylabel(text)


def lay_out(n: int) -> tuple[Figure, list[Axes]]:
    """Return a figure with room for n panels, three a row, and their axes."""
    n_rows, n_columns = -(-n // PANELS_A_ROW), min(n, PANELS_A_ROW)
    figure = Figure(figsize=(2.75 * n_columns + 0.4, 2.6 * n_rows + 0.7), layout="constrained")
    axes = list(figure.subplots(n_rows, n_columns, squeeze=False).ravel())
    for spare in axes[n:]:
        spare.set_visible(False)
    return figure, axes


def set_head(figure: Figure, title: str) -> None:
    """Set the line above all panels."""
    if title:
        figure.suptitle(title, x=0.01, ha="left", fontsize=10.5, fontweight="bold")


def _colour(i: int) -> str:
    return GROUP_COLOURS[i % len(GROUP_COLOURS)]


def _line(i: int) -> Any:
    return GROUP_LINES[i % len(GROUP_LINES)]
