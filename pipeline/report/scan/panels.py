"""Panels that several figures share: one a phase, and what stands in one without data."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Literal

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import NullFormatter

from pipeline.report.style import QUIET, plain, plain_some

GRID = "#e6e8e6"

PANELS_A_ROW = 3


def open_panels(
    names: Sequence[str], height: float, share: bool = True
) -> tuple[Figure, list[Axes]]:
    """Return a figure with a panel for each phase, titled with its name, `PANELS_A_ROW` a row."""
    columns = min(len(names), PANELS_A_ROW)
    rows = -(-len(names) // columns)
    size = (max(2.9 * columns, 4.2), height * rows)
    figure = Figure(figsize=size, layout="constrained")
    grid = figure.subplots(rows, columns, squeeze=False, sharex=share, sharey=share)
    panels = list(grid.flat)
    for panel, name in zip(panels, names, strict=False):
        panel.set_title(name, loc="left")
    for panel in panels[len(names) :]:
        panel.set_axis_off()
    return figure, panels[: len(names)]


def leave_empty(axes: Axes, why: str) -> None:
    """Say in a panel why it holds nothing."""
    axes.text(
        0.5, 0.5, textwrap.fill(why, 28), transform=axes.transAxes, ha="center", va="center",
        color=QUIET, fontsize=8.5,
    )  # fmt: skip
    for side in axes.spines.values():
        side.set_color(GRID)
    axes.tick_params(which="both", left=False, bottom=False, labelleft=False, labelbottom=False)


def rule(axes: Axes, which: Literal["both", "x", "y"] = "both") -> None:
    """Draw a quiet grid behind the data."""
    axes.grid(visible=True, which="major", axis=which, color=GRID, lw=0.6)
    axes.set_axisbelow(True)


def name_ticks(axes: Axes) -> None:
    """Write the ticks of a logarithmic axis across as plain numbers; call it last."""
    low, high = axes.get_xlim()
    axes.xaxis.set_major_formatter(plain)
    # Over several decades 2 and 5 would run into each other.
    axes.xaxis.set_minor_formatter(plain_some if high < 200 * low else NullFormatter())
    axes.tick_params(axis="x", which="both", length=3, pad=3)
