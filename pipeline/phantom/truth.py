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
from pipeline.phantom.bodies import BodyField, in_cylinder, pose_bodies
from pipeline.phantom.lattice import BENT_PLATE, CAPSULE, PLATE, ROLES, SCRIPT, Bodies
from pipeline.phantom.render import Renderer
from pipeline.phantom.specimen import COPPER, IRON, OUTSIDE, PHASE_NAMES, PORE, SpecimenSpec
from pipeline.phantom.volumes import body_volumes_vx, counted_volume_vx, has_formula

KINDS = {PORE: "pore", IRON: "platelet", COPPER: "particle"}
TRUTH_SCHEMA = pa.schema(
    [
        ("kind", pa.string()),
        ("role", pa.string()),
        ("phase", pa.uint8()),
        ("body_id", pa.int64()),
        ("parent_id", pa.int64()),
        ("temper", pa.string()),
        ("on_platelet", pa.bool_()),
        ("walled", pa.bool_()),
        ("open_to_surface", pa.bool_()),
        ("whole", pa.bool_()),
        ("volume_um3", pa.float64()),
        ("volume_inside_um3", pa.float64()),
        ("volume_exact", pa.bool_()),
        ("equivalent_diameter_um", pa.float64()),
        ("semi_u_um", pa.float64()),
        ("semi_v_um", pa.float64()),
        ("semi_w_um", pa.float64()),
        ("span_low_um", pa.float64()),
        ("span_high_um", pa.float64()),
        ("bend_um", pa.float64()),
        ("n_holes", pa.int64()),
        ("n_parts", pa.int64()),
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

``kind`` is pore, platelet, script or particle; ``role`` tells plain bodies from branches, walls,
script-like bodies, shrinkage pores and open pores (`pipeline.phantom.lattice.ROLES`).

``semi_u`` and ``semi_v`` are the longer and the other semi-axis in the plane of a platelet,
``semi_w`` half its thickness; for particles and pores they are the three semi-axes.  ``centre`` is
that of the whole ellipse, also for a fragment or a branch, which reaches from ``span_low`` to
``span_high`` along the u axis.  ``bend_um`` is the height of a bent platelet's mid-surface at the
ends of its longer axis above its middle.  A tree of ``n_parts`` capsules has neither axes nor
semi-axes; its ``centre`` is that of its bounding box.

``parent_id`` is the platelet that a fragment comes from, that a branch leaves or that carries a
particle, or the pore that a platelet walls in.  ``walled`` pores have platelets of their own;
``open_to_surface`` says whether a pore reaches through the surface of the cylinder, exactly.

``volume_um3`` is analytic where ``volume_exact``, else counted on a lattice of a sixth of a voxel;
``volume_inside_um3`` is that of the part in the specimen: of trees it is counted, unless the
specimen has a pose; of other bodies it is null where the surface or an end of the specimen may cut
them.  Bodies may overlap: see `pipeline.phantom.bodies`.
"""


def body_starts(bodies: Bodies) -> NDArray[np.int64]:
    """Return where each body starts: the parts of one follow each other."""
    ids = bodies["body_id"]
    return np.flatnonzero(np.append(True, ids[1:] != ids[:-1])[: len(ids)])


def truth_table(spec: SpecimenSpec, bodies: Bodies) -> pa.Table:
    """Return the rows of the table of bodies.

    Parameters
    ----------
    spec : SpecimenSpec
        The specimen.
    bodies : structured array of `pipeline.phantom.lattice.BODY_DTYPE`
        The bodies, each with all of its parts; each becomes a row, in the same order.

    Returns
    -------
    pyarrow.Table
        Columns of `TRUTH_SCHEMA`.
    """
    um = spec.voxel_um
    starts = body_starts(bodies)
    one = bodies[starts]  # the first part stands for its body in all that parts share
    n_parts = np.diff(np.append(starts, len(bodies)))
    whole = _are_whole(spec, bodies, starts)
    volume, inside, exact = _volumes_vx(spec, bodies, starts, whole)
    tree = one["shape"] == CAPSULE
    plate = (one["shape"] == PLATE) | (one["shape"] == BENT_PLATE)
    centre = one["centre"].copy()
    if len(starts):
        low = np.minimum.reduceat(bodies["low"], starts)
        high = np.maximum.reduceat(bodies["high"], starts)
        centre[tree] = 0.5 * (low + high)[tree]
    kinds = [
        "script" if role == SCRIPT else KINDS[int(phase)]
        for phase, role in zip(one["phase"], one["role"], strict=True)
    ]
    columns: dict[str, Any] = {
        "kind": kinds,
        "role": [ROLES[int(role)] for role in one["role"]],
        "phase": one["phase"],
        "body_id": one["body_id"],
        "parent_id": pa.array(one["parent_id"], mask=one["parent_id"] < 0),
        "temper": [spec.temper] * len(one),
        "on_platelet": one["on_platelet"],
        "walled": one["walled"],
        "open_to_surface": _are_open(spec, bodies, starts),
        "whole": whole,
        "volume_um3": volume * um**3,
        "volume_inside_um3": pa.array(inside * um**3, mask=np.isnan(inside)),
        "volume_exact": exact,
        "equivalent_diameter_um": np.cbrt(6 * volume / np.pi) * um,
        "span_low_um": pa.array(one["span"][:, 0] * um, mask=~plate),
        "span_high_um": pa.array(one["span"][:, 1] * um, mask=~plate),
        "bend_um": pa.array(0.5 * one["bend"] * one["semi"][:, 0] ** 2 * um, mask=~plate),
        "n_holes": np.sum(one["holes"][:, :, 2] > 0, axis=1),
        "n_parts": n_parts,
    }
    for i, name in enumerate("uvw"):
        columns[f"semi_{name}_um"] = pa.array(one["semi"][:, i] * um, mask=tree)
    for i, name in enumerate("zyx"):
        columns[f"centre_{name}_um"] = (centre[:, i] + 0.5) * um
        columns[f"axis_u_{name}"] = pa.array(one["axes"][:, 0, i], mask=tree)
        columns[f"normal_{name}"] = pa.array(one["axes"][:, 2, i], mask=tree)
    return pa.table({name: columns[name] for name in TRUTH_SCHEMA.names}, schema=TRUTH_SCHEMA)


def _are_whole(spec: SpecimenSpec, bodies: Bodies, starts: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell which bodies lie wholly in the specimen, by their bounding boxes."""
    whole = in_cylinder(spec, bodies)[1]
    # A body beyond the volume's side faces is cut too, where the cylinder is wider than they are.
    for axis in range(3):
        whole &= bodies["low"][:, axis] >= -0.5
        whole &= bodies["high"][:, axis] <= spec.size_vx[axis] - 0.5
    return np.logical_and.reduceat(whole, starts) if len(starts) else whole


def _are_open(spec: SpecimenSpec, bodies: Bodies, starts: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell which bodies are pores that reach both sides of the cylinder's surface.

    Pores are spheres and capsules: the distance of their points from the axis of the cylinder is
    largest about the ends of their lines.
    """
    bodies = pose_bodies(spec, bodies, back=True)
    reach = np.where(bodies["shape"] == CAPSULE, bodies["semi"][:, 0], 0.0)
    line = reach[:, None] * bodies["axes"][:, 0, 1:]
    middle = bodies["centre"][:, 1:] - np.asarray(spec.axis_vx)
    ends = np.stack([np.hypot(*(middle + line).T), np.hypot(*(middle - line).T)])
    radius = bodies["semi"][:, 2]
    out = ends.max(axis=0) + radius > spec.radius_vx
    within = ends.min(axis=0) - radius < spec.radius_vx
    if not len(starts):
        return out
    there = np.logical_or.reduceat(out, starts) & np.logical_or.reduceat(within, starts)
    return there & (bodies["phase"][starts] == PORE)


def _volumes_vx(
    spec: SpecimenSpec, bodies: Bodies, starts: NDArray[np.int64], whole: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Return volumes, volumes inside (NaN where unknown), and whether they are analytic."""
    one = bodies[starts]
    volume, exact = body_volumes_vx(one), has_formula(one) & (one["shape"] != CAPSULE)
    inside = np.where(whole, volume, np.nan)
    ends = np.append(starts[1:], len(bodies))
    for i in np.flatnonzero(~exact):
        parts = bodies[starts[i] : ends[i]]
        volume[i] = counted_volume_vx(parts)
        if whole[i]:
            inside[i] = volume[i]
        elif one["shape"][i] == CAPSULE and spec.pose.is_plain:
            inside[i] = counted_volume_vx(parts, spec)
    return volume, inside, exact


def specimen_bodies(spec: SpecimenSpec) -> Iterator[Bodies]:
    """Yield the bodies of a specimen, one layer of cells along z after the other.

    A body comes with all of its parts if the bounding box of one of them meets the specimen.
    """
    field = BodyField(spec)
    volume = Box((0, 0, 0), spec.size_vx)
    layers, ys, xs = field.cells_near(volume)
    low, high = np.full(3, -0.5), np.asarray(spec.size_vx) - 0.5
    for z in layers:
        bodies = np.concatenate([field.cell((z, y, x)) for y in ys for x in xs])
        bodies = pose_bodies(spec, bodies)
        meets = np.all((bodies["high"] >= low) & (bodies["low"] <= high), axis=1)
        meets &= in_cylinder(spec, bodies)[0]
        starts = body_starts(bodies)
        if len(starts):
            n_parts = np.diff(np.append(starts, len(bodies)))
            meets = np.repeat(np.logical_or.reduceat(meets, starts), n_parts)
        yield bodies[meets]


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
                n_bodies += table.num_rows
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
