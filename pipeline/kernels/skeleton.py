"""Skeletons of bodies as graphs: junctions, branches and ends."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from skimage.morphology import skeletonize

STEPS = np.array([s for s in product((-1, 0, 1), repeat=3) if any(s)])
"""Steps to the 26 neighbours."""


def count_skeleton(mask: NDArray[np.bool_]) -> tuple[int, int, int]:
    """Count the junctions, branches and ends of a body's skeleton.

    Parameters
    ----------
    mask : ndarray of bool, shape (z, y, x)
        The body.

    Returns
    -------
    tuple of int
        Junctions, branches, ends.  The skeleton is one voxel thick, by thinning that keeps
        topology (Lee, Kashyap & Chu 1994, CVGIP 56, 462; scikit-image).  A voxel with three or more
        of 26 neighbours belongs to a junction, neighbouring ones to the same; branches are what is
        left between junctions and ends, closed rings included; ends are voxels with at most one
        neighbour.

    Examples
    --------
    >>> cross = np.zeros((9, 9, 9), bool)
    >>> cross[4, 4, :] = cross[4, :, 4] = True
    >>> count_skeleton(cross)
    (1, 4, 4)
    """
    thinning: Any = skeletonize  # It has no types.
    thin = np.pad(np.asarray(thinning(mask)), 1)
    place = np.argwhere(thin)
    number = np.zeros(thin.shape, np.int32)
    number[thin] = np.arange(1, len(place) + 1)
    near = np.stack([number[tuple((place + step).T)] for step in STEPS], 1)
    degree = np.count_nonzero(near, axis=1)
    junction = degree >= 3
    return (
        _count_groups(near, junction),
        _count_groups(near, ~junction),
        int(np.count_nonzero(degree <= 1)),
    )


def _count_groups(near: NDArray[np.int32], chosen: NDArray[np.bool_]) -> int:
    """Return the connected groups of the chosen voxels."""
    n = len(chosen)
    one, side = np.nonzero(near)
    two = near[one, side] - 1
    kept = chosen[one] & chosen[two]
    graph = coo_array((np.ones(kept.sum(), np.int8), (one[kept], two[kept])), shape=(n, n))
    _, group = connected_components(graph.tocsr(), directed=False)
    return len(np.unique(group[chosen]))
