"""Closed shapes against elementary geometry: surface, sphericity, Euler number, axes.

Sources: elementary geometry for volumes, surfaces and Wadell's sphericity
pi^(1/3) (6 V)^(2/3) / S (ISO 9276-6); the 13 weights of Crofton's formula are those of Ohser &
Muecklich, Statistical Analysis of Microstructures in Materials Science (2000), ch. 4.
"""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.kernels.descriptors import crofton_weights

pytestmark = pytest.mark.published

AXIS, FACE, SPACE = 0.04577789120476, 0.03698062787608, 0.03519563978232
"""Weights of one sense of an axis, a face diagonal, a space diagonal on the cubic lattice."""

FLAT_100 = 2 * (2 * AXIS + 8 * FACE / np.sqrt(2) + 8 * SPACE / np.sqrt(3))
"""Measured over true area of a plane along a lattice face: no other plane is measured smaller."""


def points(shape, centre, voxel_um=(1.0, 1.0, 1.0)):
    """Voxel centres relative to a point, in um, shape (3, z, y, x)."""
    scale = np.array(voxel_um)[:, None, None, None]
    return np.indices(shape) * scale - np.array(centre)[:, None, None, None]


def ellipsoid(axes, rotation, centre, size):
    """An ellipsoid of semi-axes (z, y, x) turned by a rotation."""
    p = np.einsum("ij,jzyx->izyx", rotation.as_matrix().T, points((size,) * 3, centre))
    return (np.square(p / np.array(axes)[:, None, None, None]).sum(0) <= 1).astype(np.uint8)


def box(edges, rotation, centre, size):
    """A box of edge lengths (z, y, x) turned by a rotation."""
    p = np.einsum("ij,jzyx->izyx", rotation.as_matrix().T, points((size,) * 3, centre))
    return (np.abs(p) <= np.array(edges)[:, None, None, None] / 2).all(0).astype(np.uint8)


