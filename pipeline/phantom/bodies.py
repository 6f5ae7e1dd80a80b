"""The bodies of a simulated specimen, drawn cell by cell from counter-based random numbers.

Space is cut into cells of `CELL_VX` voxels, without end in any direction.  The bodies that a cell
owns depend on the seed and the place of the cell only, so that a tile finds its bodies from the
cells around it, whatever the size of the volume, and no global list is ever needed.  Bodies may
overlap: where they do, pore wins over copper-rich, copper-rich over iron-rich, iron-rich over
matrix; and outside the cylinder there is air.

Coordinates are index coordinates: the centre of voxel (0, 0, 0) is the origin.

Numbers come from Philox-4x64 (Salmon et al., SC11, 2011) in raw 64-bit words, whose values NumPy
promises to keep, and not from its distributions, whose values it may change.
"""

from __future__ import annotations

import math
from collections import OrderedDict

import numpy as np
from numpy.typing import NDArray

from pipeline.model.grid import Box, Triple
from pipeline.phantom.specimen import COPPER, IRON, PORE, SpecimenSpec

CELL_VX = 64
PLATE, ELLIPSOID = 0, 1
BODY_DTYPE = np.dtype(
    [
        ("body_id", "i8"),
        ("parent_id", "i8"),  # platelet broken into this fragment, or carrying this particle; -1
        ("phase", "u1"),
        ("shape", "u1"),  # PLATE or ELLIPSOID
        ("on_platelet", "?"),
        ("centre", "f8", (3,)),  # (z, y, x), index coordinates
        ("axes", "f8", (3, 3)),  # unit vectors u, v, w as rows; w is the normal of a plate
        ("semi", "f8", (3,)),  # semi-axes along u, v, w; half the thickness of a plate along w
        ("span", "f8", (2,)),  # part of the u axis that a (fragment of a) plate keeps
        ("low", "f8", (3,)),  # bounding box
        ("high", "f8", (3,)),
    ]
)
Bodies = NDArray[np.void]

_FRAGMENT_BITS, _LOCAL_BITS, _CELL_BITS, _CELL_BIAS = 3, 18, 14, 64  # 63 bits in all
_DRAWS = 16  # numbers kept for each body; unused ones cost nothing that matters
_ASPECT = (0.5, 1.0)  # shorter over longer semi-axis of a platelet, uniform
_ROUND = (0.7, 1.0)  # second and third over longest semi-axis of a copper-rich particle, uniform
_CACHED_CELLS = 8192  # about 16 MB; enough for a slab of a volume 2048 voxels wide


def _mean_counts(spec: SpecimenSpec) -> dict[int, float]:
    """Return the mean number of bodies of each phase in a cell (Boolean model of grains)."""
    aspect = 0.5 * sum(_ASPECT)
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


def _cell_bits(cell: Triple) -> tuple[int, int, int]:
    biased = (cell[0] + _CELL_BIAS, cell[1] + _CELL_BIAS, cell[2] + _CELL_BIAS)
    if not all(0 <= b < 1 << _CELL_BITS for b in biased):
        raise ValueError(f"cell {cell} lies outside the lattice")
    return biased


def _draw(seed: int, phase: int, cell: Triple, mean: float) -> NDArray[np.float64]:
    """Return one row of `_DRAWS` numbers in (0, 1) for each body of one phase in a cell.

    The number of bodies is the mean rounded up or down at random: it varies less from cell to
    cell than a Poisson number, so that a small volume too has a sensible content.
    """
    z, y, x = _cell_bits(cell)
    stream = np.random.Philox(key=[seed, phase], counter=[0, z, y, x])
    n_most = math.floor(mean) + 1
    raw = stream.random_raw(n_most * _DRAWS + 1)
    u = (raw >> np.uint64(11)).astype(np.float64) * 2.0**-53 + 2.0**-54
    n = math.floor(mean + u[0])
    return u[1:].reshape(n_most, _DRAWS)[:n]


def _ids(cell: Triple, phase: int, n: int) -> NDArray[np.int64]:
    """Return body ids, unique in the lattice: cell, phase, number in the cell, fragment 0."""
    place = 0
    for b in _cell_bits(cell):
        place = place << _CELL_BITS | b
    base = (place << _LOCAL_BITS) + (phase << (_LOCAL_BITS - 2))
    return (base + np.arange(n, dtype=np.int64)) << _FRAGMENT_BITS


