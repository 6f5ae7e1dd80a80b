"""Shape classes of particles, by rules on descriptors, each with its margin to the next class."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

ZINGG = 2.0 / 3.0
"""Ratio of axes under which a body counts as elongated or flat (Zingg 1935)."""

FILLED = 0.4
"""Solidity under which a body branches (common practice, no source)."""

LOOPED = 1.5
"""Tunnels above which a branching body is a network: two or more."""

COMPACT, NEEDLE, PLATELET, BRANCHED, NETWORK = range(5)
NAMES = np.array(["compact", "needle", "platelet", "branched", "network"])


def classify_shapes(columns: dict[str, NDArray[np.generic]]) -> dict[str, NDArray[np.generic]]:
    """Put every particle into one of five classes.

    A body that fills less than `FILLED` of its convex hull is *branched*, and a *network* if it has
    two tunnels or more.  Any other is, by the ratios of its axes, *compact* (both above `ZINGG`),
    a *platelet* (the shorter two differ more) or a *needle* (the longer two differ more).

    Parameters
    ----------
    columns : dict of str to ndarray
        Columns of the particles: elongation, flatness, solidity, n_tunnels.

    Returns
    -------
    dict of str to ndarray
        ``shape_class`` and ``shape_margin``: the least change, as a natural logarithm of a ratio,
        that would put the particle into another class; for tunnels, their number less 1.5.
    """
    solidity, tunnels, elongation, flatness = (
        columns[name].astype(np.float64)
        for name in ("solidity", "n_tunnels", "elongation", "flatness")
    )
    filled = np.log(solidity / FILLED)
    looped = tunnels - LOOPED
    longer, flatter = np.log(elongation / ZINGG), np.log(flatness / ZINGG)
    branching = filled < 0.0
    compact = np.minimum(longer, flatter) >= 0.0
    platelet = ~compact & (flatter < longer)
    kind = np.where(compact, COMPACT, np.where(platelet, PLATELET, NEEDLE))
    kind = np.where(branching, np.where(looped > 0.0, NETWORK, BRANCHED), kind)
    by_axes = np.where(
        compact,
        np.minimum(longer, flatter),
        np.minimum(-np.minimum(longer, flatter), np.abs(longer - flatter)),
    )
    margin = np.minimum(np.abs(filled), np.where(branching, np.abs(looped), by_axes))
    return {"shape_class": NAMES[kind], "shape_margin": margin}
