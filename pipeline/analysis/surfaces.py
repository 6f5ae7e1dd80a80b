"""Surface and contact per volume, and the lengths that follow, from pairs of neighbouring voxels.

Only pairs with both voxels in the specimen count, so that the border of the field is no surface.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Counts = NDArray[np.int64]
Reals = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Steps:
    """The directions along which pairs were counted.

    Parameters
    ----------
    length_um : ndarray of float64, shape (k,)
        Distance between the voxels of a pair.
    weight : ndarray of float64, shape (k,)
        Share of the sphere that each direction stands for; they sum to 1.
    """

    length_um: Reals
    weight: Reals


def contact_density(pairs: Counts, steps: Steps, phase: int, other: int) -> float | None:
    """Return the area between two phases per volume.

    Parameters
    ----------
    pairs : ndarray of int64, shape (k, n_phases, n_phases)
        Pairs of voxels one step apart by direction and by the phases of both.
    steps : Steps
        The directions.
    phase, other : int
        Positions of the two phases, which differ.

    Returns
    -------
    float or None
        um2 per um3: twice the crossings per length, averaged over directions (Crofton; Ohser &
        Muecklich 2000, ch. 4).  None where no pair lies in the specimen.
    """
    totals = pairs.sum((1, 2))
    if not (totals > 0).any():
        return None
    density = 0.0
    share = 0.0
    for k, total in enumerate(totals.tolist()):
        if total:  # a volume one voxel thick has no pairs across it
            crossings = int(pairs[k, phase, other] + pairs[k, other, phase])
            density += (
                2.0 * float(steps.weight[k]) * crossings / (total * float(steps.length_um[k]))
            )
            share += float(steps.weight[k])
    return density / share


def surface_density(pairs: Counts, steps: Steps, phase: int) -> float | None:
    """Return the surface of a phase per volume, S_V in um2 per um3; see `contact_density`."""
    found = [
        contact_density(pairs, steps, phase, other)
        for other in range(pairs.shape[1])
        if other != phase
    ]
    known = [density for density in found if density is not None]
    return sum(known) if known else None


def mean_intercept_um(fraction: float, density: float) -> float | None:
    """Return the mean chord inside a phase, 4 V_V / S_V; None without surface."""
    return 4.0 * fraction / density if density > 0.0 else None


def mean_free_path_um(fraction: float, density: float) -> float | None:
    """Return the mean distance between bodies of a phase along a line, 4 (1 - V_V) / S_V.

    The same as (1 - A_A) / N_L of ASTM E1245, for N_L = S_V / 4.
    """
    return 4.0 * (1.0 - fraction) / density if density > 0.0 else None