def _unit(cosine: NDArray[np.float64], turn: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return unit vectors of polar cosine against z and azimuth `turn` (in full turns)."""
    sine = np.sqrt(np.maximum(0.0, 1.0 - cosine**2))
    phi = 2 * math.pi * turn
    return np.stack([cosine, sine * np.cos(phi), sine * np.sin(phi)], axis=-1)


def _frames(normal: NDArray[np.float64], turn: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return right-angled frames (n, 3, 3) with rows u, v, w = normal, turned about the normal."""
    other = np.where(np.abs(normal[:, :1]) < 0.9, [[1.0, 0.0, 0.0]], [[0.0, 0.0, 1.0]])
    t = np.cross(other, normal)
    t /= np.sqrt(np.sum(t * t, axis=1, keepdims=True))
    s = np.cross(normal, t)
    phi = 2 * math.pi * turn[:, None]
    u = np.cos(phi) * t + np.sin(phi) * s
    v = np.cos(phi) * s - np.sin(phi) * t
    return np.stack([u, v, normal], axis=1)


def _random_frames(u: NDArray[np.float64]) -> NDArray[np.float64]:
    return _frames(_unit(1 - 2 * u[:, 0], u[:, 1]), u[:, 2])


def _new(cell: Triple, phase: int, shape: int, u: NDArray[np.float64]) -> Bodies:
    bodies = np.zeros(len(u), BODY_DTYPE)
    bodies["body_id"] = _ids(cell, phase, len(u))
    bodies["parent_id"] = -1
    bodies["phase"], bodies["shape"] = phase, shape
    bodies["centre"] = (np.asarray(cell) + u[:, :3]) * CELL_VX
    return bodies


def _plates(spec: SpecimenSpec, cell: Triple, u: NDArray[np.float64]) -> Bodies:
    """Return the platelets of a cell; some of them cut through the first."""
    plates = _new(cell, IRON, PLATE, u)
    plates["axes"] = _random_frames(u[:, 3:6])
    a = 0.5 * spec.plate_diameter_vx.quantile(u[:, 6])
    low, high = _ASPECT
    plates["semi"][:, 0] = a
    plates["semi"][:, 1] = a * (low + (high - low) * u[:, 7])
    plates["semi"][:, 2] = 0.5 * spec.plate_thickness_vx.quantile(u[:, 8])
    for i in np.flatnonzero(u[:, 9] < spec.crossing):
        if i == 0:
            continue
        first, draws = plates[0], u[i]
        phi, r = 2 * math.pi * draws[10], 0.5 * math.sqrt(draws[11])
        offset = r * (
            math.cos(phi) * first["semi"][0] * first["axes"][0]
            + math.sin(phi) * first["semi"][1] * first["axes"][1]
        )
        plates["centre"][i] = first["centre"] + offset
        # Within 45 degrees of the first one's plane the two would merge into one thick plate.
        local = _unit(np.array([1.4 * draws[12] - 0.7]), draws[13:14])[0]
        normal = local @ first["axes"][[2, 0, 1]]
        plates["axes"][i] = _frames(normal[None], draws[5:6])[0]
    plates["span"][:, 0], plates["span"][:, 1] = -a, a
    return plates


def _particles(spec: SpecimenSpec, cell: Triple, u: NDArray[np.float64], plates: Bodies) -> Bodies:
    """Return the copper-rich particles of a cell, a share of them on faces of its platelets."""
    particles = _new(cell, COPPER, ELLIPSOID, u)
    particles["axes"] = _random_frames(u[:, 3:6])
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
        particles["centre"][i] = host["centre"] + local @ host["axes"]
        particles["parent_id"][i] = host["body_id"]
        particles["on_platelet"][i] = True
    return particles


def _pores(spec: SpecimenSpec, cell: Triple, u: NDArray[np.float64]) -> Bodies:
    pores = _new(cell, PORE, ELLIPSOID, u)
    pores["axes"] = np.eye(3)
    pores["semi"] = spec.pore_radius_vx.quantile(u[:, 6])[:, None]
    return pores


def _fragments(spec: SpecimenSpec, plates: Bodies, u: NDArray[np.float64]) -> Bodies:
    """Return the platelets after heat treatment: shrunk, and the large ones cut by gaps."""
    heat = spec.treatment
    n_pieces = 1 + (2 * plates["semi"][:, 0] >= heat.two_pieces_vx).astype(np.int64)
    n_pieces += 2 * plates["semi"][:, 0] >= heat.three_pieces_vx
    pieces = np.repeat(plates, n_pieces)
    pieces["semi"] *= heat.plate_shrink
    pieces["span"] *= heat.plate_shrink
    row = 0
    for plate, n, draws in zip(plates, n_pieces, u, strict=True):
        if n > 1:
            a = pieces["semi"][row, 0]
            even = a * (2 * np.arange(1, n) / n - 1)
            cuts = even + 0.1 * a * (2 * draws[14 : 13 + n] - 1)
            pieces["span"][row + 1 : row + n, 0] = cuts + 0.5 * heat.gap_vx
            pieces["span"][row : row + n - 1, 1] = cuts - 0.5 * heat.gap_vx
            pieces["parent_id"][row : row + n] = plate["body_id"]
            pieces["body_id"][row : row + n] += np.arange(1, n + 1)
        row += n
    return pieces


def _bound(bodies: Bodies) -> Bodies:
    """Fill in the bounding boxes."""
    axes, semi, span = bodies["axes"], bodies["semi"], bodies["span"]
    spread = semi[:, :, None] * axes
    round_ = np.sqrt(np.sum(spread**2, axis=1))
    disc = np.sqrt(np.sum(spread[:, :2] ** 2, axis=1)) + np.abs(spread[:, 2])
    plate = (bodies["shape"] == PLATE)[:, None]
    half = np.where(plate, disc, round_)
    ends = span[:, :, None] * axes[:, None, 0]
    side = np.abs(spread[:, 1]) + np.abs(spread[:, 2])
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
        Platelets (or their fragments), copper-rich particles, pores, in this order.
    """
    means = _mean_counts(spec)
    u_iron = _draw(spec.seed, IRON, cell, means[IRON])
    u_copper = _draw(spec.seed, COPPER, cell, means[COPPER])
    u_pore = _draw(spec.seed, PORE, cell, means[PORE])
    plates = _plates(spec, cell, u_iron)
    particles = _particles(spec, cell, u_copper, plates)
    if spec.temper == "T6":
        plates = _fragments(spec, plates, u_iron)
        particles = particles[u_copper[:, 14] >= spec.treatment.copper_dissolved]
        particles["semi"] *= spec.treatment.copper_shrink
    return _bound(np.concatenate([plates, particles, _pores(spec, cell, u_pore)]))


def reach_vx(spec: SpecimenSpec) -> float:
    """Return how far a body may reach beyond the cell that owns it."""
    a = 0.5 * spec.plate_diameter_vx.high
    h = 0.5 * spec.plate_thickness_vx.high
    r = spec.copper_radius_vx.high
    crossing = 0.5 * a + math.hypot(a, h)
    carried = 0.5 * a + math.hypot(a, h + 0.5 * r) + r
    return max(crossing, carried, spec.pore_radius_vx.high)


def body_volumes_vx(bodies: Bodies) -> NDArray[np.float64]:
    """Return the analytic volumes of bodies in voxels.

    A plate is a flat elliptic cylinder; a fragment is the part of it between two planes normal to
    its longer axis: thickness times a b [asin t + t sqrt(1 - t^2)] between t = span / a.
    """
    a, b, c = bodies["semi"].T
    t = np.clip(bodies["span"] / a[:, None], -1.0, 1.0)
    primitive = np.arcsin(t) + t * np.sqrt(1.0 - t * t)
    plate = 2 * c * a * b * (primitive[:, 1] - primitive[:, 0])
    return np.where(bodies["shape"] == PLATE, plate, 4 / 3 * math.pi * a * b * c)


def in_cylinder(spec: SpecimenSpec, bodies: Bodies) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell which bounding boxes meet the cylinder of a specimen, and which lie wholly in it.

    Parameters
    ----------
    spec : SpecimenSpec
        The specimen; its ends along z do not count here.
    bodies : structured array of `BODY_DTYPE`
        The bodies.

    Returns
    -------
    meets, whole : (n,) bool
        One value a body.
    """
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
            bodies = bodies_of_cell(self.spec, cell)
            self._cells[cell] = bodies
            while len(self._cells) > _CACHED_CELLS:
                self._cells.popitem(last=False)
        return bodies

    def cells_near(self, box: Box) -> tuple[range, range, range]:
        """Return the cells, along each axis, whose bodies may reach into a box."""
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
        meets = np.all(
            (bodies["high"] >= np.asarray(box.start) - 0.5)
            & (bodies["low"] <= np.asarray(box.stop) - 0.5),
            axis=1,
        )
        return bodies[meets & in_cylinder(self.spec, bodies)[0]]
