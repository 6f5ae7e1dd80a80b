"""What is true of a simulated specimen: a table of its bodies and a count of its voxels.

The table lists every body whose bounding box meets the specimen, that is the cylinder between the
first and the last plane of the volume.  Positions are measured as the catalogue measures centroids,
from the low faces of the volume: the centre of the first voxel lies at half a voxel.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.model.grid import Box, TileGrid
from pipeline.phantom.bodies import PLATE, Bodies, BodyField, body_volumes_vx, in_cylinder
from pipeline.phantom.render import Renderer
from pipeline.phantom.specimen import COPPER, IRON, OUTSIDE, PHASE_NAMES, PORE, SpecimenSpec

KINDS = {PORE: "pore", IRON: "platelet", COPPER: "particle"}
TRUTH_SCHEMA = pa.schema(
    [
        ("kind", pa.string()),
        ("phase", pa.uint8()),
        ("body_id", pa.int64()),
        ("parent_id", pa.int64()),
        ("temper", pa.string()),
        ("on_platelet", pa.bool_()),
        ("whole", pa.bool_()),
        ("volume_um3", pa.float64()),
        ("volume_inside_um3", pa.float64()),
        ("equivalent_diameter_um", pa.float64()),
        ("semi_u_um", pa.float64()),
        ("semi_v_um", pa.float64()),
        ("semi_w_um", pa.float64()),
        ("span_low_um", pa.float64()),
        ("span_high_um", pa.float64()),
        ("centre_z_um", pa.float64()),
        ("centre_y_um", pa.float64()),
        ("centre_x_um", pa.float64()),
        ("axis_u_z", pa.float64()),
        ("axis_u_y", pa.float64()),
        ("axis_u_x", pa.float64()),
        ("normal_z", pa.float64()),
        ("normal_y", pa.float64()),
        ("normal_x", pa.float64()),
    ]
)
"""Columns of the table of bodies.

``semi_u`` and ``semi_v`` are the longer and the other semi-axis in the plane of a platelet,
``semi_w`` half its thickness; for particles and pores they are the three semi-axes.  ``centre`` is
that of the whole ellipse, also for a fragment, which reaches from ``span_low`` to ``span_high``
along the u axis.  ``parent_id`` is the platelet that a fragment comes from or that carries a
particle.  ``volume_um3`` is analytic; ``volume_inside_um3`` is null for a body that may be cut by
the surface or an end of the specimen.  Bodies may overlap: see `pipeline.phantom.bodies`.
"""


def truth_table(spec: SpecimenSpec, bodies: Bodies) -> pa.Table:
    """Return the rows of the table of bodies.

    Parameters
    ----------
    spec : SpecimenSpec
        The specimen.
    bodies : structured array of `pipeline.phantom.bodies.BODY_DTYPE`
        The bodies; each becomes a row, in the same order.

    Returns
    -------
    pyarrow.Table
        Columns of `TRUTH_SCHEMA`.
    """
    um = spec.voxel_um
    volume = body_volumes_vx(bodies) * um**3
    last = np.asarray(spec.size_vx[0]) - 0.5
    whole = in_cylinder(spec, bodies)[1]
    whole &= (bodies["low"][:, 0] >= -0.5) & (bodies["high"][:, 0] <= last)
    # A body beyond the volume's side faces is cut too, where the cylinder is wider than they are.
    for axis in (1, 2):
        whole &= bodies["low"][:, axis] >= -0.5
        whole &= bodies["high"][:, axis] <= spec.size_vx[axis] - 0.5
    plate = bodies["shape"] == PLATE
    columns: dict[str, Any] = {
        "kind": [KINDS[int(p)] for p in bodies["phase"]],
        "phase": bodies["phase"],
        "body_id": bodies["body_id"],
        "parent_id": pa.array(bodies["parent_id"], mask=bodies["parent_id"] < 0),
        "temper": [spec.temper] * len(bodies),
        "on_platelet": bodies["on_platelet"],
        "whole": whole,
        "volume_um3": volume,
        "volume_inside_um3": pa.array(volume, mask=~whole),
        "equivalent_diameter_um": np.cbrt(6 * volume / np.pi),
        "span_low_um": pa.array(bodies["span"][:, 0] * um, mask=~plate),
        "span_high_um": pa.array(bodies["span"][:, 1] * um, mask=~plate),
    }
    for i, name in enumerate("uvw"):
        columns[f"semi_{name}_um"] = bodies["semi"][:, i] * um
    for i, name in enumerate("zyx"):
        columns[f"centre_{name}_um"] = (bodies["centre"][:, i] + 0.5) * um
        columns[f"axis_u_{name}"] = bodies["axes"][:, 0, i]
        columns[f"normal_{name}"] = bodies["axes"][:, 2, i]
    return pa.table({name: columns[name] for name in TRUTH_SCHEMA.names}, schema=TRUTH_SCHEMA)


def specimen_bodies(spec: SpecimenSpec) -> Iterator[Bodies]:
    """Yield the bodies of a specimen, one layer of cells along z after the other."""
    field = BodyField(spec)
    volume = Box((0, 0, 0), spec.size_vx)
    layers, ys, xs = field.cells_near(volume)
    low, high = np.full(3, -0.5), np.asarray(spec.size_vx) - 0.5
    for z in layers:
        bodies = np.concatenate([field.cell((z, y, x)) for y in ys for x in xs])
        meets = np.all((bodies["high"] >= low) & (bodies["low"] <= high), axis=1)
        yield bodies[meets & in_cylinder(spec, bodies)[0]]


def write_truth(spec: SpecimenSpec, path: Path) -> int:
    """Write the table of bodies, without ever holding all of it.

    Parameters
    ----------
    spec : SpecimenSpec
        The specimen; it is recorded in the metadata of the file.
    path : Path
        Parquet file to write.

    Returns
    -------
    int
        Number of bodies.
    """
    schema = TRUTH_SCHEMA.with_metadata({"specimen": json.dumps(asdict(spec))})
    n_bodies = 0
    with pq.ParquetWriter(path, schema) as writer:
        for bodies in specimen_bodies(spec):
            if len(bodies):
                table = truth_table(spec, bodies)
                writer.write_table(table.replace_schema_metadata(schema.metadata))
                n_bodies += len(bodies)
    return n_bodies


@dataclass(frozen=True, slots=True)
class Census:
    """How many voxels of each phase a specimen has, by the phase at each voxel's centre.

    Parameters
    ----------
    n_voxels : dict of str to int
        Voxels by name of the phase, dark to bright.
    """

    n_voxels: dict[str, int]

    @property
    def n_voxels_specimen(self) -> int:
        """Voxels of the specimen, all phases together."""
        return sum(self.n_voxels.values())

    @property
    def fractions(self) -> dict[str, float]:
        """Volume fractions within the specimen."""
        total = max(self.n_voxels_specimen, 1)
        return {name: n / total for name, n in self.n_voxels.items()}


def census_of(counts: NDArray[np.int64]) -> Census:
    """Return the census of voxel counts by phase number, as `numpy.bincount` gives them."""
    return Census({name: int(counts[i]) for i, name in enumerate(PHASE_NAMES)})


def count_phases(phases: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Return the number of voxels of each phase number, 0 to 255."""
    return np.bincount(phases.ravel(), minlength=OUTSIDE + 1)


