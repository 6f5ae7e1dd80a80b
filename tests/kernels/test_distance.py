"""Distances inside bodies against SciPy's transform, in cubic and oblong voxels."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.kernels.distance import choose_metric, find_body_runs, square_distances

VOXELS = [(1.0, 1.0, 1.0), (2.0, 1.0, 1.0), (1.37, 1.0, 1.9)]
REACH = 40.0


def bodies_of(seed, shape=(24, 29, 33)):
    """Two touching kinds of winding bodies, one array of numbers from 1."""
    rng = np.random.default_rng(seed)
    smooth = ndimage.gaussian_filter(rng.random(shape), 2.0)
    rank = np.argsort(np.argsort(smooth.ravel())).reshape(shape) / smooth.size
    first, n = ndimage.label(rank > 0.6)
    second, _ = ndimage.label(rank < 0.2)
    return (first + np.where(second, second + n, 0)).astype(np.int32)


@pytest.mark.parametrize("voxel_um", VOXELS)
def test_distances_are_those_of_scipy(voxel_um):
    bodies = np.pad(bodies_of(3), 1)
    metric = choose_metric(voxel_um, REACH)
    limit = metric.square(REACH)
    got = square_distances(bodies, find_body_runs(bodies), metric.weights, limit)
    wanted = np.zeros(bodies.shape)
    for body in range(1, bodies.max() + 1):
        inside = bodies == body
        wanted[inside] = ndimage.distance_transform_edt(inside, sampling=voxel_um)[inside]
    exact = voxel_um != VOXELS[2]
    np.testing.assert_allclose(metric.length_um(got), wanted, rtol=1e-12 if exact else 3e-5)


def test_bodies_that_touch_end_at_each_other():
    bodies = np.zeros((1, 3, 8), np.int32)
    bodies[0, 1, 1:4], bodies[0, 1, 4:7] = 1, 2
    got = square_distances(bodies, find_body_runs(bodies), (100, 100, 1), 1000)
    np.testing.assert_array_equal(got[0, 1], [0, 1, 4, 1, 1, 4, 1, 0])


def test_what_lies_beyond_the_array_is_not_near():
    got = square_distances(
        body := np.ones((3, 3, 6), np.int32), find_body_runs(body), (1, 1, 1), 50
    )
    assert (got == 50).all()
    body[:, :, 5] = 0
    got = square_distances(body, find_body_runs(body), (1, 1, 1), 50)
    np.testing.assert_array_equal(got[1, 1], [25, 16, 9, 4, 1, 0])


def test_a_tile_gives_the_bits_of_the_whole():
    bodies = bodies_of(5, (40, 40, 40))
    metric = choose_metric((1.2, 1.0, 0.7), 5.0)
    limit = metric.square(5.0)
    whole = square_distances(bodies, find_body_runs(bodies), metric.weights, limit)
    for first in ((0, 0, 0), (9, 5, 3), (11, 11, 11)):
        # Six and eight voxels are farther than the limit.
        cut = tuple(slice(a, a + 25) for a in first)
        part = np.ascontiguousarray(bodies[cut])
        inner = tuple(slice(8 if a else 0, 17) for a in first)
        tile = square_distances(part, find_body_runs(part), metric.weights, limit)
        np.testing.assert_array_equal(tile[inner], whole[cut][inner])


def test_weights_are_whole_and_fine():
    assert choose_metric((1.0, 1.0, 1.0), 64.0).weights == (1, 1, 1)
    assert choose_metric((1.5, 1.0, 1.0), 64.0).weights == (9, 4, 4)
    metric = choose_metric((1.0, np.sqrt(2), np.pi), 64.0)
    edges = np.sqrt(metric.weights) * metric.unit_um
    np.testing.assert_allclose(edges, (1.0, np.sqrt(2), np.pi), rtol=3e-5)
    assert max(metric.weights) * 64**2 < 2**29 * np.pi**2
    assert metric.square(64.0) * 4 < 2**31
