"""The grey histogram of a specimen, with what the thresholds were chosen by."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.report.style import INK, phase_colours, styled


def draw_histogram(
    histogram: NDArray[np.int64],
    thresholds: Sequence[float],
    names: Sequence[str],
    grey_gain: float = 1.0,
    grey_offset: float = 0.0,
    title: str = "",
    pure: Sequence[float | None] = (),
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
    pure : sequence of float or None
        Pure grey level of each phase, in levels of the scan, as far as known; marked above.

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
    with styled():
        figure = Figure(figsize=(7.2, 3.2), layout="constrained")
        axes = figure.subplots()
        limits = [levels[0], *thresholds, levels[-1]]
        for i, colour in enumerate(phase_colours(names)):
            axes.axvspan(limits[i], limits[i + 1], color=colour, alpha=0.35, lw=0, label=names[i])
        axes.stairs(np.maximum(counts, 0.5), levels, color=INK, lw=1.0, baseline=0.5)
        for threshold in thresholds:
            axes.axvline(threshold, color=INK, lw=0.8, ls=(0, (4, 2)))
        for level, colour in zip(pure, phase_colours(names), strict=False):
            if level is not None:
                axes.plot(level, 1.03, "v", ms=7, mfc=colour, mec=INK, mew=0.7, clip_on=False,
                          transform=axes.get_xaxis_transform())  # fmt: skip
        axes.set(yscale="log", ylim=(0.5, None), xlim=(levels[0], levels[-1]))
        axes.set_xlabel("grey level of the scan after denoising")
        axes.set_ylabel(f"voxels in a class of {width * grey_gain:g} levels")
        figure.legend(loc="outside lower center", ncols=len(names))
        if title:
            figure.suptitle(title, x=0.01, ha="left", fontsize=10.5, fontweight="bold")
    return figure
