"""Figures of mechanical results: specimens' values beside a property, and rank correlations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.report.groups import (
    FAINT,
    colour_of,
    is_clear,
    lay_out,
    name_row,
    set_head,
    unit_text,
)
from pipeline.report.style import INK, QUIET, styled

Reals = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scatter:
    """One quantity beside a property, a point a specimen.

    Parameters
    ----------
    row : mapping
        Row of `pipeline.model.records.CORRELATIONS`.
    values, property_ : ndarray of float64, shape (n_specimens,)
        Of the specimens that have both.
    names : sequence of str
        Specimens.
    """

    row: Mapping[str, Any]
    values: Reals
    property_: Reals
    names: Sequence[str]


def draw_scatters(scatters: Sequence[Scatter], title: str = "") -> Figure:
    """Draw a property over quantities, a panel for each and a point a specimen.

    Parameters
    ----------
    scatters : sequence of Scatter
        At least one, all of the same property.
    title : str
        Line above the panels.

    Returns
    -------
    Figure
        Points with the rank correlation above; named where they are few.
    """
    with styled():
        figure, axes = lay_out(len(scatters))
        for place, scatter in zip(axes, scatters, strict=False):
            row = scatter.row
            colour = colour_of(row["phase"])
            place.plot(scatter.values, scatter.property_, "o", ms=6, mfc=colour, mec="white")
            for i in choose_names(scatter.values, scatter.property_):
                place.annotate(
                    scatter.names[i], (scatter.values[i], scatter.property_[i]), (4, 3),
                    textcoords="offset points", fontsize=6, color=QUIET,
                )  # fmt: skip
            unit = unit_text(row["unit"])
            words = name_row(row)
            place.set_xlabel(words if unit == "1" else f"{words} ({unit})")
            place.margins(0.12)
            place.grid(visible=True, color=FAINT, lw=0.6)
            place.set_axisbelow(True)
            place.set_title(row["phase"], loc="left", color=INK)
            place.set_title(
                f"ρ = {row['rho']:.2f}, q = {row['q_value']:.2g}", loc="right", fontsize=8,
                color=INK if is_clear(row) else QUIET,
            )  # fmt: skip
        for i in range(0, len(scatters), 3):
            axes[i].set_ylabel(label_property(scatters[0].row["property"]))
        set_head(figure, title)
    return figure


def choose_names(x: Reals, y: Reals) -> list[int]:
    """Return the points that have room for a name to their right; all but crowded ones.

    Examples
    --------
    >>> choose_names(np.array([0.0, 0.05, 1.0]), np.array([0.0, 0.01, 1.0]))
    [0, 2]
    """
    places = [(v - v.min()) / max(float(np.ptp(v)), 1e-300) for v in (x, y)]
    chosen: list[int] = []
    for i in np.argsort(places[0], kind="stable").tolist():
        clash = any(
            abs(places[0][i] - places[0][j]) < 0.24 and abs(places[1][i] - places[1][j]) < 0.06
            for j in chosen
        )
        if not clash:
            chosen.append(i)
    return chosen


def draw_correlations(rows: Sequence[Mapping[str, Any]], title: str = "") -> Figure:
    """Draw rank correlations with their intervals, one row each, in the order given.

    Parameters
    ----------
    rows : sequence of mapping
        Rows of `pipeline.model.records.CORRELATIONS` with a correlation, at least one.
    title : str
        Line above.

    Returns
    -------
    Figure
        Filled points where q is 5 % or less.
    """
    with styled():
        figure = Figure(figsize=(6.4, 0.235 * len(rows) + 1.3), layout="constrained")
        axes = figure.subplots()
        for y in range(0, len(rows), 2):
            axes.axhspan(y - 0.5, y + 0.5, color="#f5f6f4", lw=0, zorder=0)
        axes.axvline(0.0, color=INK, lw=0.7, zorder=1)
        for y, row in enumerate(rows):
            colour = colour_of(row["phase"])
            if row["rho_low"] is not None:
                ends = [row["rho_low"], row["rho_high"]]
                axes.plot(ends, [y, y], color=colour, lw=1.6, solid_capstyle="butt", zorder=2)
            face = colour if is_clear(row) else "white"
            axes.plot(row["rho"], y, "o", ms=5.5, mfc=face, mec=colour, mew=1.2, zorder=3)
        names = [", ".join(filter(None, [row["phase"], name_row(row)])) for row in rows]
        axes.set_yticks(range(len(rows)), names, fontsize=8)
        axes.tick_params(axis="y", length=0)
        axes.spines["left"].set_visible(False)
        axes.set(xlim=(-1.03, 1.03), ylim=(len(rows) - 0.4, -0.6), xticks=(-1, -0.5, 0, 0.5, 1))
        axes.set_xlabel(
            f"rank correlation with {rows[0]['property'].replace('_', ' ')}; filled: q ≤ 5 %"
        )
        set_head(figure, title)
    return figure


def label_property(name: str) -> str:
    """Return a mechanical property with its unit, for an axis.

    Examples
    --------
    >>> label_property("elongation_percent"), label_property("cycles_to_failure")
    ('elongation (%)', 'cycles to failure')
    """
    units = {"mpa": "MPa", "percent": "%", "hv": "HV", "hbw": "HBW"}
    stem, _, end = name.rpartition("_")
    if end not in units:
        return name.replace("_", " ")
    return f"{stem.replace('_', ' ')} ({units[end]})"
