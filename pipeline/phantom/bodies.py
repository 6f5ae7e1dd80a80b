"""The bodies of a simulated specimen, found by box.

Bodies may overlap: where they do, pore wins over copper-rich, copper-rich over iron-rich, iron-rich
over matrix; and outside the cylinder there is air.  Where they come from is told in
`pipeline.phantom.lattice`.
"""

from __future__ import annotations

import math
from collections import OrderedDict

import numpy as np
from numpy.typing import NDArray

from pipeline.model.grid import Box, Triple
from pipeline.phantom.lattice import (
    BENT_PLATE,
    BODY_DTYPE,
    CAPSULE,
    CELL_VX,
    ELLIPSOID,
    PLATE,
    Bodies,
    draw,
    draw_numbers,
    new_bodies,
    random_frames,
)
from pipeline.phantom.platelets import (
    ASPECT,
    BRANCH_SIZE,
    broken_plates,
    enrich_plates_,
    flat_plates,
    height_of,
    is_pierced,
    shrink_plates_,
)
from pipeline.phantom.specimen import COPPER, IRON, PORE, SpecimenSpec
from pipeline.phantom.trees import open_pores, script_bodies, shrinkage_pores, tree_reach_vx

_ROUND = (0.7, 1.0)  # second and third over longest semi-axis of a copper-rich particle, uniform
_DISSOLVED_STREAM = 20
_CACHED_CELLS = 8192  # about 25 MB; enough for a slab of a volume 2048 voxels wide


def _mean_counts(spec: SpecimenSpec) -> dict[int, float]:
    """Return the mean number of bodies of each phase in a cell (Boolean model of grains)."""
    aspect = 0.5 * sum(ASPECT)
    plate = math.pi / 4 * spec.plate_diameter_vx.moment(2) * aspect
    plate *= spec.plate_thickness_vx.moment(1)
    ball = 4 / 3 * math.pi
    copper = ball * spec.copper_radius_vx.moment(3) * (0.5 * sum(_ROUND)) ** 2
    pore = ball * spec.pore_radius_vx.moment(3)
    aims = (
        (IRON, spec.iron_fraction, plate),
        (COPPER, spec.copper_fraction, copper),
        (PORE, spec.pore_fraction, pore),
    )
    return {phase: -math.log1p(-f) * CELL_VX**3 / volume for phase, f, volume in aims}


def _particles(spec: SpecimenSpec, cell: Triple, u: NDArray[np.float64], plates: Bodies) -> Bodies:
    """Return the copper-rich particles of a cell, a share of them on faces of its platelets."""
    particles = new_bodies(cell, COPPER, ELLIPSOID, u)
    particles["axes"] = random_frames(u[:, 3:6])
    low, high = _ROUND
    shape = np.concatenate([np.ones((len(u), 1)), low + (high - low) * u[:, 7:9]], axis=1)
    particles["semi"] = spec.copper_radius_vx.quantile(u[:, 6])[:, None] * shape
    if len(plates) == 0:
        return particles
    for i in np.flatnonzero(u[:, 9] < spec.copper_on_platelets):
        host = plates[int(u[i, 10] * len(plates))]
        phi, r = 2 * math.pi * u[i, 11], 0.9 * math.sqrt(u[i, 12])
        side = 1.0 if u[i, 13] < 0.5 else -1.0
        # Sunk in by half its smallest semi-axis: it touches the platelet before and after T6.
        height = side * (host["semi"][2] + 0.5 * particles["semi"][i].min())
        local = np.array(
            [r * math.cos(phi) * host["semi"][0], r * math.sin(phi) * host["semi"][1], height]
        )
        if is_pierced(host, local[0], local[1]):
            continue
        local[2] += height_of(host, local[0])
        particles["centre"][i] = host["centre"] + local @ host["axes"]
        particles["parent_id"][i] = host["body_id"]
        particles["on_platelet"][i] = True
    return particles


def _pores(spec: SpecimenSpec, cell: Triple, u: NDArray[np.float64]) -> Bodies:
    pores = new_bodies(cell, PORE, ELLIPSOID, u)
    pores["axes"] = np.eye(3)
    pores["semi"] = spec.pore_radius_vx.quantile(u[:, 6])[:, None]
    return pores


