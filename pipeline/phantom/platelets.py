"""The platelets of a simulated specimen: flat or bent, crossing, branched, holed, broken.

A bent platelet is a flat one sheared along its normal: its mid-surface is
``w = bend / 2 (u**2 - a**2 / 4)``, whose mean over the ellipse is zero, its thickness along the
normal is that of the flat one, and so is its volume, exactly.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.model.grid import Triple
from pipeline.phantom.lattice import (
    BENT_PLATE,
    BRANCH,
    N_DRAWS,
    N_HOLES,
    PLATE,
    Bodies,
    draw_numbers,
    frames,
    make_ids,
    new_bodies,
    random_frames,
    unit_vectors,
)
from pipeline.phantom.specimen import IRON, SpecimenSpec

ASPECT = (0.5, 1.0)  # shorter over longer semi-axis of a platelet, uniform
BRANCH_SIZE = (0.5, 0.8)  # longer semi-axis of a branch over that of its platelet, uniform
_HOLE_SIZE = (0.15, 0.25)  # radius of a hole over the shorter semi-axis of its platelet, uniform
_SMALLEST_HOLE_VX = 1.5
_STREAM = 16


def flat_plates(spec: SpecimenSpec, cell: Triple, u: NDArray[np.float64]) -> Bodies:
    """Return the platelets of a cell; some of them cut through the first."""
    plates = new_bodies(cell, IRON, PLATE, u)
    plates["axes"] = random_frames(u[:, 3:6])
    a = 0.5 * spec.plate_diameter_vx.quantile(u[:, 6])
    low, high = ASPECT
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
        local = unit_vectors(np.array([1.4 * draws[12] - 0.7]), draws[13:14])[0]
        normal = local @ first["axes"][[2, 0, 1]]
        plates["axes"][i] = frames(normal[None], draws[5:6])[0]
    plates["span"][:, 0], plates["span"][:, 1] = -a, a
    return plates


def enrich_plates_(spec: SpecimenSpec, cell: Triple, plates: Bodies) -> Bodies:
    """Bend and pierce some platelets of a cell, in place, and return the branches of others."""
    rich = spec.rich
    u = draw_numbers(spec.seed, _STREAM, cell, len(plates) * N_DRAWS).reshape(-1, N_DRAWS)
    a, b = plates["semi"][:, 0], plates["semi"][:, 1]
    sag = rich.sag * (1 + 2 * u[:, 1]) / 3 * np.where(u[:, 2] < 0.5, 1.0, -1.0)
    plates["bend"] = np.where(u[:, 0] < rich.bent, 2 * sag / a, 0.0)
    low, high = _HOLE_SIZE
    radius = b * (low + (high - low) * u[:, 6])
    holed = (u[:, 3] < rich.holed) & (radius >= _SMALLEST_HOLE_VX)
    for k in range(N_HOLES):
        # Half way out and opposite to each other, so that no hole meets the rim or the other one.
        phi = 2 * math.pi * u[:, 5] + math.pi * k
        hole = np.stack([0.5 * a * np.cos(phi), 0.5 * b * np.sin(phi), radius], axis=1)
        there = holed & ((k == 0) | (u[:, 4] < 0.5))
        plates["holes"][:, k] = np.where(there[:, None], hole, 0.0)
    plates["shape"][(plates["bend"] != 0) | holed] = BENT_PLATE
    return _branches(plates, u, rich.branched, cell)


def _branches(plates: Bodies, u: NDArray[np.float64], share: float, cell: Triple) -> Bodies:
    """Return half platelets that start at the mid-surfaces of others: T and Y junctions."""
    keep = np.flatnonzero(u[:, 7] < share)
    branches, u = plates[keep], u[keep]
    branches["body_id"] = make_ids(cell, IRON, len(keep), BRANCH)
    branches["parent_id"] = plates["body_id"][keep]
    branches["shape"], branches["role"] = PLATE, BRANCH
    branches["bend"], branches["holes"] = 0.0, 0.0
    for branch, host, draws in zip(branches, plates[keep], u, strict=True):
        phi, r = 2 * math.pi * draws[8], 0.5 * math.sqrt(draws[9])
        local = host["semi"] * [r * math.cos(phi), r * math.sin(phi), 0.0]
        local[2] = height_of(host, local[0])
        branch["centre"] = host["centre"] + local @ host["axes"]
        side = 1.0 if draws[10] < 0.5 else -1.0
        tilt = 0.0 if draws[11] < 0.5 else math.pi / 6
        turn = 2 * math.pi * draws[12]
        along, across = math.cos(turn), math.sin(turn)
        out = [math.sin(tilt) * along, math.sin(tilt) * across, side * math.cos(tilt)]
        axes = np.array([out, [-across, along, 0.0], np.cross(out, [-across, along, 0.0])])
        branch["axes"] = axes @ host["axes"]
        a = host["semi"][0] * (BRANCH_SIZE[0] + (BRANCH_SIZE[1] - BRANCH_SIZE[0]) * draws[13])
        branch["semi"][:2] = a, a * (ASPECT[0] + (ASPECT[1] - ASPECT[0]) * draws[14])
        branch["span"] = 0.0, a
    return branches


def height_of(plate: np.void, u: float) -> float:
    """Return the height of a platelet's mid-surface above its centre, at `u` along its u axis."""
    return float(0.5 * plate["bend"] * (u * u - 0.25 * plate["semi"][0] ** 2))


def is_pierced(plate: np.void, u: float, v: float) -> bool:
    """Tell whether a hole of a platelet lies at (u, v)."""
    away = np.hypot(plate["holes"][:, 0] - u, plate["holes"][:, 1] - v)
    return bool((away < plate["holes"][:, 2]).any())


def shrink_plates_(plates: Bodies, factor: float) -> None:
    """Shrink every length of platelets about their centres, in place."""
    for name in ("semi", "span", "holes"):
        plates[name] *= factor
    plates["bend"] /= factor


def broken_plates(spec: SpecimenSpec, plates: Bodies, u: NDArray[np.float64]) -> Bodies:
    """Return the platelets after heat treatment: shrunk, and the large ones cut by gaps."""
    heat = spec.treatment
    n_pieces = 1 + (2 * plates["semi"][:, 0] >= heat.two_pieces_vx).astype(np.int64)
    n_pieces += 2 * plates["semi"][:, 0] >= heat.three_pieces_vx
    pieces = np.repeat(plates, n_pieces)
    shrink_plates_(pieces, heat.plate_shrink)
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
