"""Stress of a particle: the factor over all load directions, and stress on the surface.

Directions are drawn on an equal-area map of a hemisphere.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.figure import Figure
from matplotlib.tri import Triangulation
from numpy.typing import NDArray

from pipeline.kernels.concentration import hemisphere
from pipeline.kernels.surface import mesh_surface
from pipeline.kernels.surfacefields import sample_voxels
from pipeline.model.stress import CAUTION
from pipeline.report.style import INK, QUIET, STYLE
from pipeline.report.surfaces import Shown, draw_surface

Direction = tuple[float, float, float]


def project(directions: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return Lambert's equal-area projection of upper unit vectors (z, y, x), as points (x, y).

    The pole is the z axis, in the middle; the rim of radius 1 is the plane of y and x.

    Examples
    --------
    >>> project(np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])).tolist()
    [[0.0, 0.0], [1.0, 0.0]]
    """
    upper = np.where(directions[:, :1] < 0, -directions, directions)
    return np.asarray(upper[:, [2, 1]] / np.sqrt(1.0 + upper[:, :1]), np.float64)


def draw_directions(
    factors: Sequence[float], worst: Sequence[float], load: Sequence[float], title: str
) -> Figure:
    """Draw the factor over the load directions of `pipeline.kernels.concentration.hemisphere`.

    Parameters
    ----------
    factors : sequence of float
        One for each direction.
    worst, load : sequence of float
        Unit vectors (z, y, x) of the worst load and of the load axis, which are marked.
    title : str
        What is shown.

    Returns
    -------
    Figure
        The map with its scale, and the caution below it.
    """
    values = np.asarray(factors, np.float64)
    directions = hemisphere(len(values))
    # Both ends of an axis are the same load: directions near the rim are drawn at both.
    low = directions[:, 0] < 0.25
    points = np.concatenate([project(directions), beyond_rim(directions[low])])
    values = np.concatenate([values, values[low]])
    with rc_context(STYLE):
        figure = Figure(figsize=(4.6, 4.7), layout="constrained")
        axes = figure.subplots()
        mesh = Triangulation(points[:, 0], points[:, 1])
        shade = axes.tripcolor(mesh, values, shading="gouraud", cmap="cividis", rasterized=True)
        levels = np.unique(np.round(np.linspace(values.min(), values.max(), 7)[1:-1], 2))
        if values.max() > 1.02 * values.min() and len(levels):
            lines = axes.tricontour(mesh, values, levels=levels, colors=INK, linewidths=0.5)
            for text in axes.clabel(lines, fontsize=7, fmt="%.2f"):
                text.set_visible(float(np.hypot(*text.get_position())) < 0.93)
        turn = np.linspace(0, 2 * np.pi, 200)
        rim = axes.plot(np.cos(turn), np.sin(turn), color=INK, lw=0.8)[0]
        for artist in (shade, *axes.collections):
            artist.set_clip_path(rim.get_path(), axes.transData)
        for direction, marker, name in ((worst, "^", "worst"), (load, "o", "load axis")):
            x, y = project(np.asarray([direction], np.float64))[0]
            axes.plot(
                x, y, marker, ms=8, mfc="white", mec=INK, ls="none", label=name, clip_on=False
            )
        for x, y, name in ((1.06, 0, "x"), (0, 1.06, "y"), (0.0, -0.07, "z")):
            axes.text(x, y, name, color=INK, ha="center", va="center")
        axes.plot(0, 0, "+", color=INK, ms=6)
        axes.set(xlim=(-1.12, 1.12), ylim=(-1.12, 1.12), aspect="equal")
        axes.set_axis_off()
        axes.set_title(title, loc="left")
        axes.legend(loc="lower left", bbox_to_anchor=(-0.08, -0.06))
        bar = figure.colorbar(shade, ax=axes, shrink=0.7, pad=0.02)
        bar.set_label("first principal stress / applied stress")
        figure.supxlabel(textwrap.fill(CAUTION, 84), fontsize=6.5, color=QUIET)
    return figure


def draw_stressed(field: Mapping[str, NDArray[Any]], title: str) -> Figure:
    """Draw the surface of a particle coloured by first principal stress under its worst load.

    Parameters
    ----------
    field : mapping of str to ndarray
        As `pipeline.stages.stress.field_of` leaves it; the load points up in the picture.
    title : str
        What is shown.

    Returns
    -------
    Figure
        The picture, and the caution below it.
    """
    inside = field["inside"]
    stress = np.zeros(inside.shape)
    stress[inside] = field["stress"]
    voxel, origin, load = (_triple(field[k]) for k in ("voxel_um", "origin_um", "direction"))
    surface = mesh_surface(inside, voxel, origin)
    values = sample_voxels(surface, stress, inside, voxel, origin)
    figure = draw_surface(
        Shown(surface, values, f"{title}, worst load upward"),
        "first principal stress / applied stress",
        load,
    )
    figure.supxlabel(textwrap.fill(CAUTION, 96), fontsize=6.5, color=QUIET)
    return figure


def _triple(values: NDArray[Any]) -> Direction:
    z, y, x = (float(v) for v in values)
    return z, y, x


def beyond_rim(directions: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the points of the opposite ends of axes, just outside the rim."""
    lower = -directions
    return np.asarray(lower[:, [2, 1]] / np.sqrt(1.0 + lower[:, :1]), np.float64)
