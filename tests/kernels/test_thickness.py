"""Local thickness against its definition, ball by ball; plates, balls and the tables of covers."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.kernels.distance import choose_metric
from pipeline.kernels.thickness import (
    cover_table,
    describe_thickness,
    fold_thickness,
    merge_thickness,
)
from pipeline.model.grid import Box
from tests.kernels.test_distance import bodies_of

SHUT = np.zeros((3, 2), np.bool_)
VOXELS = [(1.0, 1.0, 1.0), (2.0, 1.0, 1.0), (1.37, 1.0, 1.9)]


def whole(bodies):
    return Box((0, 0, 0), bodies.shape)


def paint_every_ball(bodies, weights, squares):
    """Return the squared radius of the largest ball that holds each voxel, from the definition."""
    place = np.argwhere(bodies)
    best = np.zeros(bodies.shape, np.int64)
    for centre in place:
        square = squares[tuple(centre)]
        held = place[np.square(place - centre) @ np.array(weights) < square]
        at = tuple(held.T)
        best[at] = np.maximum(best[at], square)
    return best


@pytest.mark.parametrize("voxel_um", VOXELS)
def test_balls_are_those_of_the_definition(voxel_um):
    bodies = np.pad(bodies_of(8, (16, 21, 18)), 1)
    metric = choose_metric(voxel_um, 64.0)
    limit = metric.square(64.0)
    distance = np.zeros(bodies.shape)
    for body in range(1, bodies.max() + 1):
        inside = bodies == body
        distance += ndimage.distance_transform_edt(inside, sampling=voxel_um)
    found = fold_thickness(bodies, whole(bodies), SHUT, metric.weights, limit)
    # Distances of oblong voxels are rounded: the ones that were painted are looked up.
    known = np.unique(found.square)
    lengths = metric.length_um(known)
    nearest = np.abs(distance[..., None] - lengths).argmin(-1)
    best = paint_every_ball(bodies, metric.weights, known[nearest])
    for body in np.unique(found.body):
        square, count = np.unique(best[bodies == body], return_counts=True)
        mine = found.body == body
        if voxel_um != VOXELS[2]:
            np.testing.assert_array_equal(found.square[mine], square)
            np.testing.assert_array_equal(found.count[mine], count)
        assert found.count[mine].sum() == count.sum()
        np.testing.assert_allclose(
            (lengths[np.searchsorted(known, found.square[mine])] * found.count[mine]).sum(),
            (metric.length_um(square) * count).sum(),
            rtol=2e-3,
        )


def test_a_table_covers_what_it_says():
    weights, limit = (4, 1, 1), 90
    table, divisor = cover_table(weights, limit)
    assert divisor == 1
    place = np.stack(np.meshgrid(*[np.arange(-12, 13)] * 3, indexing="ij"), -1).reshape(-1, 3)
    own = np.square(place) @ weights
    for step in ((0, 0, 1), (1, 0, 0), (1, 1, 1), (0, 1, 1)):
        other = np.square(place - step) @ weights
        for square in (1, 2, 5, 17, 40, 90):
            assert table[(*step, square)] == other[own < square].max() + 1
    wide, divisor = cover_table((50_000, 30_000, 70_001), 2_000_000)
    assert divisor > 1
    for square in (1_999_999, 700_000):
        held = np.square(place) @ (50_000, 30_000, 70_001) < square
        needs = (np.square(place - (1, 0, 1)) @ (50_000, 30_000, 70_001))[held].max() + 1
        assert wide[1, 0, 1, square // divisor] >= needs


def test_parts_add_up_to_the_whole_or_ask_for_more():
    bodies = np.pad(bodies_of(9, (30, 30, 30)), 1)
    metric = choose_metric((1.0, 1.0, 1.0), 10.0)
    limit = metric.square(10.0) + 1
    at_once = fold_thickness(bodies, whole(bodies), SHUT, metric.weights, limit)
    assert at_once.count.sum() == np.count_nonzero(bodies)
    n_asked, parts = 0, []
    for z, x in ((0, 0), (0, 16), (16, 0), (16, 16)):
        core = Box((z, 0, x), (z + 16, 32, x + 16))
        for halo in (1, 3, 6, 12, 24):
            seen = core.grow((halo,) * 3).clip(bodies.shape)
            ends = np.array([seen.start, seen.stop])
            shut = np.stack([ends[0] == 0, ends[1] == bodies.shape], 1)
            a, b, c = core.within(seen)
            inner = Box((a.start, b.start, c.start), (a.stop, b.stop, c.stop))
            cut = np.ascontiguousarray(bodies[seen.slices])
            found = fold_thickness(cut, inner, ~shut, metric.weights, limit)
            if found is not None:
                parts.append(found)
                break
            n_asked += 1
        else:
            pytest.fail("no halo was enough")
    together = merge_thickness(parts)
    for name in ("body", "square", "count"):
        np.testing.assert_array_equal(getattr(together, name), getattr(at_once, name))
    assert n_asked >= 4


def test_columns_of_known_bodies():
    bodies = np.zeros((40, 50, 60), np.int32)
    bodies[2:38, 2:48, 2:7] = 1
    bodies[20, 20, 20:40] = 2
    bodies[10, 10, 30] = 3
    z, y, x = np.indices(bodies.shape)
    bodies[(z - 25) ** 2 + (y - 30) ** 2 + (x - 48) ** 2 <= 81] = 4
    metric = choose_metric((2.0, 2.0, 2.0), 100.0)
    limit = metric.square(24.0)
    found = fold_thickness(bodies, whole(bodies), SHUT, metric.weights, limit)
    columns = describe_thickness(found, 5, metric, (2.0, 2.0, 2.0), limit)
    inscribed = columns["inscribed_diameter_um"]
    # A plate of 5 voxels, a needle and a speck of one, a ball 19 voxels across, and no voxel.
    np.testing.assert_allclose(inscribed[:4], [12.0, 4.0, 4.0, 4 * np.sqrt(82)])
    assert columns["local_thickness_median_um"][0] == pytest.approx(2 * 2 * np.sqrt(9 - 0.75))
    np.testing.assert_allclose(columns["local_thickness_mean_um"][1:3], 2.0)
    np.testing.assert_allclose(columns["local_thickness_sd_um"][1:3], 0.0)
    assert 36.0 < columns["local_thickness_mean_um"][3] < 38.0
    assert np.isnan(columns["local_thickness_mean_um"][4])
    shallow = describe_thickness(found, 5, metric, (2.0, 2.0, 2.0), 50)
    assert np.isnan(shallow["inscribed_diameter_um"]).tolist() == [False] * 3 + [True, False]


def test_no_particle_has_columns_too():
    metric = choose_metric((1.0, 1.0, 1.0), 9.0)
    columns = describe_thickness(merge_thickness([]), 0, metric, (1.0, 1.0, 1.0), 81)
    assert {values.shape for values in columns.values()} == {(0,)}
