import numpy as np
import pytest
from skimage.measure import euler_number

from pipeline.verify.bodies import crofton_surface
from pipeline.verify.references import count_split, euler_of, label_whole, measure_regions


def test_small_bodies_leave_no_gap_in_the_numbers() -> None:
    inside = np.zeros((1, 1, 9), bool)
    inside[0, 0, [0, 2, 3, 5, 7, 8]] = True
    bodies = label_whole(inside, 6, 2)
    assert bodies.labels.ravel().tolist() == [0, 0, 1, 1, 0, 0, 0, 2, 2]
    assert (bodies.n_small, bodies.n_voxels_small) == (2, 2)


def test_a_body_cut_in_two_and_two_bodies_joined_are_seen() -> None:
    inside = np.zeros((1, 1, 7), bool)
    inside[0, 0, [0, 1, 2, 4, 5]] = True
    right = np.array([[[1, 1, 1, 0, 2, 2, 0]]])
    assert count_split(right, inside, 6) == 0
    assert count_split(np.array([[[1, 1, 3, 0, 2, 2, 0]]]), inside, 6) == 1
    assert count_split(np.array([[[1, 1, 1, 0, 1, 1, 0]]]), inside, 6) == 1


def test_euler_number_of_18_neighbours_lies_between_hand_counts() -> None:
    corner = np.zeros((2, 2, 2), bool)
    corner[0, 0, 0] = corner[1, 1, 1] = True
    # Two cubes that meet in a point: one body for 26 neighbours, two for 18 and for 6.
    assert [euler_of(corner, n) for n in (6, 18, 26)] == [2, 2, 1]
    edge = np.zeros((1, 2, 2), bool)
    edge[0, 0, 0] = edge[0, 1, 1] = True
    assert [euler_of(edge, n) for n in (6, 18, 26)] == [2, 1, 1]
    assert euler_of(edge, 26) == euler_number(edge, 3)


def test_a_box_of_voxels_has_its_own_covariance() -> None:
    labels = np.zeros((6, 7, 8), int)
    labels[1:3, 2:5, 1:7] = 1
    edges = (3.0, 2.0, 0.5)
    regions = measure_regions(labels, labels.astype(float), edges, 26)
    # A box of edges a: variance a^2 / 12 along each axis.
    wanted = [(n * e) ** 2 / 12 for n, e in zip((2, 3, 6), edges, strict=True)]
    assert np.diagonal(regions.covariance[0]) == pytest.approx(wanted)
    assert regions.columns["centroid_z_um"][0] == pytest.approx(2 * 3.0)
    assert regions.columns["volume_um3"][0] == pytest.approx(36 * 3.0)


def test_crofton_surface_of_a_large_ball() -> None:
    place = np.indices((44, 44, 44)) - 21.4
    ball = np.linalg.norm(place, axis=0) <= 19
    assert crofton_surface(ball, 0.5) == pytest.approx(4 * np.pi * 9.5**2, rel=0.01)
