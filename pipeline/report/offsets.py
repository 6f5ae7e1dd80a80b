"""Picture of what is left between the bodies of two scans after registration: a field of arrows.

A registration that is right leaves short arrows without order; one that is wrong, or a specimen
that was bent in between, leaves a field.
"""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.report.style import INK, QUIET, add_bar, styled

Reals = NDArray[np.float64]

SHOWN_SHARE = 0.06
"""Length of the median arrow, as a share of the picture's width."""

_VIEWS = (("seen along z", 2, 1), ("seen along y", 2, 0))


def draw_offsets(
    centroids_um: Reals, offsets_um: Reals, size_um: Reals, error_um: float
) -> Figure | None:
    """Draw the offset of each body at its place, enlarged, from two sides.

    Parameters
    ----------
    centroids_um : ndarray, shape (n, 3)
        Centroids in the scan before, (z, y, x).
    offsets_um : ndarray, shape (n, 3)
        Centroids of their partners, brought back, minus their own, (z, y, x).
    size_um : ndarray, shape (3,)
        Edges of the scan before.
    error_um : float
        Standard error of the registration.

    Returns
    -------
    Figure or None
        Two pictures in lengths of the scan before; None without a body.

    Examples
    --------
    >>> draw_offsets(np.zeros((0, 3)), np.zeros((0, 3)), np.ones(3), 0.1) is None
    True
    """
    if len(centroids_um) == 0:
        return None
    median = float(np.median(np.linalg.norm(offsets_um, axis=1)))
    times = SHOWN_SHARE * float(size_um[2]) / median if median > 0 else 1.0
    mean = offsets_um.mean(axis=0)
    with styled():
        figure = Figure(figsize=(7.2, 4.3), layout="constrained")
        for axes, (title, across, down) in zip(figure.subplots(1, 2), _VIEWS, strict=True):
            axes.quiver(
                *(centroids_um[:, i] for i in (across, down)),
                *(times * offsets_um[:, i] for i in (across, down)),
                angles="xy",
                scale_units="xy",
                scale=1,
                color=INK,
                width=0.004,
            )
            axes.plot(centroids_um[:, across], centroids_um[:, down], ".", color=QUIET, ms=3)
            axes.set(xlim=(0, size_um[across]), ylim=(size_um[down], 0), aspect="equal")
            axes.set(xticks=[], yticks=[], xlabel="zyx"[across], ylabel="zyx"[down])
            axes.set_title(title, loc="left")
            add_bar(axes, float(size_um[across]), float(size_um[down]))
        figure.suptitle(
            f"offsets of {len(centroids_um)} bodies, {times:.3g} times enlarged\n"
            f"median {median:.3g} µm, mean (z, y, x) {', '.join(f'{v:+.2g}' for v in mean)} µm; "
            f"error of the registration {error_um:.2g} µm",
            fontsize=8,
        )
    return figure
