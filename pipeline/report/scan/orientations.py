"""How a scan's particles lie: equal-area nets of their shortest axes, and the tensor."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.tri import Triangulation
from numpy.typing import NDArray

from pipeline.analysis.counts import vectors_of
from pipeline.analysis.phases import judge_axes
from pipeline.kernels.concentration import hemisphere
from pipeline.report.directions import beyond_rim, project
from pipeline.report.scan.evidence import Evidence, Plate
from pipeline.report.scan.panels import PANELS_A_ROW, leave_empty
from pipeline.report.style import INK, QUIET, styled

Reals = NDArray[np.float64]

MOST_POINTS = 1000
"""Most axes that are drawn as points; of more, every so-manyth."""

FEWEST_FOR_DENSITY = 30
"""Fewest axes of which a density is drawn: fewer make hills of single axes."""

CONCENTRATION = 12.0
"""Of the Fisher-Watson kernel that smooths the density: half its height at 20 degrees."""

PARTS = ("zz", "yy", "xx", "zy", "zx", "yx")


def show_orientations(evidence: Evidence) -> Plate:
    """Return the net and the tensor of the shortest axes of each counted phase.

    Parameters
    ----------
    evidence : Evidence
        The scan.

    Returns
    -------
    Plate
        Two panels a phase; absent where no particle is whole and resolved.
    """
    plate = Plate("orientations", "Orientation")
    axes_of = {}
    for name in evidence.counted:
        columns = evidence.columns(name)
        axes_of[name] = vectors_of(columns, "minor_{}")[judge_axes(columns)]
    plate.numbers = {name: _numbers_of(evidence, name) for name in evidence.counted}
    if not any(len(axes) for axes in axes_of.values()):
        plate.absent = "no particle is whole, resolved and flat enough to have a shortest axis"
        return plate
    plate.caption = (
        "Above: where the shortest axis of each whole and resolved body points that is flatter "
        "than 2/3, the normal of a platelet, on an equal-area net seen along z; its two ends are "
        "one. Shade: density over that of axes without preference, from "
        f"{FEWEST_FOR_DENSITY} bodies on. Ring: load axis. "
        "Below: orientation tensor, corrected for bodies that are cut, from 10 on; 0.33 on "
        "the diagonal and 0 beside it mean no preference."
    )
    plate.figure = _draw(evidence, plate.numbers, axes_of)
    return plate


def _numbers_of(evidence: Evidence, name: str) -> dict[str, Any]:
    tensor = {
        f"orientation_{part}": evidence.number(name, f"orientation_{part}")["value"]
        for part in PARTS
    }
    anisotropy = evidence.number(name, "orientation_anisotropy")
    return {
        **tensor,
        "eigenvalues": [row["value"] for row in evidence.curve(name, "orientation_eigenvalue")],
        "anisotropy": anisotropy["value"],
        "p_value": evidence.number(name, "orientation_p_value")["value"],
        "n": anisotropy["n"],
        "note": anisotropy["note"],
    }


def _draw(evidence: Evidence, numbers: dict[str, Any], axes_of: dict[str, Reals]) -> Figure:
    columns = min(len(evidence.counted), PANELS_A_ROW)
    rows = -(-len(evidence.counted) // columns)
    with styled():
        size = (max(2.9 * columns, 4.2), 5.4 * rows)
        figure = Figure(figsize=size, layout="constrained")
        grid = figure.subplots(2 * rows, columns, squeeze=False, height_ratios=[1.45, 1] * rows)
        pairs = list(zip(grid[0::2].flat, grid[1::2].flat, strict=True))
        for (upper, lower), name in zip(pairs, evidence.counted, strict=False):
            upper.set_title(name, loc="left")
            _paint_net(upper, axes_of[name], evidence, name)
            _paint_tensor(lower, numbers[name], evidence.colour(name))
        for spare in pairs[len(evidence.counted) :]:
            for panel in spare:
                panel.set_axis_off()
    return figure


def density_of(axes: Reals, directions: Reals) -> Reals:
    """Return the density of axes over that of axes without preference.

    Parameters
    ----------
    axes : ndarray of float64, shape (n, 3)
        Unit vectors whose sign has no meaning, (z, y, x).
    directions : ndarray of float64, shape (m, 3)
        Where it is wanted; even over a hemisphere, as the mean over them is made 1.

    Returns
    -------
    ndarray of float64, shape (m,)
        Smoothed by exp(k (cos^2 - 1)) with k = `CONCENTRATION`.
    """
    total = np.zeros(len(directions))
    for part in np.array_split(axes, max(1, len(axes) // 4096)):
        total += np.exp(CONCENTRATION * ((directions @ part.T) ** 2 - 1.0)).sum(1)
    return np.asarray(total / total.mean())


def _paint_net(panel: Axes, axes: Reals, evidence: Evidence, name: str) -> None:
    panel.set(xlim=(-1.15, 1.15), ylim=(-1.15, 1.15), aspect="equal")
    panel.set_axis_off()
    turn = np.linspace(0, 2 * np.pi, 200)
    rim = panel.plot(np.cos(turn), np.sin(turn), color=INK, lw=0.8)[0]
    for x, y, letter in ((1.08, 0, "x"), (0, 1.08, "y")):
        panel.text(x, y, letter, ha="center", va="center", fontsize=8.5)
    panel.plot(0, 0, "+", color=QUIET, ms=5)
    if len(axes) == 0:
        panel.text(0, 0, "no whole and\nresolved body", ha="center", va="center", color=QUIET)
        return
    colour = evidence.colour(name)
    if len(axes) >= FEWEST_FOR_DENSITY:
        where = hemisphere(900)
        level = density_of(axes, where)
        low = where[:, 0] < 0.25
        points = np.concatenate([project(where), beyond_rim(where[low])])
        level = np.concatenate([level, level[low]])
        shade = LinearSegmentedColormap.from_list("shade", ["#ffffff", colour])
        # About eight steps of a round height, so that 1, no preference, is a step of its own.
        step = max(0.25, 2.0 ** np.ceil(np.log2(float(level.max()) / 8)))
        steps = np.arange(0.0, max(float(level.max()), 2.0) + step, step)
        mesh = Triangulation(points[:, 0], points[:, 1])
        filled = panel.tricontourf(mesh, level, levels=steps, cmap=shade, alpha=0.55)
        filled.set_clip_path(rim.get_path(), panel.transData)
        bar = panel.figure.colorbar(filled, ax=panel, shrink=0.55, pad=0.0, aspect=14)
        bar.set_ticks([s for s in steps if s == int(s)][:: 1 if steps[-1] < 9 else 4])
        bar.ax.tick_params(labelsize=7)
        bar.set_label("density / even", fontsize=7)
        bar.outline.set_linewidth(0.5)
    drawn = axes[:: -(-len(axes) // MOST_POINTS)]
    at = project(drawn)
    panel.plot(at[:, 0], at[:, 1], "o", ms=3 if len(drawn) < 200 else 1.7, color=colour,
               mec=INK, mew=0.25, alpha=0.8)  # fmt: skip
    load = np.asarray([evidence.load_axis], np.float64)
    x, y = project(load / np.sqrt((load * load).sum()))[0]
    panel.plot(x, y, "o", ms=9, mfc="none", mec=INK, mew=1.2, clip_on=False)
    panel.text(-1.12, -1.12, f"n = {len(axes):,}", fontsize=8, va="bottom")


def _paint_tensor(panel: Axes, numbers: dict[str, Any], colour: str) -> None:
    if numbers["orientation_zz"] is None:
        leave_empty(panel, "no tensor")
        panel.set_axis_off()
        return
    order = "zyx"
    tensor = np.zeros((3, 3))
    for part in PARTS:
        i, j = order.index(part[0]), order.index(part[1])
        tensor[i, j] = tensor[j, i] = numbers[f"orientation_{part}"]
    shade = LinearSegmentedColormap.from_list("tensor", ["#ffffff", colour])
    panel.imshow(np.abs(tensor), cmap=shade, vmin=0, vmax=1, alpha=0.75)
    for i, j in np.ndindex(3, 3):
        panel.text(
            j,
            i,
            f"{tensor[i, j]:.2f}".replace("-", "\u2212"),
            ha="center",
            va="center",
            fontsize=8.5,
        )
    panel.set_xticks(range(3), list(order))
    panel.set_yticks(range(3), list(order))
    panel.tick_params(length=0)
    for side in panel.spines.values():
        side.set_visible(False)
    p_value = numbers["p_value"]
    told = "p < 0.001" if p_value < 0.001 else f"p = {p_value:.2g}"
    panel.set_xlabel(f"anisotropy {numbers['anisotropy']:.2f}, {told}", fontsize=8.5)