def rows_of(count_bodies, body, **options):
    """Rows of one body, measured through tiles that cut it."""
    rows = count_bodies(body, None, tuple(n // 2 + 1 for n in body.shape), **options).rows
    assert rows["n_voxels"].tolist() == [body.sum()]
    return {name: column[0] for name, column in rows.items()}


def test_weights_of_the_cubic_lattice():
    wanted = np.array([AXIS] * 3 + [FACE] * 6 + [SPACE] * 4) * 2
    np.testing.assert_allclose(crofton_weights((1.0, 1.0, 1.0)), wanted, rtol=1e-12)
    np.testing.assert_allclose(crofton_weights((3.7, 3.7, 3.7)), wanted, rtol=1e-12)
    assert pytest.approx(0.9266, abs=5e-5) == FLAT_100


@pytest.mark.parametrize("radius", [8, 12, 20])
def test_surface_and_volume_of_balls(count_bodies, radius):
    rng = np.random.default_rng(radius)
    size = 2 * radius + 6
    surfaces, volumes, spheres, diameters = [], [], [], []
    for _ in range(12):
        centre = rng.uniform(radius + 2, radius + 3, 3)
        body = (np.square(points((size,) * 3, centre)).sum(0) <= radius**2).astype(np.uint8)
        row = rows_of(count_bodies, body)
        surfaces.append(row["surface_um2"] / (4 * np.pi * radius**2))
        volumes.append(row["volume_um3"] / (4 / 3 * np.pi * radius**3))
        spheres.append(row["sphericity"])
        diameters += [row[f"{name}_um"] / (2 * radius) for name in ("major", "minor")]
        assert row["feret_max_faces_um"] == pytest.approx(2 * radius, abs=1.0)
        assert row["euler_number"] == 1
    assert np.mean(surfaces) == pytest.approx(1, abs=0.01)
    assert np.std(surfaces) < 0.01
    assert np.mean(volumes) == pytest.approx(1, abs=0.005)
    assert np.mean(spheres) == pytest.approx(1, abs=0.01)
    np.testing.assert_allclose(diameters, 1, atol=0.02)


def test_surface_of_balls_on_an_anisotropic_lattice(count_bodies):
    rng = np.random.default_rng(0)
    for voxel_um in ((1.0, 1.0, 2.0), (2.0, 1.0, 1.0), (1.0, 2.0, 1.0)):
        ratios = []
        for _ in range(12):
            radius = 16.0
            centre = rng.uniform(18, 20, 3)
            shape = tuple(int(40 / v) for v in voxel_um)
            inside = np.square(points(shape, centre, voxel_um)).sum(0) <= radius**2
            row = rows_of(count_bodies, inside.astype(np.uint8), voxel_um=voxel_um)
            ratios.append(row["surface_um2"] / (4 * np.pi * radius**2))
        assert np.mean(ratios) == pytest.approx(1, abs=0.015)


@pytest.mark.parametrize("edges", [(12, 12, 12), (4, 20, 31), (30, 30, 3), (1, 25, 25)])
def test_boxes_along_the_lattice_are_exact(count_bodies, edges):
    body = np.pad(np.ones(edges, np.uint8), 2)
    row = rows_of(count_bodies, body)
    # The covariance of a box of whole voxels is exact: semi-axis sqrt(5 l), side sqrt(12 l).
    wanted = sorted(2 * np.sqrt(5 / 12) * np.array(edges), reverse=True)
    got = [row["major_um"], row["intermediate_um"], row["minor_um"]]
    np.testing.assert_allclose(got, wanted, rtol=1e-12)
    assert row["under_resolved"] == (min(edges) < 3)
    assert row["euler_number"] == 1
    # A line of the lattice meets a convex body twice, and the lines through a box are counted.
    a, b, c = edges
    axis_lines = a * b + b * c + a * c
    face_lines = 2 * (a * (b + c - 1) + b * (a + c - 1) + c * (a + b - 1))
    space_lines = 4 * (a * b * c - (a - 1) * (b - 1) * (c - 1))
    lines = AXIS * axis_lines + FACE * face_lines / np.sqrt(2) + SPACE * space_lines / np.sqrt(3)
    assert row["surface_um2"] == pytest.approx(8 * lines, rel=1e-12)


def test_a_plane_along_the_lattice_is_the_worst_case(count_bodies):
    # The bias of a large face of a box, which its thin rim hardly changes.
    row = rows_of(count_bodies, np.pad(np.ones((400, 400, 5), np.uint8), 1))
    area = 2 * (400 * 400 + 2 * 400 * 5)
    assert row["surface_um2"] / area == pytest.approx(FLAT_100, abs=0.003)


@pytest.mark.parametrize(
    ("edges", "sphericity"), [((20, 20, 20), 0.805996), ((40, 40, 4), 0.434116)]
)
def test_sphericity_of_boxes_in_any_direction(count_bodies, edges, sphericity):
    values = []
    for rotation in Rotation.random(16, np.random.default_rng(2)):
        body = box(edges, rotation, np.random.default_rng(3).uniform(31, 32, 3), 63)
        values.append(rows_of(count_bodies, body)["sphericity"])
    assert np.mean(values) == pytest.approx(sphericity, rel=0.03)
    np.testing.assert_allclose(values, sphericity, rtol=0.08)


@pytest.mark.parametrize(
    ("axes", "sphericity"),
    [
        ((12, 24, 24), 0.91287),
        ((5, 25, 25), 0.62546),
        ((24, 12, 12), 0.92874),
        ((30, 6, 6), 0.73207),
    ],
    ids=["oblate 1:2", "oblate 1:5", "prolate 2:1", "prolate 5:1"],
)
def test_ellipsoids_in_any_direction(count_bodies, axes, sphericity):
    values = []
    load = np.array([1.0, 2.0, 2.0]) / 3.0
    for rotation in Rotation.random(10, np.random.default_rng(5)):
        body = ellipsoid(axes, rotation, np.random.default_rng(6).uniform(32, 33, 3), 66)
        row = rows_of(count_bodies, body, load_axis=(1.0, 2.0, 2.0))
        values.append(row["sphericity"])
        wanted = sorted([2.0 * a for a in axes], reverse=True)
        got = [row["major_um"], row["intermediate_um"], row["minor_um"]]
        np.testing.assert_allclose(got, wanted, rtol=0.02)
        # The axis of revolution, turned: the shortest axis of a plate, the longest of a rod.
        turned = rotation.as_matrix()[:, 0]
        name = "minor" if axes[0] < axes[1] else "major"
        found = np.array([row[f"{name}_{a}"] for a in "zyx"])
        assert abs(found @ turned) > np.cos(np.radians(1))
        if name == "minor":
            angle = np.degrees(np.arccos(abs(turned @ load)))
            assert row["load_angle_deg"] == pytest.approx(angle, abs=1)
    assert np.mean(values) == pytest.approx(sphericity, rel=0.015)


@pytest.mark.parametrize("connectivity", [6, 18, 26])
def test_euler_numbers_of_closed_shapes(count_bodies, connectivity):
    z, y, x = points((44, 44, 44), (21.3, 21.6, 21.1))
    distance = np.sqrt(z**2 + y**2 + x**2)
    ring = np.sqrt((np.sqrt(y**2 + x**2) - 13) ** 2 + z**2)
    shapes = {
        "ball": (distance <= 15, 1),
        "shell": ((distance <= 18) & (distance >= 11), 2),
        "torus": (ring <= 5, 0),
        "torus with a hollow": ((ring <= 6) & (ring >= 3), 0),
        "two tunnels": ((abs(z) < 4) & (distance < 19) & (abs(y) + abs(abs(x) - 8) > 5), -1),
    }
    for name, (inside, wanted) in shapes.items():
        row = rows_of(count_bodies, inside.astype(np.uint8), connectivity=connectivity)
        assert row["euler_number"] == wanted, name


@pytest.mark.parametrize("axes", [(8, 8, 8), (20, 20, 20), (6, 20, 20), (24, 8, 8), (22, 15, 9)])
def test_projected_area_of_ellipsoids_in_any_direction(count_bodies, axes):
    # Area of an ellipsoid's shadow along n: pi a b c sqrt(sum (n_i / a_i)^2), exact.
    ratios, lengths = [], []
    rng = np.random.default_rng(7)
    for rotation in Rotation.random(10, rng):
        body = ellipsoid(axes, rotation, rng.uniform(25, 26, 3), 51)
        row = rows_of(count_bodies, body)
        along = rotation.as_matrix()[0] / np.array(axes)
        wanted = np.pi * np.prod(axes) * np.linalg.norm(along)
        ratios.append(row["projected_area_um2"] / wanted)
        lengths.append(row["feret_max_um"] - 2 * max(axes))
        assert row["sqrt_projected_area_um"] == pytest.approx(np.sqrt(row["projected_area_um2"]))
        for name, axis in zip(("major", "intermediate", "minor"), sorted(axes)[::-1], strict=True):
            assert row[f"extent_{name}_um"] == pytest.approx(2 * axis, abs=2)
    assert np.mean(ratios) == pytest.approx(1, abs=0.01)
    np.testing.assert_allclose(ratios, 1, atol=0.02)
    # The hull of voxels reaches beyond a smooth body: half a voxel's diagonal at either end.
    assert 0 < np.mean(lengths) < 1.75


def test_solidity_of_balls_is_that_of_their_voxels(count_bodies):
    # The figures in the dictionary: steps of voxels, not a hollow.
    for radius, solidity in ((8, 0.85), (20, 0.92)):
        centre = np.random.default_rng(1).uniform(radius + 1, radius + 2, 3)
        body = np.square(points((2 * radius + 4,) * 3, centre)).sum(0) <= radius**2
        row = rows_of(count_bodies, body.astype(np.uint8))
        assert row["solidity"] == pytest.approx(solidity, abs=0.01)


@pytest.mark.parametrize("voxel_um", [(1.0, 1.0, 1.0), (2.0, 1.0, 1.0)])
@pytest.mark.parametrize("axes", [(10, 10, 10), (20, 20, 20), (8, 20, 20), (24, 8, 8)])
def test_mean_caliper_of_ellipsoids(count_bodies, axes, voxel_um):
    # Mean width of an ellipsoid: 2 E |A n| over all directions n (Santalo 1976); M = 2 pi times it.
    rng = np.random.default_rng(11)
    directions = rng.standard_normal((200_000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    wanted = 2 * np.linalg.norm(directions * np.array(axes), axis=1).mean()
    shape = tuple(int(54 / v) for v in voxel_um)
    ratios = []
    for rotation in Rotation.random(10, rng):
        p = points(shape, rng.uniform(26, 27, 3), voxel_um)
        p = np.einsum("ij,jzyx->izyx", rotation.as_matrix().T, p)
        body = (np.square(p / np.array(axes)[:, None, None, None]).sum(0) <= 1).astype(np.uint8)
        row = rows_of(count_bodies, body, voxel_um=voxel_um)
        ratios.append(row["mean_caliper_um"] / wanted)
        integral = row["mean_curvature_integral_um"]
        assert integral == pytest.approx(2 * np.pi * row["mean_caliper_um"])
    # Small caps are missed: a fifth of a voxel at either end of a ball of radius 10.
    assert np.mean(ratios) == pytest.approx(0.99, abs=0.025)
    # Voxels twice as long along z see a thin body's tips by chance.
    assert np.std(ratios) < (0.015 if voxel_um == (1.0, 1.0, 1.0) else 0.04)


def test_mean_curvature_turns_its_sign_with_the_body(count_bodies):
    # M of a body less M of a cavity: 4 pi (R - r) for a shell.
    distance = np.sqrt(np.square(points((50, 50, 50), (24.6, 24.3, 24.8))).sum(0))
    shell = ((distance <= 20) & (distance > 10)).astype(np.uint8)
    integral = rows_of(count_bodies, shell)["mean_curvature_integral_um"]
    assert integral == pytest.approx(4 * np.pi * (20 - 10), rel=0.03)


@pytest.mark.parametrize("edges", [(40, 36, 4), (38, 38, 6)])
def test_thickness_of_plates_in_any_direction(count_bodies, edges):
    ratios = []
    a, b, c = edges
    wanted = 2 * a * b * c / (2 * (a * b + b * c + c * a))
    for rotation in Rotation.random(12, np.random.default_rng(4)):
        body = box(edges, rotation, np.random.default_rng(5).uniform(31, 32, 3), 63)
        row = rows_of(count_bodies, body)
        ratios.append(row["thickness_um"] / wanted)
        assert row["shape_class"] == "platelet"
        assert row["shape_margin"] > 0.5
    assert np.mean(ratios) == pytest.approx(1, abs=0.05)


def test_a_platelet_as_found_in_practice(count_bodies):
    # Common practice, no source: 0.0018 mm3 and 0.358 mm2 give 2V/S = 10 um and sphericity 0.20.
    edge, thick = 412, 10.6
    voxel = 5.3
    turn = Rotation.from_euler("zyx", (0.4, 0.3, 0.5))
    body = box((edge / voxel, edge / voxel, thick / voxel), turn, (48.2, 48.6, 48.1), 97)
    row = rows_of(count_bodies, body, voxel_um=(voxel,) * 3)
    assert row["volume_um3"] == pytest.approx(0.0018e9, rel=0.03)
    assert row["surface_um2"] == pytest.approx(0.358e6, rel=0.06)
    assert row["thickness_um"] == pytest.approx(10, rel=0.06)
    assert row["sphericity"] == pytest.approx(0.20, abs=0.015)
    assert row["shape_class"] == "platelet"
