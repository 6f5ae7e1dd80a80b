"""Seams: which local ids of neighbouring tiles are one body.

Two tiles both label the layer that they share, so an equivalence is read off each of its voxels.
Every cell of 2x2x2 voxels lies wholly in the labelled box of exactly one tile, hence any two
neighbouring voxels were seen together by some tile, and the equivalences join all bodies.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Labels = NDArray[np.uint32]


def cut_faces(labels: Labels) -> dict[str, Labels]:
    """Return the layers of a tile's local ids that its neighbours also label.

    Parameters
    ----------
    labels : ndarray of uint32, shape (cz + 2, cy + 2, cx + 2)
        See `pipeline.kernels.bodies.TileBodies`.

    Returns
    -------
    dict of str to ndarray of uint32
        ``low_z low_y low_x``: first layer of the core on each axis (the other two axes span the
        core); ``high_z high_y high_x``: the shared layer above (the others span the core and the
        shared layer).
    """
    core, above = labels[1:-1, 1:-1, 1:-1], labels[1:, 1:, 1:]
    return {
        "low_z": core[0].copy(),
        "low_y": core[:, 0].copy(),
        "low_x": core[:, :, 0].copy(),
        "high_z": above[-1].copy(),
        "high_y": above[:, -1].copy(),
        "high_x": above[:, :, -1].copy(),
    }


def match_faces(
    step: tuple[int, int, int], mine: dict[str, Labels], other: dict[str, Labels]
) -> NDArray[np.uint32]:
    """Return the pairs of local ids that two tiles gave to the same voxels.

    Parameters
    ----------
    step : tuple of int
        Place of the other tile in the grid less this one's: each 0 or 1, not all 0.
    mine, other : dict
        Their layers, from `cut_faces`; or several planes of each, stacked along a first axis.

    Returns
    -------
    ndarray of uint32, shape (n, 2)
        Pairs (mine, other) without repetition, in ascending order.
    """
    axis = step.index(1)
    name = "zyx"[axis]
    rest = [step[i] for i in range(3) if i != axis]
    seen = mine[f"high_{name}"]
    owned = other[f"low_{name}"]
    # Along each further axis of the layer: the shared line above if the other tile is also a step
    # up there, else the lines that both cores span.
    seen = seen[(..., *(slice(-1, None) if s else slice(None, -1) for s in rest))]
    owned = owned[(..., *(slice(0, 1) if s else slice(None) for s in rest))]
    both = (seen > 0) & (owned > 0)
    packed = seen[both].astype(np.uint64) << np.uint64(32) | owned[both]
    # Neighbours along a line mostly say the same: sorting what is left takes a tenth of the time.
    packed = packed[np.append(True, packed[1:] != packed[:-1])] if packed.size else packed
    unique = np.unique(packed)
    return np.stack([unique >> np.uint64(32), unique & np.uint64(0xFFFFFFFF)], 1).astype(np.uint32)


@njit(nogil=True, cache=True)
def merge_pairs(
    parent: NDArray[np.int64], pairs: NDArray[np.uint32], mine: int, other: int
) -> None:
    """Join the trees of equivalent ids; the smallest id of a tree is its root.

    Parameters
    ----------
    parent : ndarray of int64
        Union-find forest over the ids of all tiles, updated in place.
    pairs : ndarray of uint32, shape (n, 2)
        Equivalent local ids of two tiles.
    mine, other : int
        What turns their local ids into indices of `parent`.
    """
    for k in range(pairs.shape[0]):
        a = np.int64(pairs[k, 0]) + mine
        b = np.int64(pairs[k, 1]) + other
        while parent[a] != a:
            parent[a] = parent[parent[a]]
            a = parent[a]
        while parent[b] != b:
            parent[b] = parent[parent[b]]
            b = parent[b]
        if a < b:
            parent[b] = a
        elif b < a:
            parent[a] = b


@njit(nogil=True, cache=True)
def flatten_forest(parent: NDArray[np.int64]) -> None:
    """Point every id at its root, in place; roots have smaller ids than their members."""
    for i in range(parent.size):
        parent[i] = parent[parent[i]]
