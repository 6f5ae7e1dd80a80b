"""Shapes with closed forms against their descriptors: mean error and spread, as one table.

`python -m tests.benchmarks.shapes` measures balls, ellipsoids, boxes, plates, cylinders, tori and
shells at random places and turns, in cubic and in 1:1:2 voxels, and prints what it finds; then the
curvature and the roundness of cubes, from sharp ones to balls.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.kernels.balls import plan_balls
from pipeline.kernels.curvature import describe_curvature, fold_curvature
from pipeline.model.grid import Box
from tests.conftest import count_bodies

Reals = NDArray[np.float64]
PI = np.pi
PARTS = ("volume", "surface", "thickness", "caliper", "bend", "shadow")
LENGTHS = ("feret_max", "faces", "feret_min")
NAMES = ("surface_curvature_mean_per_um", "surface_curvature_sd_per_um")


@dataclass(frozen=True)
class Shape:
    """A shape: its test of points, its reach, and what is known of it in closed form."""

    name: str
    inside: Callable[[Reals], NDArray[np.bool_]]
    reach: float
    volume: float
    surface: float
    euler: int
    mean_curvature: float
    feret_max: float
    feret_min: float
    shadow: Callable[[Reals], float] | None = None
    holes: tuple[int, int] = (0, 0)


def ellipsoid(a: float, b: float, c: float) -> Shape:
    """Return an ellipsoid of semi-axes a, b, c."""
    axes = np.array([a, b, c])
    n = np.random.default_rng(0).standard_normal((200_000, 3))
    n /= np.linalg.norm(n, axis=1, keepdims=True)
    stretched = np.linalg.norm(n * axes, axis=1)
    # Surface and mean width as means over directions (Cauchy); exact to some 1e-4.
    shadow_mean = PI * a * b * c * np.linalg.norm(n / axes, axis=1).mean()
    return Shape(
        f"ellipsoid {a:g} {b:g} {c:g}", lambda p: (np.square(p / axes).sum(-1) <= 1),
        max(axes), 4 / 3 * PI * a * b * c, 4 * shadow_mean, 1, 4 * PI * stretched.mean(),
        2 * max(axes), 2 * min(axes), lambda u: PI * a * b * c * np.linalg.norm(u / axes),
    )  # fmt: skip


def box(a: float, b: float, c: float) -> Shape:
    """Return a box of edges a, b, c."""
    half = np.array([a, b, c]) / 2
    faces = np.array([b * c, a * c, a * b])
    return Shape(
        f"box {a:g} {b:g} {c:g}", lambda p: (np.abs(p) <= half).all(-1),
        float(np.linalg.norm(half)), a * b * c, 2 * faces.sum(), 1,
        PI * (a + b + c), float(2 * np.linalg.norm(half)),
        min(a, b, c), lambda u: float(np.abs(u) @ faces),
    )  # fmt: skip


def cylinder(r: float, h: float) -> Shape:
    """Return a cylinder along its first axis."""
    return Shape(
        f"cylinder r {r:g} h {h:g}",
        lambda p: (np.hypot(p[..., 1], p[..., 2]) <= r) & (np.abs(p[..., 0]) <= h / 2),
        float(np.hypot(r, h / 2)), PI * r * r * h, 2 * PI * r * (r + h), 1, PI * h + PI**2 * r,
        float(np.hypot(2 * r, h)), min(2 * r, h),
        lambda u: PI * r * r * abs(u[0]) + 2 * r * h * np.sqrt(1 - u[0] ** 2),
    )  # fmt: skip


def torus(big: float, small: float) -> Shape:
    """Return a torus about its first axis."""
    return Shape(
        f"torus {big:g} {small:g}",
        lambda p: np.hypot(np.hypot(p[..., 1], p[..., 2]) - big, p[..., 0]) <= small,
        big + small, 2 * PI**2 * big * small**2, 4 * PI**2 * big * small, 0, 2 * PI**2 * big,
        2 * (big + small), 2 * small, holes=(0, 1),
    )  # fmt: skip


def shell(outer: float, inner: float) -> Shape:
    """Return a ball with a hollow."""

    def inside(p: Reals) -> NDArray[np.bool_]:
        r = np.linalg.norm(p, axis=-1)
        return (r <= outer) & (r > inner)

    return Shape(
        f"shell {outer:g} {inner:g}", inside, outer, 4 / 3 * PI * (outer**3 - inner**3),
        4 * PI * (outer**2 + inner**2), 2, 4 * PI * (outer - inner), 2 * outer, 2 * outer,
        holes=(1, 0),
    )  # fmt: skip


def pierced(a: float, t: float, n: int) -> Shape:
    """Return a square plate with n round holes right through."""
    radius = a / 10
    places = (np.arange(n) - (n - 1) / 2) * a / n
    volume = (a * a - n * PI * radius**2) * t
    surface = 2 * (a * a - n * PI * radius**2) + 4 * a * t + n * 2 * PI * radius * t

    def inside(p: Reals) -> NDArray[np.bool_]:
        solid = (np.abs(p) <= np.array([a, a, t]) / 2).all(-1)
        for x in places:
            solid &= np.hypot(p[..., 0] - x, p[..., 1]) > radius
        return solid

    # A hole bends the surface the other way: half its edge's outer angles, and its wall.
    curvature = PI * (2 * a + t) + n * (PI**2 * radius - PI * t)
    return Shape(
        f"plate {a:g} {t:g}, {n} holes", inside, float(np.linalg.norm([a, a, t])) / 2, volume,
        surface, 1 - n, curvature, float(np.linalg.norm([a, a, t])), min(a, t), holes=(0, n),
    )  # fmt: skip


def hollow(outer: float, inner: float, n: int) -> Shape:
    """Return a ball with n ball-shaped cavities on a ring."""
    angle = 2 * PI * np.arange(n) / n
    centres = np.stack([np.cos(angle), np.sin(angle), np.zeros(n)], 1) * (outer - inner) / 1.6

    def inside(p: Reals) -> NDArray[np.bool_]:
        solid = np.linalg.norm(p, axis=-1) <= outer
        for centre in centres:
            solid &= np.linalg.norm(p - centre, axis=-1) > inner
        return solid

    return Shape(
        f"ball {outer:g}, {n} cavities", inside, outer, 4 / 3 * PI * (outer**3 - n * inner**3),
        4 * PI * (outer**2 + n * inner**2), 1 + n, 4 * PI * (outer - n * inner), 2 * outer,
        2 * outer, holes=(n, 0),
    )  # fmt: skip


SHAPES = (
    *(ellipsoid(r, r, r) for r in (3, 5, 8, 12, 20)),
    ellipsoid(5, 20, 20),
    ellipsoid(24, 8, 8),
    ellipsoid(22, 15, 9),
    box(16, 16, 16),
    box(30, 20, 10),
    *(box(40, 40, t) for t in (3, 4, 6, 8)),
    cylinder(10, 30),
    cylinder(4, 40),
    torus(15, 5),
    torus(6, 2.5),
    torus(24, 4),
    shell(18, 9),
    shell(8, 4),
    hollow(20, 4, 4),
    hollow(14, 3, 3),
    pierced(40, 4, 3),
    pierced(30, 6, 2),
)


def measure(shape: Shape, n: int, voxel_um: Reals, seed: int) -> Iterator[dict[str, float]]:
    """Yield the relative errors, and those of lengths in um, at random places and turns.

    Yields
    ------
    dict of str to float
        One a body.
    """
    rng = np.random.default_rng(seed)
    size = np.ceil((2 * shape.reach + 6) / voxel_um).astype(int)
    for rotation in Rotation.random(n, rng):
        place = (np.stack(np.indices(size), -1) + 0.5) * voxel_um - size * voxel_um / 2
        own = rotation.inv().apply((place - rng.uniform(-0.5, 0.5, 3)).reshape(-1, 3))
        body = shape.inside(own).reshape(size).astype(np.uint8)
        row = count_bodies(body, None, None, voxel_um=tuple(voxel_um)).rows
        got = {name: column[np.argmax(row["n_voxels"])] for name, column in row.items()}
        wanted = 2 * shape.volume / shape.surface
        yield {
            "volume": got["volume_um3"] / shape.volume - 1,
            "surface": got["surface_um2"] / shape.surface - 1,
            "thickness": got["thickness_um"] / wanted - 1,
            "caliper": got["mean_curvature_integral_um"] / shape.mean_curvature - 1,
            "bend": describe_bend(body, voxel_um)[NAMES[0]] * shape.surface / shape.mean_curvature
            - 1,
            "shadow": (
                got["projected_area_um2"] / shape.shadow(rotation.as_matrix()[0]) - 1
                if shape.shadow
                else np.nan
            ),
            "feret_max": got["feret_max_um"] - shape.feret_max,
            "faces": got["feret_max_faces_um"] - shape.feret_max,
            "feret_min": got["feret_min_um"] - shape.feret_min,
            "euler": float(got["euler_number"] != shape.euler or len(row["n_voxels"]) != 1),
            "holes": float((got["n_cavities"], got["n_tunnels"]) != shape.holes),
        }


def describe_bend(
    body: NDArray[np.uint8], voxel_um: Reals, inscribed_um: float = np.nan
) -> dict[str, float]:
    """Return the curvature of the surface of a body, by balls of 4 shortest edges."""
    edges = (float(voxel_um[0]), float(voxel_um[1]), float(voxel_um[2]))
    balls = plan_balls(edges, 4.0)
    padded = np.pad(body, [(2 * r, 2 * r) for r in balls.reach]).astype(np.int32)
    reach = (-balls.reach[0], -balls.reach[1], -balls.reach[2])
    found = fold_curvature(padded, Box((0, 0, 0), padded.shape).grow(reach), balls)
    columns = describe_curvature(found, 1, 4.0, np.array([inscribed_um]))
    return {name: float(values[0]) for name, values in columns.items()}


def rounded(edge: float, radius: float) -> Callable[[Reals], NDArray[np.bool_]]:
    """Return the inside of a cube whose edges and corners are rounded."""

    def inside(p: Reals) -> NDArray[np.bool_]:
        return np.square(np.maximum(np.abs(p) - edge / 2 + radius, 0)).sum(-1) <= radius**2

    return inside


def compare_rounded(n: int, voxel_um: Reals) -> None:
    """Print curvature and roundness of cubes, from sharp ones to balls."""
    print(f"\nrounded cubes, voxels {voxel_um.tolist()} um, {n} a shape: curvature in 1/um")
    print(f"{'edge':>6}{'radius':>8}{'mean':>9}{'spread':>9}{'roundness':>11}")
    for edge in (20, 30, 60):
        for radius in sorted({0, 2, 4, 8, edge // 2}):
            inside, rng = rounded(edge, max(radius, 1e-6)), np.random.default_rng(radius)
            size = np.ceil((1.75 * edge + 4) / voxel_um).astype(int)
            place = (np.stack(np.indices(size), -1) + 0.5 - size / 2) * voxel_um
            found = []
            for turn in Rotation.random(n, rng):
                own = turn.inv().apply((place - rng.uniform(-0.5, 0.5, 3)).reshape(-1, 3))
                row = describe_bend(inside(own).reshape(size).astype(np.uint8), voxel_um, edge)
                found.append([row[name] for name in (*NAMES, "roundness")])
            mean, spread, roundness = np.mean(found, 0)
            print(f"{edge:6}{radius:8}{mean:9.4f}{spread:9.4f}{roundness:11.2f}")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bodies", type=int, default=12, help="bodies a shape")
    n = parser.parse_args().bodies
    for voxel_um in ((1.0, 1.0, 1.0), (2.0, 1.0, 1.0)):
        print(f"\nvoxels {voxel_um} um, {n} bodies a shape: mean error (spread); lengths in um")
        heads = [*(f"{name} %" for name in PARTS), *LENGTHS]
        print(
            f"{'shape':22}"
            + "".join(f"{h:>16}" for h in heads)
            + f"{'euler wrong':>13}{'holes wrong':>13}"
        )
        for i, shape in enumerate(SHAPES):
            found = list(measure(shape, n, np.array(voxel_um), i))
            cells = []
            for name in (*PARTS, *LENGTHS):
                values = np.array([f[name] for f in found]) * (100 if name in PARTS else 1)
                cells.append(f"{values.mean():8.2f} ({values.std():.2f})")
            wrong = [int(sum(f[name] for f in found)) for name in ("euler", "holes")]
            print(
                f"{shape.name:22}"
                + "".join(f"{c:>16}" for c in cells)
                + "".join(f"{n:13}" for n in wrong)
            )
        compare_rounded(3, np.array(voxel_um))


if __name__ == "__main__":
    main()