def truth_census(
    spec: SpecimenSpec, on_progress: Callable[[int, int], None] | None = None
) -> Census:
    """Count the voxels of each phase of a specimen, tile by tile.

    Parameters
    ----------
    spec : SpecimenSpec
        The specimen.
    on_progress : callable, optional
        Called with voxels done and voxels in all.

    Returns
    -------
    Census
        Exact counts of the phase map.
    """
    renderer = Renderer(spec)
    counts = np.zeros(OUTSIDE + 1, np.int64)
    done, total = 0, Box((0, 0, 0), spec.size_vx).n_voxels
    for tile in TileGrid(spec.size_vx, (128, 256, 256)):
        counts += count_phases(renderer.phases(tile.core))
        done += tile.core.n_voxels
        if on_progress is not None:
            on_progress(done, total)
    return census_of(counts)


@dataclass(frozen=True, slots=True)
class ConnectedTruth:
    """Connected particles of one phase in an exact phase map.

    Parameters
    ----------
    n_particles : int
        Number of particles.
    largest_voxels : int
        Voxels of the largest.
    """

    n_particles: int
    largest_voxels: int


def connected_truth(
    phases: NDArray[np.uint8], connectivity: int = 26, min_voxels: int = 1
) -> dict[str, ConnectedTruth]:
    """Label the exact phase map: bodies that touch or cross count as one particle.

    Parameters
    ----------
    phases : (z, y, x) uint8
        Phase map of a volume that fits into memory (labels take four bytes a voxel).
    connectivity : {6, 18, 26}
        Neighbours that connect.
    min_voxels : int
        Smaller particles are not counted.

    Returns
    -------
    dict of str to ConnectedTruth
        For pores, iron-rich and copper-rich phase.
    """
    structure = ndimage.generate_binary_structure(3, {6: 1, 18: 2, 26: 3}[connectivity])
    truth = {}
    for phase in (PORE, IRON, COPPER):
        labels, _ = ndimage.label(phases == phase, structure=structure)
        sizes = np.bincount(labels.ravel())[1:]
        sizes = sizes[sizes >= min_voxels]
        truth[PHASE_NAMES[phase]] = ConnectedTruth(len(sizes), int(sizes.max(initial=0)))
    return truth
