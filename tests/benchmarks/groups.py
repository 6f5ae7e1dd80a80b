"""Catalogues of groups of scans, written through the real stores, with a known truth.

Particles are lognormal in size about a median of their specimen's own; specimens scatter about
their group's.  Other columns follow from size and from noise.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from pipeline.model.records import PARTICLES, PHASES, SCANS, STATISTICS, Table
from pipeline.stores.catalogue import Catalogue

NOW = dt.datetime(2026, 1, 2, 3, 4, 5, tzinfo=dt.UTC)
PARTICLE_PHASES = ("pore", "iron-rich", "copper-rich")


@dataclass(frozen=True)
class Group:
    """Specimens of one temper: names, scans of each, and their diameters over 10 um."""

    temper: str
    specimens: Sequence[str]
    n_scans: int = 1
    size_factor: float = 1.0


@dataclass(frozen=True)
class Scatter:
    """Deviations of the logarithm of size: between specimens, between scans, between particles."""

    specimens: float = 0.1
    scans: float = 0.03
    particles: float = 0.5


def rows_of(table: Table, n: int, known: dict[str, Any], rng: np.random.Generator) -> pa.Table:
    """Return `n` rows: what is known, and noise, zeros or names in the other columns."""
    arrays = []
    for column in table.columns:
        kind = column.type
        if column.name in known:
            value = known[column.name]
            plain = isinstance(value, str | int | float | bool) or value is None
            arrays.append(pa.array([value] * n if plain else value, kind))
        elif pa.types.is_floating(kind):
            arrays.append(pa.array(rng.lognormal(0.0, 0.3, n), kind))
        elif pa.types.is_integer(kind):
            arrays.append(pa.array(rng.integers(0, 4, n), kind))
        elif pa.types.is_boolean(kind):
            arrays.append(pa.array(rng.random(n) < 0.1, kind))
        elif pa.types.is_timestamp(kind):
            arrays.append(pa.array([NOW] * n, kind))
        elif pa.types.is_list(kind):
            arrays.append(pa.array([[]] * n, kind))
        else:
            arrays.append(pa.array([column.name] * n, kind))
    return pa.table(arrays, schema=table.schema)


def write_scan(
    catalogue: Catalogue,
    scan_id: str,
    facts: dict[str, Any],
    n_particles: int,
    log_size: float,
    spread: float,
    rng: np.random.Generator,
) -> None:
    """Commit one scan with particles of three phases."""
    key = {"scan_id": scan_id, "job": f"job-{scan_id}"}
    circumstances = {
        "condition": None, "alloy": "CC-319R", "operator": None, "tube_kv": 60.0,
        "tube_power_w": None, "beam_energy_kev": None, "voxel_z_um": 2.0, "voxel_y_um": 2.0,
        "voxel_x_um": 2.0, "recipe_hash": "abc", "code_version": "0.1.0",
        "mask_volume_um3": 1e9, "heat_treatment": [[]],
    }  # fmt: skip
    scan = rows_of(SCANS, 1, {**circumstances, **key, **facts}, rng)
    names = [*PARTICLE_PHASES, "matrix"]
    kinds = ["particles"] * 3 + ["background"]
    phases = rows_of(PHASES, 4, {**key, "phase": names, "kind": kinds, "position": range(4)}, rng)
    diameter = np.exp(rng.normal(log_size, spread, n_particles))
    particles = rows_of(
        PARTICLES,
        n_particles,
        {
            **key,
            "phase": [PARTICLE_PHASES[i % 3] for i in range(n_particles)],
            "particle_id": [1 + i // 3 for i in range(n_particles)],
            "equivalent_diameter_um": diameter,
            "volume_um3": np.pi / 6 * diameter**3,
        },
        rng,
    )
    statistics = rows_of(
        STATISTICS,
        3,
        {
            **key,
            "phase": list(PARTICLE_PHASES),
            "quantity": "volume_fraction",
            "reference": "",
            "at": None,
            "value": 0.01 * np.exp(rng.normal(3 * (log_size - np.log(10.0)), 0.05, 3)),
            "unit": "1",
            "note": "",
        },
        rng,
    )
    catalogue.commit(scan, phases, particles, {"statistics": statistics})


def write_groups(
    root: Path,
    groups: Sequence[Group],
    n_particles: int,
    scatter: Scatter = Scatter(),
    seed: int = 0,
    **facts: Any,
) -> Catalogue:
    """Write a catalogue of groups; a specimen of several groups keeps its own part of the scatter.

    Parameters
    ----------
    root : Path
        Folder of the catalogue.
    groups : sequence of Group
        Tempers.
    n_particles : int
        Particles of a scan.
    scatter : Scatter
        What parts specimens, scans and particles.
    seed : int
        Of all that is random.
    **facts
        Columns of every scan.

    Returns
    -------
    Catalogue
        With all scans committed.
    """
    catalogue, rng = Catalogue(root), np.random.default_rng(seed)
    own: dict[str, float] = {}
    for group in groups:
        for specimen in group.specimens:
            of_specimen = own.setdefault(specimen, float(rng.normal(0.0, scatter.specimens)))
            for number in range(group.n_scans):
                size = np.log(10.0 * group.size_factor) + of_specimen
                size += float(rng.normal(0.0, scatter.scans))
                write_scan(
                    catalogue,
                    f"{specimen}-{group.temper}-{number}",
                    {"specimen": specimen, "temper": group.temper, **facts},
                    n_particles,
                    size,
                    scatter.particles,
                    rng,
                )
    return catalogue
