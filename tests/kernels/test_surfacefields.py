import numpy as np
import pytest

from pipeline.kernels.surface import Surface, mesh_surface
from pipeline.kernels.surfacefields import (
    aspect_ratios,
    measure_curvature,
    measure_quality,
    measure_thickness,
    sample_voxels,
)


def ball(radius, hollow=0.0):
    n = 2 * int(radius) + 3
    z, y, x = np.indices((n, n, n)) - (n - 1) / 2
    r2 = z * z + y * y + x * x
    return (r2 <= radius**2) & (r2 >= hollow**2)


def test_curvature_of_a_ball_and_its_cavity():
    surface = mesh_surface(ball(10, 6), (2.0, 2.0, 2.0))
    curvature = measure_curvature(surface)
    away = np.linalg.norm(surface.vertices - surface.vertices.mean(0), axis=1)
    assert np.median(curvature[away > 16]) == pytest.approx(1 / 20, rel=0.1)
    # Seen from the body, the wall of a cavity is hollow.
    assert np.median(curvature[away < 16]) == pytest.approx(-1 / 12, rel=0.1)
    # Gauss: means of rough surfaces are off, the integral over a closed one is not.
    t = surface.vertices[surface.faces]
    area = np.linalg.norm(np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0]), axis=1) / 6
    weight = np.bincount(surface.faces.ravel(), np.repeat(area, 3))
    assert (curvature * weight).sum() == pytest.approx(4 * np.pi * (20 - 12), rel=0.05)


def test_thickness_of_a_plate_and_of_a_wall():
    plate = np.zeros((9, 30, 30), bool)
    plate[3:6, 2:28, 2:28] = True
    surface = mesh_surface(plate, (2.0, 1.0, 1.0))
    middle = (np.abs(surface.vertices[:, :2] - 15) < 8).all(1)
    assert measure_thickness(surface)[middle] == pytest.approx(6.0, rel=0.08)
    wall = mesh_surface(ball(11, 8), (1.0, 1.0, 1.0))
    away = np.linalg.norm(wall.vertices - wall.vertices.mean(0), axis=1)
    assert np.median(measure_thickness(wall)[away > 9.5]) == pytest.approx(3.0, rel=0.08)


def test_quality_of_what_is_wrong():
    surface = mesh_surface(ball(4), (1.0, 1.0, 1.0))
    good = measure_quality(surface, float(ball(4).sum()))
    assert (good.watertight, good.n_crossings, good.n_shells) == (True, 0, 1)
    assert (good.euler_number, good.n_cavities) == (2, 0)
    hollow = measure_quality(mesh_surface(ball(6, 4), (1.0, 1.0, 1.0)), 1.0)
    assert (hollow.n_shells, hollow.n_cavities) == (2, 1)
    assert abs(good.volume_error) < 1e-9
    assert 1 <= good.aspect_median <= good.aspect_p99 <= good.aspect_max < 3
    holed = measure_quality(Surface(surface.vertices, surface.faces[2:]), 1.0)
    assert not holed.watertight
    torn = surface.vertices.copy()
    torn[0] = 3 * torn.mean(0) - 2 * torn[0]
    assert measure_quality(Surface(torn, surface.faces), 1.0).n_crossings > 0


def test_values_come_from_the_nearest_voxel_of_the_body():
    mask = np.zeros((7, 8, 9), bool)
    mask[2:5, 3:6, 2:7] = True
    field = np.where(mask, np.indices(mask.shape)[0] * 10.0, np.nan)
    voxel, origin = (2.0, 1.0, 1.0), (50.0, 20.0, 10.0)
    surface = mesh_surface(mask, voxel, origin)
    values = sample_voxels(surface, field, mask, voxel, origin)
    assert sorted(set(values)) == [20.0, 30.0, 40.0]
    high = surface.vertices[:, 2]
    assert (values[high > 50 + 2 * 5 - 0.9] == 40).all()
    assert (values[high < 50 + 2 * 2 + 0.9] == 20).all()


def test_aspect_ratios():
    points = np.array([[0, 0, 0], [1, 0, 0], [0.5, 3**0.5 / 2, 0], [2, 0, 0]])
    found = aspect_ratios(Surface(points, np.array([[0, 1, 2], [0, 1, 3]])))
    assert found == pytest.approx([1.0, np.inf])
