"""Contacts of particles from the whole volume, by NumPy."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.tally import BEYOND
from pipeline.model.recipe import OUTSIDE

Key = tuple[str, int, str, int]


def count_contacts_whole(
    labels: dict[str, NDArray[Any]], phases: NDArray[np.uint8], names: list[str]
) -> dict[Key, tuple[int, ...]]:
    """Count the faces between particles and what they touch.

    Parameters
    ----------
    labels : dict of str to ndarray
        Particle ids by phase.
    phases : ndarray of uint8
        Phase map.
    names : list of str
        Names of the phases by their value.

    Returns
    -------
    dict
        Faces across z, y and x by phase, particle, phase and particle touched, 0 for none.
    """
    ids = np.zeros(phases.shape, np.int64)
    for volume in labels.values():
        ids += volume.astype(np.int64)
    kinds = np.pad(phases, 1, constant_values=BEYOND).astype(np.int64)
    ids = np.pad(ids, 1)
    known = {**dict(enumerate(names)), OUTSIDE: "outside", BEYOND: "border"}
    found: dict[Key, list[int]] = {}
    for axis in range(3):
        n = kinds.shape[axis]
        low, high = np.arange(n - 1), np.arange(1, n)
        for one, two in ((low, high), (high, low)):
            here, there = np.take(kinds, one, axis), np.take(kinds, two, axis)
            mine, other = np.take(ids, one, axis), np.take(ids, two, axis)
            face = (mine > 0) & (here != there)
            rows = np.stack([here[face], mine[face], there[face], other[face]])
            keys, counts = np.unique(rows, axis=1, return_counts=True)
            for (a, b, c, d), count in zip(keys.T.tolist(), counts.tolist(), strict=True):
                found.setdefault((known[a], b, known[c], d), [0, 0, 0])[axis] += count
    return {key: tuple(value) for key, value in found.items()}
