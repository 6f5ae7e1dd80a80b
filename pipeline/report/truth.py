"""A census beside the truth of the simulated specimen that it was taken of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.phantom.specimen import PHASE_NAMES
from pipeline.phantom.truth import Census, connected_truth


@dataclass(frozen=True, slots=True)
class TruthRow:
    """One phase of one scan: what was counted and what is true.

    Parameters
    ----------
    phase : str
        Name of the phase.
    fraction, true_fraction : float
        Volume fractions, of the volume searched and of the whole specimen.
    true_fraction_searched : float
        What is true of the volume searched.
    n_particles, n_true : int
        Connected bodies of at least the recipe's smallest size, counted and in the exact phase map.
    largest_um3, largest_true_um3 : float
        Volume of the largest of them.
    """

    phase: str
    fraction: float
    true_fraction: float
    true_fraction_searched: float
    n_particles: int
    n_true: int
    largest_um3: float
    largest_true_um3: float


def compare_truth(
    phase_rows: Sequence[Mapping[str, Any]],
    census: Census,
    exact_phases: NDArray[np.uint8],
    searched: NDArray[np.bool_],
    voxel_um: float,
    connectivity: int,
) -> list[TruthRow]:
    """Set the catalogue's rows of phases beside the truth.

    Parameters
    ----------
    phase_rows : sequence of mapping
        Rows of the table of phases of one scan, in the order of the recipe.
    census : Census
        True voxels of each phase.
    exact_phases : ndarray of uint8, shape (z, y, x)
        Exact phase map.
    searched : ndarray of bool, shape (z, y, x)
        Voxels inside the specimen's mask.
    voxel_um : float
        Edge of a voxel.
    connectivity : int
        Neighbours that made two voxels one body.

    Returns
    -------
    list of TruthRow
        One for each phase of kind particles.
    """
    inside = np.bincount(exact_phases[searched], minlength=256)
    counted = [row for row in phase_rows if row["kind"] == "particles"]
    # Labelling takes most of the time here: once for each smallest size, mostly the same for all.
    truths = {
        n: connected_truth(exact_phases, connectivity, n)
        for n in {int(row["min_voxels"]) for row in counted}
    }
    rows = []
    for row in counted:
        name = str(row["phase"])
        truth = truths[int(row["min_voxels"])][name]
        rows.append(
            TruthRow(
                phase=name,
                fraction=float(row["volume_fraction"] or 0.0),
                true_fraction=census.fractions[name],
                true_fraction_searched=inside[PHASE_NAMES.index(name)] / max(inside.sum(), 1),
                n_particles=int(row["n_particles"]),
                n_true=truth.n_particles,
                largest_um3=float(row["largest_volume_um3"] or 0.0),
                largest_true_um3=truth.largest_voxels * voxel_um**3,
            )
        )
    return rows
