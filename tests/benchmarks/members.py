"""How often the members of crossing platelets are told apart rightly.

`python -m tests.benchmarks.members` lets flat or bent plates cross at known angles, at random
places and turns, and prints how often their number is right and the share of voxels that a member
has right (those that several plates hold count as right for each).
"""

from __future__ import annotations

import argparse
import itertools

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.kernels.members import split_members

Reals = NDArray[np.float64]
Plates = list[NDArray[np.bool_]]


def cross(
    normals: Reals, rng: np.random.Generator, semi: tuple[float, float], thickness: float,
    voxel_um: Reals, radius: float = np.inf,
) -> Plates:  # fmt: skip
    """Return elliptic plates that cross near their middles, turned at random as a whole."""
    size = np.ceil((2.5 * max(semi) + 8) / voxel_um).astype(int)
    turn = Rotation.random(rng=rng)
    place = (np.stack(np.indices(size), -1) + 0.5 - size / 2) * voxel_um
    plates = []
    for normal in normals:
        frame = np.linalg.qr(np.c_[normal, rng.standard_normal((3, 2))])[0]
        frame[:, 0] = normal
        shift = frame[:, 1:] @ rng.uniform(-0.3, 0.3, 2) * np.array(semi).min()
        own = (place - shift) @ turn.as_matrix() @ frame
        height = own[..., 0] + (own[..., 1] ** 2 / (2 * radius) if np.isfinite(radius) else 0.0)
        inside = np.square(own[..., 1] / semi[0]) + np.square(own[..., 2] / semi[1]) <= 1
        plates.append(inside & (np.abs(height) <= thickness / 2))
    return plates


def normals_at(angle: float, n: int) -> Reals:
    """Return normals that make that angle with one another."""
    if n < 3:
        a = np.radians(angle)
        return np.array([[1.0, 0.0, 0.0], [np.cos(a), np.sin(a), 0.0]])[:n]
    # About the diagonal: any two of three make the angle.
    c = np.cos(np.radians(angle))
    return np.linalg.cholesky(np.full((3, 3), c) + (1 - c) * np.eye(3))


def judge(plates: Plates, voxel_um: Reals) -> tuple[int, float]:
    """Return how many members were found, and the share of voxels that are right."""
    mask = np.any(plates, axis=0)
    faces = sum(
        np.count_nonzero(np.diff(np.pad(mask, 1), axis=a)) * np.prod(voxel_um) / voxel_um[a]
        for a in range(3)
    )
    # A surface by faces is half too large on average; see tests/benchmarks/shapes.py.
    thickness = 2 * np.count_nonzero(mask) * np.prod(voxel_um) / (faces / 1.5)
    found = split_members(mask, (voxel_um[0], voxel_um[1], voxel_um[2]), float(thickness))
    n = int(found.max())
    hits = np.array([[np.count_nonzero(p & (found == k + 1)) for k in range(n)] for p in plates])
    orders = itertools.permutations(range(max(n, len(plates))), len(plates))
    best = max(sum(hits[i, k] for i, k in enumerate(o) if k < n) for o in orders)
    return n, best / np.count_nonzero(mask)


CASES = (
    *((1, 0, 4, r) for r in (np.inf, 60)),
    *((2, a, t, np.inf) for t in (3, 5) for a in (20, 30, 45, 60, 90)),
    *((2, a, 4, 60) for a in (30, 60, 90)),
    *((3, a, 4, np.inf) for a in (45, 60, 90)),
)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bodies", type=int, default=20, help="bodies a row")
    n = parser.parse_args().bodies
    for voxel_um in (np.ones(3), np.array([2.0, 1.0, 1.0])):
        print(f"\nvoxels {voxel_um} um; plates of 48 by 36 um; {n} bodies a row")
        print("plates  angle  thickness  bent to   right number   found (mean)  right voxels %")
        for plates, angle, thickness, radius in CASES:
            rng = np.random.default_rng([plates, angle, thickness])
            results = [
                judge(cross(normals_at(angle, plates), rng, (24, 18), thickness, voxel_um, radius),
                      voxel_um)
                for _ in range(n)
            ]  # fmt: skip
            counts = np.array([r[0] for r in results])
            print(
                f"{plates:6} {angle:6} {thickness:10} {radius:8} {(counts == plates).sum():8} of "
                f"{n} {counts.mean():12.2f} {100 * np.mean([r[1] for r in results]):13.1f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
