"""Inscribed balls and local thickness of shapes against closed forms: mean error and spread.

`python -m tests.benchmarks.thicknesses` measures balls, plates, boxes, cylinders and tori at random
places and turns, in cubic and in 1:1:2 voxels.  The mean local thickness of boxes and cylinders is
held against the same shape, turned at random, in voxels a third as long, for their edges and rims
are truly thinner; all else against the thickness of the plate, tube or ball.
"""

from __future__ import annotations

import argparse

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.kernels.distance import choose_metric
from pipeline.kernels.thickness import describe_thickness, fold_thickness
from pipeline.model.grid import Box
from tests.benchmarks.shapes import Shape, box, cylinder, ellipsoid, torus

Reals = NDArray[np.float64]
SHAPES: tuple[tuple[Shape, float], ...] = (
    *((ellipsoid(r, r, r), 2.0 * r) for r in (3, 5, 8, 12, 20)),
    *((box(40, 40, t), float(t)) for t in (3, 4, 6, 8, 12)),
    (box(30, 20, 10), 10.0),
    (cylinder(4, 40), 8.0),
    (cylinder(10, 30), 20.0),
    (torus(15, 5), 10.0),
    (torus(24, 4), 8.0),
)
NAMES = ("inscribed_diameter_um", "local_thickness_mean_um", "local_thickness_median_um")


def measure(shape: Shape, rotation: Rotation, shift: Reals, voxel_um: Reals) -> list[float]:
    """Return inscribed diameter, mean and median local thickness of one body in um."""
    size = np.ceil((2 * shape.reach + 6) / voxel_um).astype(int)
    place = (np.stack(np.indices(size), -1) + 0.5) * voxel_um - size * voxel_um / 2
    own = rotation.inv().apply((place - shift).reshape(-1, 3))
    body = shape.inside(own).reshape(size).astype(np.int32)
    edges = (float(voxel_um[0]), float(voxel_um[1]), float(voxel_um[2]))
    metric = choose_metric(edges, 2 * shape.reach)
    limit = metric.square(2 * shape.reach)
    whole = Box((0, 0, 0), (body.shape[0], body.shape[1], body.shape[2]))
    found = fold_thickness(body, whole, np.zeros((3, 2), np.bool_), metric.weights, limit)
    assert found is not None
    columns = describe_thickness(found, 1, metric, edges, limit)
    return [float(columns[name][0]) for name in NAMES]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bodies", type=int, default=12, help="bodies a shape")
    n = parser.parse_args().bodies
    for voxel in ((1.0, 1.0, 1.0), (2.0, 1.0, 1.0)):
        print(f"\nvoxels {voxel} um, {n} bodies a shape: mean error (spread)")
        print(f"{'shape':22}{'inscribed um':>18}{'local mean %':>18}{'local median %':>18}")
        for i, (shape, thickness) in enumerate(SHAPES):
            rng = np.random.default_rng(i)
            sharp = shape.name.startswith(("box", "cylinder"))
            fine = (
                measure(shape, Rotation.random(None, rng), np.zeros(3), np.full(3, 1 / 3))[1]
                if sharp
                else thickness
            )
            turns = Rotation.random(n, rng)
            found = np.array(
                [measure(shape, turn, rng.uniform(-0.5, 0.5, 3), np.array(voxel)) for turn in turns]
            )
            errors = found - [thickness, fine, thickness]
            errors[:, 1:] *= 100 / np.array([fine, thickness])
            cells = [f"{e.mean():8.2f} ({e.std():.2f})" for e in errors.T]
            print(f"{shape.name:22}" + "".join(f"{c:>18}" for c in cells), flush=True)


if __name__ == "__main__":
    main()
