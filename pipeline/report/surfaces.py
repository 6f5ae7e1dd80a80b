"""Pictures of surfaces: a body seen along a stated direction, coloured by a value at each vertex.

The projection is parallel, so one scale bar holds for the whole picture.  The load axis points up
as far as the tilt allows, and a triad tells how the axes of the scan lie.  Colours go from dark to
light with the value (or, for signed values, from a pale middle to two dark ends), so that they are
read alike in print and with the common colour-vision deficiencies.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import PolyCollection
from matplotlib.colors import Colormap, LinearSegmentedColormap, Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.kernels.surface import Surface
from pipeline.report.style import INK, QUIET, STYLE, bar_length_um

RISING = LinearSegmentedColormap.from_list(
    "rising", ["#14364f", "#1f6474", "#3f9580", "#9dbb5c", "#f0b323", "#fde9b0"]
)
"""Colours of values that have no sign, dark to light."""

SIGNED = LinearSegmentedColormap.from_list(
    "signed", ["#14364f", "#3f7ea6", "#eceae4", "#d98a5f", "#8c2a17"]
)
"""Colours of values with a sign, pale at 0."""

TILT_DEG = 25.0
"""How far the view looks down onto the load axis' base plane."""

_TURNS_DEG = np.arange(15.0, 375.0, 30.0)
_LIGHT = np.array([-0.4, 0.55, 0.73])  # from the upper left, towards the eye
_AMBIENT = 0.55


@dataclass(frozen=True, slots=True)
class Shown:
    """A surface and what colours it.

    Parameters
    ----------
    surface : Surface
        The surface, in um.
    values : ndarray of float64, shape (n_vertices,)
        Value at each vertex.
    title : str
        Line above its picture.
    """

    surface: Surface
    values: NDArray[np.float64]
    title: str = ""


def draw_surface(
    shown: Shown,
    label: str,
    load_axis: tuple[float, float, float],
    limits: tuple[float, float] | None = None,
    signed: bool = False,
) -> Figure:
    """Draw one surface.

    Parameters
    ----------
    shown : Shown
        Surface and values.
    label : str
        What the values are, with their unit.
    load_axis : tuple of float
        Load axis, (z, y, x).
    limits : tuple of float, optional
        Values of the first and last colour; by default all but 2 % at either end.
    signed : bool
        Whether 0 has a colour of its own in the middle.

    Returns
    -------
    Figure
        The picture with scale bar, triad and colour bar.
    """
    return draw_sheet([shown], label, load_axis, limits=limits, signed=signed, columns=1)


