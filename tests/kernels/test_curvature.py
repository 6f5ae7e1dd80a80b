"""Curvature of surfaces against closed forms; what thin plates, seams and the lattice leave of it.

Sources: elementary geometry (1/R of a ball, 1/(2R) of a cylinder, integral of the mean curvature of
a torus over its surface 2 pi^2 R / (4 pi^2 R r)); roundness as Wadell, J. Geology 40 (1932) 443.
"""

import itertools

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial.transform import Rotation

from pipeline.kernels.balls import plan_balls
from pipeline.kernels.curvature import describe_curvature, fold_curvature, merge_curvatures
from pipeline.model.distances import curvature_halo
from pipeline.model.grid import Box
from pipeline.model.recipe import read_recipe

CUBIC = (1.0, 1.0, 1.0)
BALLS = plan_balls(CUBIC, 4.0)


def body_of(inside, reach, voxel_um=CUBIC, seed=0, margin=6):
    """Voxels of a shape in a random place and turn, with empty ones around."""
    rng = np.random.default_rng(seed)
    size = np.ceil(2 * (reach + margin * np.array(voxel_um)) / voxel_um).astype(int)
    place = (np.stack(np.indices(size), -1) + 0.5 - size / 2) * voxel_um
    turn = Rotation.random(1, rng)[0]
    own = turn.inv().apply((place - rng.uniform(-0.5, 0.5, 3)).reshape(-1, 3))
    return inside(own).reshape(size).astype(np.int32)


def measure(bodies, balls=BALLS, core=None):
    whole = Box((0, 0, 0), bodies.shape).grow(tuple(-r for r in balls.reach))
    return fold_curvature(bodies, whole if core is None else core.meet(whole), balls)


def columns_of(bodies, balls=BALLS, radius_um=4.0, inscribed_um=None):
    n = int(bodies.max())
    got = describe_curvature(
        measure(bodies, balls), n, radius_um, None if inscribed_um is None else inscribed_um
    )
    return {name.removeprefix("surface_curvature_"): values for name, values in got.items()}


def ball(radius):
    return lambda p: np.square(p).sum(-1) <= radius**2


def rounded_cube(edge, radius):
    def inside(p):
        return np.square(np.maximum(np.abs(p) - edge / 2 + radius, 0)).sum(-1) <= radius**2

    return inside


def count_by_the_definition(bodies, voxel_um, radius_um, faces):
    """Curvature steps and bodies of all faces of voxels in a box, path by path."""
    balls, found = plan_balls(voxel_um, radius_um), []
    reach = [int(radius_um / e) + 2 for e in voxel_um]
    span = [range(-r, r + 1) for r in reach]
    for at in np.argwhere(bodies[faces.slices]) + faces.start:
        for axis, sign in np.ndindex(3, 2):
            ahead = np.eye(3, dtype=int)[axis] * (2 * sign - 1)
            own = bodies[tuple(at)]
            if bodies[tuple(at + ahead)] == own:
                continue
            out, near, outside = at + ahead, 0, {}
            for step in sorted(itertools.product(*span), key=lambda s: sum(map(abs, s))):
                far = np.linalg.norm((np.array(step) + ahead / 2) * voxel_um)
                if far > radius_um + 1e-9 or bodies[tuple(out + step)] == own:
                    continue
                before = [
                    tuple(c - np.sign(c) * (i == k) for i, c in enumerate(step))
                    for k in range(3)
                    if step[k]
                ]
                if not before or any(b in outside for b in before):
                    outside[step] = True
                    near += far <= 0.7 * radius_um + 1e-9
            found.append((own, balls.curvature[axis, near, len(outside)]))
    return sorted(found)


@pytest.mark.parametrize("voxel_um", [CUBIC, (2.0, 1.0, 1.5)])
def test_faces_are_those_of_the_definition(voxel_um):
    rng = np.random.default_rng(2)
    bodies = (ndimage.gaussian_filter(rng.random((20, 20, 20)), 1.0) > 0.52).astype(np.int32)
    bodies[:, :, 10:] *= 2
    faces, radius = Box((8, 8, 8), (11, 11, 11)), max(3.0, 2 * max(voxel_um))
    found = fold_curvature(bodies, faces, plan_balls(voxel_um, radius))
    wanted = count_by_the_definition(bodies, voxel_um, radius, faces)
    assert len(wanted) > 15
    # Entries of no weight are kept: their faces turn away from what is outside.
    assert sorted(set(wanted)) == list(zip(found.body.tolist(), found.step.tolist(), strict=True))


@pytest.mark.parametrize("radius", [4, 8, 20])
def test_balls(radius):
    got = columns_of(body_of(ball(radius), radius))
    assert got["mean_per_um"][0] == pytest.approx(1 / radius, rel=0.03)
    assert got["sd_per_um"][0] < 0.03
    assert got["p50_per_um"][0] == pytest.approx(1 / radius, abs=0.01)
    spread = got["p90_per_um"][0] - got["p10_per_um"][0]
    assert 0 < spread < 3 * got["sd_per_um"][0]


@pytest.mark.parametrize("voxel_um", [(2.0, 1.0, 1.0), (1.0, 2.5, 1.3)])
def test_balls_of_oblong_voxels(voxel_um):
    radius = max(4.0, 2 * max(voxel_um))
    balls = plan_balls(voxel_um, radius)
    got = columns_of(body_of(ball(12), 12, voxel_um), balls, radius)
    assert got["mean_per_um"][0] == pytest.approx(1 / 12, rel=0.04)
    assert got["sd_per_um"][0] < 0.08