def bound_bodies(bodies: Bodies) -> Bodies:
    """Fill in the bounding boxes."""
    axes, semi, span = bodies["axes"], bodies["semi"], bodies["span"]
    spread = semi[:, :, None] * axes
    round_ = np.sqrt(np.sum(spread**2, axis=1))
    disc = np.sqrt(np.sum(spread[:, :2] ** 2, axis=1)) + np.abs(spread[:, 2])
    shape = bodies["shape"][:, None]
    plate = (shape == PLATE) | (shape == BENT_PLATE)
    half = np.where(plate, disc, round_)
    half = np.where(shape == CAPSULE, np.abs(spread[:, 0]) + semi[:, 2:], half)
    # A mid-surface departs from its mean by at most 3/8 bend a**2.
    lift = (0.375 * np.abs(bodies["bend"]) * semi[:, 0] ** 2)[:, None] * np.abs(axes[:, 2])
    half = half + lift
    ends = span[:, :, None] * axes[:, None, 0]
    side = np.abs(spread[:, 1]) + np.abs(spread[:, 2]) + lift
    low = np.where(plate, np.maximum(-half, ends.min(axis=1) - side), -half)
    high = np.where(plate, np.minimum(half, ends.max(axis=1) + side), half)
    bodies["low"], bodies["high"] = bodies["centre"] + low, bodies["centre"] + high
    return bodies


def bodies_of_cell(spec: SpecimenSpec, cell: Triple) -> Bodies:
    """Return the bodies that one cell of the lattice owns.

    Parameters
    ----------
    spec : SpecimenSpec
        The specimen.
    cell : tuple of int
        Place of the cell in the lattice, (z, y, x); may be negative.

    Returns
    -------
    structured array of `BODY_DTYPE`
        Platelets (or their fragments), copper-rich particles, pores, in this order; then the
        other bodies of `RichBodies`.
    """
    means = _mean_counts(spec)
    u_iron = draw(spec.seed, IRON, cell, means[IRON])
    u_copper = draw(spec.seed, COPPER, cell, means[COPPER])
    u_pore = draw(spec.seed, PORE, cell, means[PORE])
    plates = flat_plates(spec, cell, u_iron)
    branches = plates[:0] if spec.rich.is_plain else enrich_plates_(spec, cell, plates)
    particles = _particles(spec, cell, u_copper, plates)
    if spec.temper == "T6":
        lasts = np.ones(len(plates), np.bool_)
        if spec.treatment.plate_dissolved:
            fate = draw_numbers(spec.seed, _DISSOLVED_STREAM, cell, len(plates))
            lasts = fate >= spec.treatment.plate_dissolved
        plates = broken_plates(spec, plates[lasts], u_iron[lasts])
        shrink_plates_(branches, spec.treatment.plate_shrink)
        particles = particles[u_copper[:, 14] >= spec.treatment.copper_dissolved]
        particles["semi"] *= spec.treatment.copper_shrink
    kinds = [plates, particles, _pores(spec, cell, u_pore)]
    if not spec.rich.is_plain:
        kinds += [branches, script_bodies(spec, cell), shrinkage_pores(spec, cell)]
        kinds.append(open_pores(spec, cell))
    return bound_bodies(np.concatenate(kinds))


def reach_vx(spec: SpecimenSpec) -> float:
    """Return how far a body may reach beyond the cell that owns it."""
    a = 0.5 * spec.plate_diameter_vx.high
    h = 0.5 * spec.plate_thickness_vx.high
    lift = 0.75 * spec.rich.sag * a if spec.rich.bent else 0.0
    r = spec.copper_radius_vx.high
    crossing = 0.5 * a + math.hypot(a, h + lift)
    carried = 0.5 * a + math.hypot(a, h + lift + 0.5 * r) + r
    reach = max(crossing, carried, spec.pore_radius_vx.high, tree_reach_vx(spec))
    if spec.rich.branched:
        reach = max(reach, 0.5 * a + math.hypot(0.5 * a, lift) + math.hypot(BRANCH_SIZE[1] * a, h))
    return reach


