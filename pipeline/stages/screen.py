"""The screen of a scan: closed-form factors of every particle, from its row of the catalogue."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.errors import RecipeError
from pipeline.kernels.elasticity import lame_constants
from pipeline.kernels.screening import screen_particles
from pipeline.model.materials import Elastic

COLUMNS = [
    "phase",
    "particle_id",
    "n_voxels",
    "major_um",
    "intermediate_um",
    "minor_um",
    *(f"{name}_{a}" for name in ("major", "minor") for a in "zyx"),
    *(f"bbox_{a}_{end}_vx" for end in ("start", "stop") for a in "zyx"),
    "touches_border",
]
"""Columns of `particles` that the screen and the plan of a stress job read."""


def lame_of(elastic: Elastic) -> tuple[float, float]:
    """Return lambda and mu in GPa of a phase."""
    return lame_constants(elastic.youngs_gpa, elastic.poisson)


def find_matrix(kinds: Sequence[str], elastic: Sequence[Elastic]) -> int:
    """Return the position of the matrix: the only phase that is no particle.

    Raises
    ------
    RecipeError
        If there are several, or it is a void.
    """
    found = [i for i, kind in enumerate(kinds) if kind == "background"]
    if len(found) != 1:
        raise RecipeError(
            f"stress wants exactly one phase of kind background (the matrix), got {len(found)}."
        )
    if elastic[found[0]].is_void:
        raise RecipeError(
            "the matrix has a Young's modulus of 0: nothing carries the load.",
            "State its constants with --set elastic.NAME.youngs_gpa=...",
        )
    return found[0]


def screen_rows(
    particles: pa.Table,
    load_axis: tuple[float, float, float],
    matrix: Elastic,
    elastic: Mapping[str, Elastic],
) -> pa.Table:
    """Return the screen's columns for particles, in their order.

    Parameters
    ----------
    particles : pyarrow.Table
        Rows of `particles` with `COLUMNS`.
    load_axis : tuple of float
        Unit vector (z, y, x).
    matrix : Elastic
        Constants of the matrix.
    elastic : mapping of str to Elastic
        Constants by phase.

    Returns
    -------
    pyarrow.Table
        Columns phase, particle_id and those of `stress` whose names begin with ``screen_``.
    """
    n = particles.num_rows
    axes = _stack(particles, ["major_um", "intermediate_um", "minor_um"]) / 2.0
    major, minor = (_stack(particles, [f"{k}_{a}" for a in "zyx"]) for k in ("major", "minor"))
    frames = np.stack([major, np.cross(minor, major), minor], axis=1)
    phases = np.asarray(particles["phase"].to_pylist(), object)
    ids = particles["particle_id"].to_numpy()
    found = {name: np.zeros(n) for name in ("load", "worst", "matrix_load", "matrix_worst")}
    direction, rank = np.zeros((n, 3)), np.zeros(n, np.int64)
    for name in sorted(set(phases.tolist())):
        mine = np.flatnonzero(phases == name)
        screen = screen_particles(
            axes[mine], frames[mine], load_axis, lame_of(matrix), lame_of(elastic[name])
        )
        found["load"][mine], found["worst"][mine] = screen.inside_load, screen.inside_worst
        found["matrix_load"][mine] = screen.matrix_load
        found["matrix_worst"][mine] = screen.matrix_worst
        direction[mine] = screen.worst_direction
        key = screen.matrix_worst if elastic[name].is_void else screen.inside_worst
        order = np.lexsort((ids[mine], -key))
        rank[mine[order]] = np.arange(1, len(mine) + 1)
    columns: dict[str, object] = {"phase": phases.tolist(), "particle_id": ids}
    columns |= {f"screen_{name}": values for name, values in found.items()}
    columns |= {f"screen_worst_{a}": direction[:, i] for i, a in enumerate("zyx")}
    return pa.table(columns | {"screen_rank": rank})


def _stack(table: pa.Table, names: list[str]) -> NDArray[np.float64]:
    return np.stack([table[name].to_numpy() for name in names], axis=1).astype(np.float64)