@pytest.mark.parametrize(
    "voxel_um", [CUBIC, (3.0, 3.0, 3.0), (2.0, 1.0, 1.0), (1.0, 4.0, 1.0), (1.37, 1.0, 1.9)]
)
def test_planned_halo_is_what_balls_reach(voxel_um):
    phases = "phases: [{name: a, kind: background}, {name: b, kind: particles}]"
    for radius_vx in (3.0, 4.3):
        recipe = read_recipe(f"describe: {{curvature_radius_vx: {radius_vx}}}\n{phases}", "test")
        radius = max(radius_vx * min(voxel_um), 2 * max(voxel_um))
        assert plan_balls(voxel_um, radius).reach == curvature_halo(recipe, voxel_um)


def test_torus_and_cylinder():
    torus = body_of(lambda p: np.hypot(np.hypot(p[:, 1], p[:, 2]) - 15, p[:, 0]) <= 5, 20)
    assert columns_of(torus)["mean_per_um"][0] == pytest.approx(15 / (2 * 15 * 5), rel=0.03)
    rod = body_of(lambda p: (np.hypot(p[:, 1], p[:, 2]) <= 6) & (abs(p[:, 0]) < 30), 31)
    assert columns_of(rod)["p50_per_um"][0] == pytest.approx(1 / 12, abs=0.01)


def test_a_hollow_is_concave():
    def inside(p):
        r = np.linalg.norm(p, axis=-1)
        return (r <= 20) & (r > 9)

    got = columns_of(body_of(inside, 20))
    # Both surfaces by their area: 4 pi (20 - 9) over 4 pi (20^2 + 9^2).
    assert got["mean_per_um"][0] == pytest.approx(11 / 481, abs=0.002)
    assert got["p10_per_um"][0] == pytest.approx(-1 / 9, abs=0.03)
    assert got["p90_per_um"][0] == pytest.approx(1 / 20, abs=0.03)


@pytest.mark.parametrize("thickness", [1.9, 3, 5])
def test_a_plate_thinner_than_the_ball_has_two_flat_sides(thickness):
    flat = body_of(lambda p: (abs(p[:, 0]) <= thickness / 2) & (abs(p[:, 1:]).max(1) < 25), 36)
    assert columns_of(flat)["p50_per_um"][0] == pytest.approx(0, abs=0.03)
    assert columns_of(flat)["p10_per_um"][0] > -0.03

    def bent(p):
        away = np.hypot(p[:, 0] + 12, p[:, 1])
        return (abs(away - 12) <= thickness / 2) & (abs(p[:, 2]) < 25) & (p[:, 0] > -12)

    # The inner side of half a pipe of radius 12: 1/(2 R) of either sign.
    assert columns_of(body_of(bent, 28))["p10_per_um"][0] < -0.035


def test_planes_along_the_lattice_are_flat_to_the_last_bit():
    slab = np.zeros((20, 40, 40), np.int32)
    slab[8:10] = 1
    found = measure(slab)
    assert (found.body.tolist(), found.step.tolist()) == ([1], [0])
    reach = np.array(BALLS.reach[1:])
    assert found.weight.tolist() == [1024 * 2 * np.prod(40 - 2 * reach)]


def test_weights_add_up_to_the_surface():
    found = measure(body_of(ball(16), 16))
    assert found.weight.sum() / 1024 == pytest.approx(4 * np.pi * 16**2, rel=0.02)


def test_touching_bodies_are_told_apart():
    one = body_of(ball(10), 10)
    two = np.concatenate([one, 2 * one], 2)
    got = columns_of(two)
    np.testing.assert_array_equal(got["mean_per_um"], np.repeat(got["mean_per_um"][:1], 2))
    halves = one.copy()
    halves[:, :, one.shape[2] // 2 :] *= 2
    assert (columns_of(halves)["p90_per_um"] > 0.15).all()


@pytest.mark.parametrize("cuts", [(1, 7, 19), (5, 16, 17), (11, 12, 23)])
def test_parts_add_up_to_the_whole(cuts):
    bodies = body_of(rounded_cube(16, 3), 14)
    bodies[:, 14:] *= 2
    parts = []
    for part in np.ndindex(2, 2, 2):
        low = tuple(c if k else 0 for c, k in zip(cuts, part, strict=True))
        high = tuple(n if k else c for n, c, k in zip(bodies.shape, cuts, part, strict=True))
        parts.append(measure(bodies, core=Box(low, high)))
    whole, merged = measure(bodies), merge_curvatures(parts)
    for name in ("body", "step", "weight"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(merged, name))


def test_roundness_ranks_cubes_of_one_size():
    found = []
    for radius in (0.01, 4, 8, 15):
        body = body_of(rounded_cube(30, radius), 27 - 0.7 * radius)
        found.append(columns_of(body, inscribed_um=np.array([30.0]))["roundness"][0])
    assert found == sorted(found)
    assert found[0] < 0.5
    assert found[-1] > 0.75


def test_what_is_not_known_is_null():
    body = np.zeros((30, 30, 30), np.int32)
    body[12:18, 12:18, 12:18] = 1
    body[0, 0, 0] = 2  # All its balls leave the array.
    body[20, 20, 20] = 3
    got = columns_of(body, inscribed_um=np.array([6.0, 2.0, np.nan]))
    assert np.isnan(got["roundness"]).all()
    assert np.isnan(got["mean_per_um"]).tolist() == [False, True, False]
    assert all(np.isfinite(got[f"p{k}_per_um"][[0, 2]]).all() for k in (10, 50, 90))
    nothing = describe_curvature(merge_curvatures([]), 2, 4.0, np.ones(2))
    assert all(np.isnan(values).all() for values in nothing.values())