def draw_sheet(
    shown: Sequence[Shown],
    label: str,
    load_axis: tuple[float, float, float],
    title: str = "",
    limits: tuple[float, float] | None = None,
    signed: bool = False,
    columns: int = 4,
) -> Figure:
    """Draw several surfaces side by side: one scale of colours, a scale bar each.

    Parameters
    ----------
    shown : sequence of Shown
        Surfaces and values, at least one.
    label : str
        What the values are, with their unit.
    load_axis : tuple of float
        Load axis, (z, y, x).
    title : str
        Line above all.
    limits : tuple of float, optional
        Values of the first and last colour; by default all but 2 % at either end.
    signed : bool
        Whether 0 has a colour of its own in the middle.
    columns : int
        Pictures in a row.

    Returns
    -------
    Figure
        The sheet.
    """
    columns = min(columns, len(shown))
    rows = -(-len(shown) // columns)
    edge = 4.6 if columns == 1 else 2.4
    colours = SIGNED if signed else RISING
    norm = Normalize(*(value_limits(shown, signed) if limits is None else limits), clip=True)
    with rc_context(STYLE):
        figure = Figure(
            figsize=(edge * columns + 1.0, (edge + 0.2) * rows + (0.35 if title else 0.0)),
            layout="constrained",
        )
        panels = figure.subplots(rows, columns, squeeze=False)
        for panel in panels.flat:
            panel.set_axis_off()
        for panel, one in zip(panels.flat, shown, strict=False):
            paint_surface(panel, one, load_axis, norm, colours)
        figure.colorbar(
            ScalarMappable(norm, colours),
            ax=panels,
            label=label,
            shrink=0.7,
            aspect=30,
            extend="both",
        )
        if title:
            figure.suptitle(title, x=0.01, ha="left", fontsize=10.5, fontweight="bold")
    return figure


def value_limits(shown: Sequence[Shown], signed: bool) -> tuple[float, float]:
    """Return the values of the first and last colour: all but 2 % of the values at either end."""
    values = np.concatenate([one.values for one in shown])
    low, high = (float(v) for v in np.percentile(values, (2, 98)))
    if signed:
        high = max(abs(low), abs(high))
        low = -high
    return (low, high) if high > low else (low - 0.5, high + 0.5)


def paint_surface(
    axes: Axes,
    shown: Shown,
    load_axis: tuple[float, float, float],
    norm: Normalize,
    colours: Colormap,
) -> None:
    """Paint one surface with its scale bar and triad into axes."""
    surface = shown.surface
    frame = look_at(surface, load_axis)
    seen = surface.vertices @ frame.T
    triangles = seen[surface.faces]
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    front = np.flatnonzero(normals[:, 2] > 0.0)
    # The farthest first, so that nearer triangles cover them.
    front = front[np.argsort(triangles[front, :, 2].mean(1), kind="stable")]
    shade = (surface.normals @ frame.T)[surface.faces[front]].mean(1)
    bright = shade @ (_LIGHT / np.linalg.norm(_LIGHT))
    bright = _AMBIENT + (1 - _AMBIENT) * np.clip(bright / np.linalg.norm(shade, axis=1), 0, 1)
    rgb = colours(norm(shown.values[surface.faces[front]].mean(1)))[:, :3] * bright[:, None]
    axes.add_collection(
        # Edges in the faces' own colours close the hairlines between triangles.
        PolyCollection(
            list(triangles[front, :, :2]), facecolors=rgb, edgecolors=rgb, linewidths=0.3
        )
    )
    low, high = seen[:, :2].min(0), seen[:, :2].max(0)
    half = 0.5 * float((high - low).max()) * 1.05
    middle = (low + high) / 2
    axes.set_xlim(middle[0] - half, middle[0] + half)
    axes.set_ylim(middle[1] - 1.4 * half, middle[1] + half)
    axes.set_aspect("equal")
    _add_bar(axes, middle[0] - half, middle[1] - 1.33 * half, 2 * half)
    _add_triad(axes, frame, load_axis)
    axes.set_title(shown.title, loc="left")


def look_at(surface: Surface, load_axis: tuple[float, float, float]) -> NDArray[np.float64]:
    """Return the view of a surface that shows most of it.

    Parameters
    ----------
    surface : Surface
        The surface.
    load_axis : tuple of float
        Load axis, (z, y, x); it points up.

    Returns
    -------
    ndarray of float64, shape (3, 3)
        Rows are to the right, up, and towards the eye, in (x, y, z): of twelve turns about the
        load axis, looking down by `TILT_DEG`, the one of the largest outline.
    """
    up = np.array(load_axis[::-1]) / np.linalg.norm(load_axis)
    # The scan's axis least along the load, whatever the surface: views of one scan stay alike.
    across = np.cross(up, np.eye(3)[int(np.argmin(np.abs(up)))])
    across /= np.linalg.norm(across)
    beside = np.cross(up, across)
    t = surface.vertices[surface.faces]
    vectors = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    frames = []
    for turn in np.radians(_TURNS_DEG):
        level = math.cos(turn) * across + math.sin(turn) * beside
        tilt = math.radians(TILT_DEG)
        eye = math.cos(tilt) * level + math.sin(tilt) * up
        right = np.cross(up, eye)
        right /= np.linalg.norm(right)
        frames.append(np.stack([right, np.cross(eye, right), eye]))
    shown = [np.maximum(vectors @ frame[2], 0.0).sum() for frame in frames]
    # Opposite views show the same outline up to rounding: the first of them.
    return frames[int(np.argmax(np.round(np.array(shown) / max(shown), 6)))]


def _add_bar(axes: Axes, x: float, y: float, width_um: float) -> None:
    length = bar_length_um(width_um)
    axes.plot([x + width_um - length, x + width_um], [y, y], color=INK, lw=2.0, clip_on=False)
    axes.text(
        x + width_um - length / 2,
        y + 0.015 * width_um,
        f"{length:g} µm",
        ha="center",
        va="bottom",
        fontsize=7.5,
    )


def _add_triad(
    axes: Axes, frame: NDArray[np.float64], load_axis: tuple[float, float, float]
) -> None:
    """Draw the scan's axes and the load axis in the lower left corner."""
    corner = axes.inset_axes((0.0, 0.0, 0.24, 0.24))
    corner.set_axis_off()
    corner.set(xlim=(-1.5, 1.5), ylim=(-1.5, 1.5), aspect="equal")
    load = np.array(load_axis[::-1]) / np.linalg.norm(load_axis)
    arrows = [("x", np.eye(3)[0]), ("y", np.eye(3)[1]), ("z", np.eye(3)[2])]
    along = [name for name, way in arrows if abs(way @ load) > 0.999]
    arrows.append((f"load, {along[0]}" if along else "load", load))
    for name, way in arrows:
        if name in along:
            continue
        x, y = (frame @ way)[:2]
        strong = name.startswith("load")
        corner.annotate(
            "",
            (x, y),
            (0, 0),
            arrowprops={
                "arrowstyle": "->",
                "color": INK if strong else QUIET,
                "lw": 1.6 if strong else 1.0,
                "shrinkA": 0,
                "shrinkB": 0,
            },
        )
        corner.text(
            1.3 * x, 1.3 * y, name, ha="center", va="center", fontsize=7,
            color=INK if strong else QUIET,
        )  # fmt: skip
