"""Slices of a scan: grey levels, phases, and grey with the outlines of phases."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
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


def paint_grey(axes: Axes, grey: Voxels2d, voxel_um: tuple[float, float]) -> None:
    """Paint grey levels with a scale bar; the outermost 0.2 % on either side are clipped."""
    low, high = np.percentile(grey, (0.2, 99.8))
    extent = _extent(grey, voxel_um)
    axes.imshow(grey, cmap="gray", vmin=low, vmax=max(high, low + 1), extent=extent)
    _label_axes(axes)
    add_bar(axes, extent[1], extent[2])


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


def _label_axes(axes: Axes) -> None:
    axes.set_xlabel("x (µm)")
    axes.set_ylabel("y (µm)")
    for side in ("top", "right"):
        axes.spines[side].set_visible(True)
