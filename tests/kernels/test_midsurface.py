"""Bending of platelets against the closed form of a cylinder's segment, and of flat ones."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.kernels.midsurface import measure_bending


def bent_plate(radius, length, width, thickness, rotation, centre, voxel_um):
    """A sheet of even thickness whose middle is an arc, and its normal."""
    size = np.ceil((1.45 * max(length, width) + 10) / np.array(voxel_um)).astype(int)
    place = (np.stack(np.indices(size), -1) + 0.5 - size / 2) * voxel_um - centre
    x, y, z = np.moveaxis(rotation.inv().apply(place.reshape(-1, 3)), 1, 0)
    reach, angle = np.hypot(x, z + radius), np.arctan2(x, z + radius)
    inside = (np.abs(reach - radius) <= thickness / 2) & (np.abs(angle) <= length / radius / 2)
    return (inside & (np.abs(y) <= width / 2)).reshape(size), rotation.apply([0.0, 0.0, 1.0])


def closed_form(radius, length):
    """Rms distance of an arc from its mean line."""
    a = length / radius / 2
    return radius * np.sqrt(0.5 + np.sin(2 * a) / (4 * a) - (np.sin(a) / a) ** 2)


@pytest.mark.parametrize("voxel_um", [(1.0, 1.0, 1.0), (2.0, 1.0, 1.0)])
@pytest.mark.parametrize(
    ("radius", "length", "width", "thickness"), [(60, 40, 36, 4), (40, 40, 30, 4), (30, 36, 30, 3)]
)
def test_bent_plates_of_known_radius(radius, length, width, thickness, voxel_um):
    rng = np.random.default_rng(radius)
    found = []
    for rotation in Rotation.random(6, rng):
        mask, normal = bent_plate(
            radius, length, width, thickness, rotation, rng.uniform(-0.5, 0.5, 3), voxel_um
        )
        found.append(measure_bending(mask, normal, voxel_um))
    wanted = closed_form(radius, length)
    assert np.mean(found) == pytest.approx(wanted, rel=0.05)
    assert np.ptp(found) < 0.15 * wanted


def test_flat_plates_are_flat_within_half_a_voxel():
    rng = np.random.default_rng(1)
    found = []
    for rotation in Rotation.random(8, rng):
        mask, normal = bent_plate(
            1e6, 36, 30, 4, rotation, rng.uniform(-0.5, 0.5, 3), (1.0, 1.0, 1.0)
        )
        found.append(measure_bending(mask, normal, (1.0, 1.0, 1.0)))
    assert max(found) < 0.5


def test_a_wedge_and_its_mirror_image_lie_on_a_tilted_plane():
    mask = np.zeros((12, 8, 9), bool)
    for x in range(9):
        mask[x : x + 3, :, x] = True
    assert measure_bending(mask, np.array([0.8, 0.0, -0.6]), (1.0, 2.0, 3.0)) < 1e-12
    assert measure_bending(mask[::-1], np.array([0.8, 0.0, 0.6]), (1.0, 2.0, 3.0)) < 1e-12


@pytest.mark.parametrize("shape", [(1, 1, 1), (1, 1, 7), (3, 1, 9)])
def test_points_and_lines_have_no_bending(shape):
    assert np.isnan(measure_bending(np.ones(shape, bool), np.array([1.0, 0.0, 0.0]), (1.0,) * 3))


def test_one_plane_is_flat():
    flat = np.ones((1, 5, 7), bool)
    assert measure_bending(flat, np.array([1.0, 0.0, 0.0]), (1.0, 1.0, 1.0)) == 0.0
