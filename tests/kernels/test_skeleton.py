"""Skeletons of bodies whose graph is known."""

import numpy as np
import pytest

from pipeline.kernels.skeleton import count_skeleton


def ball_path(points, radius=2.2, size=44):
    """A tube along line segments."""
    place = np.stack(np.indices((size,) * 3), -1).astype(float)
    mask = np.zeros((size,) * 3, bool)
    for a, b in points:
        a, b = np.array(a, float), np.array(b, float)
        t = np.clip((place - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1)
        mask |= np.linalg.norm(place - a - t[..., None] * (b - a), axis=-1) <= radius
    return mask


def test_a_rod_a_star_and_a_tree():
    middle = (22, 22, 22)
    ends = [(6, 22, 22), (38, 22, 22), (22, 6, 22), (22, 38, 22), (22, 22, 6), (22, 22, 38)]
    assert count_skeleton(ball_path([(ends[0], ends[1])])) == (0, 1, 2)
    assert count_skeleton(ball_path([(middle, end) for end in ends[:3]])) == (1, 3, 3)
    assert count_skeleton(ball_path([(middle, end) for end in ends])) == (1, 6, 6)
    tree = [(middle, (6, 22, 22)), (middle, (38, 22, 22)), (middle, (22, 38, 22))]
    tree += [((38, 22, 22), (40, 36, 34)), ((38, 22, 22), (40, 8, 34))]
    assert count_skeleton(ball_path(tree)) == (2, 5, 4)


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_ring_is_one_branch_without_ends(axis):
    place = np.moveaxis(np.indices((13, 33, 33)) - np.reshape([6, 16, 16], (3, 1, 1, 1)), 0, -1)
    z, y, x = np.moveaxis(place, -1, 0)
    ring = np.hypot(np.hypot(y, x) - 11, z) <= 2.5
    assert count_skeleton(np.moveaxis(ring, 0, axis)) == (0, 1, 0)


def test_one_voxel_is_an_end():
    assert count_skeleton(np.ones((1, 1, 1), bool)) == (0, 1, 1)
