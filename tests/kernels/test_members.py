"""Members of crossing platelets: their number, their voxels, and what is measured of them."""

import numpy as np
import pytest

from pipeline.kernels.members import measure_members, split_members
from tests.benchmarks.members import cross, judge, normals_at

CUBIC, OBLONG = np.ones(3), np.array([2.0, 1.0, 1.0])


@pytest.mark.parametrize("voxel_um", [CUBIC, OBLONG], ids=["cubic", "oblong"])
@pytest.mark.parametrize(("plates", "angle"), [(1, 0), (2, 30), (2, 60), (2, 90), (3, 60), (3, 90)])
def test_number_of_crossing_plates(plates, angle, voxel_um):
    rng = np.random.default_rng([plates, angle])
    for _ in range(2):
        body = cross(normals_at(angle, plates), rng, (20, 15), 3.5, voxel_um)
        found, right = judge(body, voxel_um)
        assert found == plates
        assert right > 0.9


def test_one_bent_plate_is_one_member():
    body = cross(normals_at(0, 1), np.random.default_rng(1), (22, 16), 3.5, CUBIC, radius=40)
    assert judge(body, CUBIC)[0] == 1


@pytest.mark.parametrize("shape", [(1, 1, 1), (1, 1, 5), (1, 6, 7), (2, 9, 8)])
def test_small_flat_bodies_are_one_member(shape):
    mask = np.ones(shape, bool)
    assert (split_members(mask, (1.0, 1.0, 1.0), 1.0) == 1).all()


def test_members_are_numbered_by_their_first_voxels_and_fill_the_body():
    body = cross(normals_at(60, 2), np.random.default_rng(4), (20, 15), 3.5, CUBIC)
    mask = np.any(body, axis=0)
    found = split_members(mask, (1.0, 1.0, 1.0), 3.0)
    assert ((found > 0) == mask).all()
    first = [np.flatnonzero(found.ravel() == k + 1)[0] for k in range(found.max())]
    assert first == sorted(first)
    # A margin around the box shows no other voxels, so it changes nothing.
    assert np.array_equal(split_members(np.pad(mask, 3), (1.0,) * 3, 3.0)[3:-3, 3:-3, 3:-3], found)


def test_measures_are_those_of_numpy():
    members = np.zeros((9, 14, 12), np.int32)
    members[2:5, 1:13, 2:10] = 1
    members[5:9, 4:6, 1:11] = 2
    voxel_um = (2.0, 1.0, 1.5)
    found = measure_members(members, voxel_um)
    assert found.voxels.tolist() == [288, 80]
    for k in range(2):
        place = (np.argwhere(members == k + 1) + 0.5) * voxel_um
        assert found.centroid[k] == pytest.approx(place.mean(0))
    assert np.abs(found.normal) == pytest.approx(np.array([[1.0, 0, 0], [0, 1.0, 0]]))
    assert found.thickness == pytest.approx([6.0, 2.0])
    # A box of edge a has the spread of an ellipsoid of full axis sqrt(5 / 3) a.
    assert found.length == pytest.approx(np.sqrt(5 / 3) * np.array([12.0, 15.0]))
    assert found.width == pytest.approx(np.sqrt(5 / 3) * np.array([12.0, 8.0]))