def pose_bodies(spec: SpecimenSpec, bodies: Bodies, back: bool = False) -> Bodies:
    """Return bodies as they lie in the scan, in the specimen's pose; or, `back`, without it."""
    if spec.pose.is_plain:
        return bodies
    move = spec.pose.similarity_vx(spec.size_vx)
    if back:
        move = move.inverse()
    moved = bodies.copy()
    # Index coordinates begin at the centre of the first voxel, half a voxel in.
    moved["centre"] = move.apply(bodies["centre"] + 0.5) - 0.5
    moved["axes"] = bodies["axes"] @ np.asarray(move.rotation).T
    for name in ("semi", "span", "holes"):
        moved[name] *= move.scale
    moved["bend"] /= move.scale
    return bound_bodies(moved)


def in_cylinder(spec: SpecimenSpec, bodies: Bodies) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell which bounding boxes meet the cylinder of a specimen, and which lie wholly in it.

    Parameters
    ----------
    spec : SpecimenSpec
        The specimen; its ends along z do not count here.
    bodies : structured array of `BODY_DTYPE`
        The bodies, as they lie in the scan.

    Returns
    -------
    meets : (n,) bool
        Whether a body's box meets the cylinder.
    whole : (n,) bool
        Whether it lies wholly in it.
    """
    bodies = pose_bodies(spec, bodies, back=True)
    axis = np.asarray(spec.axis_vx)
    low, high = bodies["low"][:, 1:] - axis, bodies["high"][:, 1:] - axis
    nearest = np.maximum(0.0, np.maximum(low, -high))
    farthest = np.maximum(np.abs(low), np.abs(high))
    square = spec.radius_vx**2
    return np.sum(nearest**2, axis=1) <= square, np.sum(farthest**2, axis=1) <= square


class BodyField:
    """The bodies of a specimen, looked up by box; cells met lately are kept.

    Parameters
    ----------
    spec : SpecimenSpec
        The specimen.
    """

    def __init__(self, spec: SpecimenSpec) -> None:
        self.spec = spec
        self._reach = reach_vx(spec)
        self._cells: OrderedDict[Triple, Bodies] = OrderedDict()

    def cell(self, cell: Triple) -> Bodies:
        """Return the bodies that one cell owns."""
        bodies = self._cells.get(cell)
        if bodies is None:
            far = self._is_far(cell)
            bodies = np.zeros(0, BODY_DTYPE) if far else bodies_of_cell(self.spec, cell)
            self._cells[cell] = bodies
            while len(self._cells) > _CACHED_CELLS:
                self._cells.popitem(last=False)
        return bodies

    def _is_far(self, cell: Triple) -> bool:
        """Tell whether no body of a cell can reach the cylinder."""
        away = 0.0
        for at, axis in zip(cell[1:], self.spec.axis_vx, strict=True):
            low, high = at * CELL_VX - self._reach, (at + 1) * CELL_VX + self._reach
            away = math.hypot(away, max(0.0, low - axis, axis - high))
        return away > self.spec.radius_vx

    def cells_near(self, box: Box) -> tuple[range, range, range]:
        """Return the cells, along each axis, whose bodies may reach into a box of the scan."""
        if not self.spec.pose.is_plain:
            box = self.spec.pose.box_before(box, self.spec.size_vx)
        spans = [
            range(
                math.floor((start - 1 - self._reach) / CELL_VX),
                math.floor((stop + self._reach) / CELL_VX) + 1,
            )
            for start, stop in zip(box.start, box.stop, strict=True)
        ]
        return (spans[0], spans[1], spans[2])

    def bodies_in(self, box: Box) -> Bodies:
        """Return the bodies whose bounding boxes meet a box and the cylinder, in order of cells."""
        zs, ys, xs = self.cells_near(box)
        bodies = np.concatenate([self.cell((z, y, x)) for z in zs for y in ys for x in xs])
        bodies = pose_bodies(self.spec, bodies)
        meets = np.all(
            (bodies["high"] >= np.asarray(box.start) - 0.5)
            & (bodies["low"] <= np.asarray(box.stop) - 0.5),
            axis=1,
        )
        return bodies[meets & in_cylinder(self.spec, bodies)[0]]
