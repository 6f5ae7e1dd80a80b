"""Slices of a scan: grey levels, phases, and grey with the outlines of phases."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from pipeline.model.recipe import OUTSIDE
from pipeline.report.style import INK, OUTSIDE_COLOUR, add_bar, phase_colours, styled

Voxels2d = NDArray[Any]


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
    with styled():
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


def draw_section(
    grey: Voxels2d,
    phases: Voxels2d,
    outlines: Mapping[int, tuple[str, str]],
    voxel_um: tuple[float, float],
    directions: str = "xy",
) -> Figure:
    """Draw a section twice: bare, and with thin outlines of its phases.

    Parameters
    ----------
    grey : ndarray, shape (rows, columns)
        Grey levels of the scan.
    phases : ndarray of uint8, shape (rows, columns)
        Phase map.
    outlines : mapping of int to (str, str)
        Position of each phase that is outlined: its name and its colour.
    voxel_um : tuple of float
        Edge of a voxel along rows and along columns, in um.
    directions : str
        Names of the directions across and down.

    Returns
    -------
    Figure
        Two pictures of the same place and scale.
    """
    rows, columns = grey.shape
    height = 4.3 * rows * voxel_um[0] / (columns * voxel_um[1])
    with styled():
        figure = Figure(figsize=(9.2, min(max(height, 1.3), 9.0) + 0.85), layout="constrained")
        left, right = figure.subplots(1, 2, sharex=True, sharey=True)
        for axes in (left, right):
            paint_grey(axes, grey, voxel_um, directions)
        for position, (_, colour) in outlines.items():
            paint_outline(right, phases == position, voxel_um, colour)
        left.set_title("grey levels of the scan", loc="left")
        right.set_title("the same, phases outlined", loc="left")
        right.set_ylabel("")
        right.tick_params(labelleft=False)
        lines = [Line2D([], [], color=c, lw=2.0, label=n) for n, c in outlines.values()]
        figure.legend(handles=lines, loc="outside lower center", ncols=max(len(lines), 1))
    return figure


def paint_outline(
    axes: Axes,
    inside: NDArray[np.bool_],
    voxel_um: tuple[float, float],
    colour: str,
    width: float = 0.7,
) -> None:
    """Paint a thin line about the pixels inside, along the picture's border too."""
    if not inside.any():
        return
    padded = np.pad(inside, 1).astype(np.float32)
    down = (np.arange(padded.shape[0]) - 0.5) * voxel_um[0]
    across = (np.arange(padded.shape[1]) - 0.5) * voxel_um[1]
    lines = axes.contour(across, down, padded, levels=[0.5], colors=[colour], linewidths=width)
    # Thousands of vertices are a picture's business, not that of a drawing.
    lines.set_rasterized(True)


def paint_grey(
    axes: Axes,
    grey: Voxels2d,
    voxel_um: tuple[float, float],
    directions: str = "xy",
    shown: NDArray[np.bool_] | None = None,
    limits: tuple[float, float] | None = None,
) -> None:
    """Paint grey levels with a scale bar.

    Where `shown` is False nothing is painted.  Black and white are those of `limits`, else of
    `grey_limits`.
    """
    low, high = grey_limits(grey) if limits is None else limits
    extent = _extent(grey, voxel_um)
    picture = grey if shown is None else np.ma.masked_array(grey, ~shown)
    axes.imshow(picture, cmap="gray", vmin=low, vmax=high, extent=extent)
    # Outlines go a pixel beyond the picture, which is not to grow by it.
    axes.autoscale(False)
    _label_axes(axes, directions)
    add_bar(axes, extent[1], extent[2])


def grey_limits(grey: NDArray[Any]) -> tuple[float, float]:
    """Return black and white of a picture: all but the outermost 0.2 % of greys on either side."""
    known = grey[np.isfinite(grey)]
    if known.size == 0:
        return 0.0, 1.0
    low, high = (float(v) for v in np.percentile(known, (0.2, 99.8)))
    # A picture of one grey level needs some range all the same.
    return low, max(high, low + 1e-6 * max(abs(low), 1.0))


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


def _extent(picture: Voxels2d, voxel_um: tuple[float, float]) -> tuple[float, float, float, float]:
    return (0.0, picture.shape[1] * voxel_um[1], picture.shape[0] * voxel_um[0], 0.0)


def _label_axes(axes: Axes, directions: str = "xy") -> None:
    axes.set_xlabel(f"{directions[0]} (µm)")
    axes.set_ylabel(f"{directions[1]} (µm)")
    for side in ("top", "right"):
        axes.spines[side].set_visible(True)
