"""Bodies that are unions of capsules: script-like iron-rich bodies and tortuous pores.

A capsule is all that lies within a radius of a stretch of line.  Each capsule is a record of its
own, with the bounding box of its own, so that a tile works on those near it only; the capsules of
one body share its id and follow each other.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.model.grid import Triple
from pipeline.phantom.lattice import (
    CAPSULE,
    CELL_VX,
    OPEN,
    PLATE,
    SCRIPT,
    SHRINKAGE,
    WALL,
    Bodies,
    draw,
    frames,
    make_ids,
    new_bodies,
    random_frames,
)
from pipeline.phantom.specimen import IRON, PORE, SpecimenSpec

# Mean volume of a body over the cube of its reach; all its lengths are proportional to the reach.
# From 600 counted bodies each; `tests/phantom/test_trees.py` measures them again.
SCRIPT_VOLUME = 0.196
SHRINKAGE_VOLUME = 0.121

_SCRIPT_STREAM, _SHRINKAGE_STREAM, _OPEN_STREAM = 17, 18, 19
_N_DRAWS = 40
_N_ARMS = (4, 6)
_CORE, _ARM_RADII = 0.28, (0.13, 0.12, 0.11)  # radii over the reach
_GOLDEN_TURN = 0.5 * (3 - math.sqrt(5))
_STEP = 0.26  # of a shrinkage pore, over its reach
_N_STEPS = 3  # on each side of its centre
_SHELL_VX = 16.0  # how far from the surface the place may be that draws an open pore
_N_WALLS = 3
_MIN_OPEN_RADIUS_VX = 2.0

Points = NDArray[np.float64]


def _capsules(tree: np.void, first: Points, last: Points, radius: NDArray[np.float64]) -> Bodies:
    """Return the capsules about lines from `first` to `last`, (n, 3), as parts of a tree."""
    parts = np.repeat(np.array([tree]), len(radius))
    line = last - first
    length = np.sqrt(np.sum(line * line, axis=1))
    safe = np.where(length > 0, length, 1.0)[:, None]
    direction = np.where(length[:, None] > 0, line / safe, [[1.0, 0.0, 0.0]])
    parts["centre"] = 0.5 * (first + last)
    parts["axes"] = frames(direction, np.zeros(len(parts)))[:, [2, 0, 1]]
    parts["semi"] = np.stack([0.5 * length, radius, radius], axis=1)
    return parts


def _side(direction: Points, turn: float) -> Points:
    """Return the unit vector at a right angle to a direction, in full turns about it."""
    # Plain numbers: NumPy would take fifty times as long for three of them.
    z, y, x = direction.tolist()
    phi = 2 * math.pi * turn
    if abs(z) < 0.9:
        length = math.hypot(y, x)
        first = (0.0, -x / length, y / length)
    else:
        length = math.hypot(z, y)
        first = (-y / length, z / length, 0.0)
    second = (
        y * first[2] - x * first[1],
        x * first[0] - z * first[2],
        z * first[1] - y * first[0],
    )
    c, s = math.cos(phi), math.sin(phi)
    return np.array([c * p + s * q for p, q in zip(first, second, strict=True)])


def _turned(direction: Points, turn: float, angle: float) -> Points:
    """Return a direction bent by an angle towards a side given in full turns."""
    return np.asarray(math.cos(angle) * direction + math.sin(angle) * _side(direction, turn))


def _spread(n: int) -> Points:
    """Return n directions spread evenly over the sphere: a spiral of golden turns."""
    cosine = 1 - (2 * np.arange(n) + 1) / n
    sine = np.sqrt(1 - cosine**2)
    phi = 2 * math.pi * _GOLDEN_TURN * np.arange(n)
    return np.stack([cosine, sine * np.cos(phi), sine * np.sin(phi)], axis=1)


def _mean(fraction: float, volume_vx: float) -> float:
    return -math.log1p(-fraction) * CELL_VX**3 / volume_vx


def _joined(parts: list[Bodies], none: Bodies) -> Bodies:
    return np.concatenate(parts) if parts else none


def script_bodies(spec: SpecimenSpec, cell: Triple) -> Bodies:
    """Return the script-like bodies that a cell owns: a core and curved arms, compact.

    Heat treatment shrinks them as it does platelets, but does not break them.
    """
    rich, sizes = spec.rich, spec.rich.script_reach_vx
    mean = _mean(rich.script_fraction, SCRIPT_VOLUME * sizes.moment(3))
    u = draw(spec.seed, _SCRIPT_STREAM, cell, mean, _N_DRAWS)
    trees = new_bodies(cell, IRON, CAPSULE, u, SCRIPT)
    shrink = spec.treatment.plate_shrink if spec.temper == "T6" else 1.0
    reach = sizes.quantile(u[:, 3]) * shrink
    axes = random_frames(u[:, 4:7])
    fewest, most = _N_ARMS
    parts = []
    for tree, r, frame, draws in zip(trees, reach, axes, u, strict=True):
        n_arms = fewest + int((most - fewest + 1) * draws[7])
        nodes = [(tree["centre"], tree["centre"], _CORE * r)]
        for k, direction in enumerate(_spread(n_arms) @ frame):
            turn, curl, length = draws[8 + 3 * k : 11 + 3 * k]
            at, step = tree["centre"], r * (0.55 + 0.3 * length) / len(_ARM_RADII)
            for j, radius in enumerate(_ARM_RADII):
                angle = j * math.radians(20 + 30 * curl)
                then = at + step * _turned(direction, turn, angle)
                nodes.append((at, then, radius * r))
                at = then
        first, last, radii = (np.array(column) for column in zip(*nodes, strict=True))
        parts.append(_capsules(tree, first, last, radii))
    return _joined(parts, trees)


def shrinkage_pores(spec: SpecimenSpec, cell: Triple) -> Bodies:
    """Return the shrinkage pores that a cell owns, and the platelets that wall some of them in."""
    rich, sizes = spec.rich, spec.rich.shrinkage_reach_vx
    mean = _mean(rich.shrinkage_fraction, SHRINKAGE_VOLUME * sizes.moment(3))
    u = draw(spec.seed, _SHRINKAGE_STREAM, cell, mean, _N_DRAWS)
    trees = new_bodies(cell, PORE, CAPSULE, u, SHRINKAGE)
    trees["walled"] = u[:, 31] < rich.walled
    reach = sizes.quantile(u[:, 3])
    axes = random_frames(u[:, 4:7])
    parts = []
    for i, (tree, r, frame, draws) in enumerate(zip(trees, reach, axes, u, strict=True)):
        pore = _chain(tree, r, frame[2], draws)
        parts.append(pore)
        if tree["walled"]:
            parts.append(_walls(spec, pore, r, draws, make_ids(cell, IRON, 1, WALL)[0] + 8 * 3 * i))
    return _joined(parts, trees)


def _chain(tree: np.void, reach: float, direction: Points, draws: NDArray[np.float64]) -> Bodies:
    """Return a bent chain through the centre, with two side branches."""
    first, last, radii = [], [], []
    for leg in range(2):
        at, heading = tree["centre"], direction if leg == 0 else -direction
        for step in range(_N_STEPS):
            turn, bend, thick = draws[7 + 9 * leg + 3 * step : 10 + 9 * leg + 3 * step]
            heading = _turned(heading, turn, math.radians(15 + 40 * bend))
            first.append(at)
            at = at + _STEP * reach * heading
            last.append(at)
            radii.append(reach * (0.09 + 0.09 * thick))
    for side in range(2):
        turn, bend, thick = draws[25 + 3 * side : 28 + 3 * side]
        root = side * _N_STEPS + (0 if thick < 0.5 else 1)  # ends of the first two steps of a leg
        along = (last[root] - first[root]) / (_STEP * reach)
        first.append(last[root])
        last.append(last[root] + 0.3 * reach * _turned(along, turn, math.radians(50 + 40 * bend)))
        radii.append(reach * (0.06 + 0.04 * thick))
    return _capsules(tree, np.array(first), np.array(last), np.array(radii))


def _walls(
    spec: SpecimenSpec, pore: Bodies, reach: float, draws: NDArray[np.float64], body_id: int
) -> Bodies:
    """Return platelets that touch a pore along its first steps, a third of a turn apart."""
    walls = np.repeat(pore[:1], _N_WALLS)
    walls["body_id"] = body_id + 8 * np.arange(_N_WALLS)
    walls["parent_id"] = pore["body_id"][0]
    walls["phase"], walls["shape"], walls["role"], walls["walled"] = IRON, PLATE, WALL, False
    shrink = spec.treatment.plate_shrink if spec.temper == "T6" else 1.0
    half = 0.5 * spec.plate_thickness_vx.quantile(draws[32:35])
    for k, along in enumerate((0, _N_STEPS, 1)):
        part = pore[along]
        normal = _side(part["axes"][0], draws[35] + k / _N_WALLS)
        walls["centre"][k] = part["centre"] + (part["semi"][1] + half[k]) * normal
        # Long along the pore.
        walls["axes"][k] = part["axes"][0], np.cross(normal, part["axes"][0]), normal
        # The face towards the pore stays where it is when the platelet shrinks.
        walls["centre"][k] -= (1 - shrink) * half[k] * normal
        walls["semi"][k] = shrink * np.array([0.6 * reach, 0.45 * reach, half[k]])
    walls["span"][:, 0], walls["span"][:, 1] = -walls["semi"][:, 0], walls["semi"][:, 0]
    return walls


def open_pores(spec: SpecimenSpec, cell: Triple) -> Bodies:
    """Return the pores open to the surface that a cell owns; they depend on the cylinder too.

    Each place drawn near the surface is moved to it, along the radius; the pore starts outside and
    winds inwards.
    """
    surface, axis = spec.radius_vx, np.asarray(spec.axis_vx)
    middle = (np.asarray(cell)[1:] + 0.5) * CELL_VX - axis
    far = _SHELL_VX + math.sqrt(0.5) * CELL_VX
    near = abs(math.hypot(*middle) - surface) <= far
    mean = spec.rich.open_pores * CELL_VX / (2 * _SHELL_VX)
    u = draw(spec.seed, _OPEN_STREAM, cell, mean if near else 0.0)
    trees = new_bodies(cell, PORE, CAPSULE, u, OPEN)
    away = np.hypot(*(trees["centre"][:, 1:] - axis).T)
    keep = (np.abs(away - surface) < _SHELL_VX) & (away > 1.0)
    trees, u, away = trees[keep], u[keep], away[keep]
    depth = spec.rich.shrinkage_reach_vx.quantile(u[:, 3])
    parts = []
    for tree, rho, deep, draws in zip(trees, away, depth, u, strict=True):
        out = np.array([0.0, *(tree["centre"][1:] - axis) / rho])
        radius = max(_MIN_OPEN_RADIUS_VX, deep * (0.08 + 0.08 * draws[4]))
        entry = np.array([tree["centre"][0], *axis]) + surface * out
        nodes, heading = [entry + (radius + 1) * out, entry - 0.25 * deep * out], -out
        for step in range(3):
            turn, bend = draws[5 + 2 * step : 7 + 2 * step]
            heading = _turned(heading, turn, math.radians(10 + 30 * bend))
            nodes.append(nodes[-1] + 0.25 * deep * heading)
        line = np.array(nodes)
        tree["centre"] = entry
        parts.append(_capsules(tree, line[:-1], line[1:], np.full(len(line) - 1, radius)))
    return _joined(parts, trees)


def tree_reach_vx(spec: SpecimenSpec) -> float:
    """Return how far the bodies of this module may reach beyond the cell that owns them."""
    rich, reach = spec.rich, 0.0
    if rich.script_fraction:
        reach = rich.script_reach_vx.high
    deepest = rich.shrinkage_reach_vx.high
    if rich.shrinkage_fraction:
        wall = 1.2 * deepest + 2 * spec.plate_thickness_vx.high
        reach = max(reach, wall if rich.walled else deepest)
    if rich.open_pores:
        reach = max(reach, _SHELL_VX + 1.2 * deepest + 2 * _MIN_OPEN_RADIUS_VX + 1)
    return reach
