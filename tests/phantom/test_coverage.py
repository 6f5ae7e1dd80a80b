import numpy as np
import pytest

from pipeline.phantom.bodies import bound_bodies
from pipeline.phantom.coverage import air_, compose_, cover_bodies_
from pipeline.phantom.lattice import BODY_DTYPE, ELLIPSOID, PLATE
from pipeline.phantom.specimen import COPPER, IRON, MATRIX, OUTSIDE, PORE
from pipeline.phantom.volumes import body_volumes_vx


def body(shape, seed, span=None):
    rng = np.random.default_rng(seed)
    one = np.zeros(1, BODY_DTYPE)
    axes, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    one["axes"], one["shape"] = axes, shape
    one["centre"] = 30 + rng.random(3)
    one["semi"] = (20.0, 14.0, 3.0) if shape == PLATE else (9.0, 8.0, 7.0)
    one["span"] = (-20.0, 20.0) if span is None else span
    return bound_bodies(one)


def words_of(one, start=(0, 0, 0), shape=(62, 62, 62)):
    words = np.zeros(shape, np.uint32)
    cover_bodies_(words, np.asarray(start, np.int64), one)
    return words


def inside(one, points):
    """Tell which points, (..., 3), lie in a body: plain numpy, straight from the definition."""
    local = (points - one["centre"][0]) @ one["axes"][0].T
    scaled = local / one["semi"][0]
    if one["shape"][0] == PLATE:
        u = local[..., 0]
        low, high = one["span"][0]
        disc = scaled[..., 0] ** 2 + scaled[..., 1] ** 2 <= 1
        return disc & (np.abs(scaled[..., 2]) <= 1) & (u >= low) & (u <= high)
    return np.sum(scaled**2, axis=-1) <= 1


BODIES = [
    *((PLATE, seed, None) for seed in range(4)),
    (PLATE, 5, (-20.0, -3.0)),
    (PLATE, 6, (-5.0, 6.0)),
    (ELLIPSOID, 7, None),
    (ELLIPSOID, 8, None),
]


@pytest.mark.parametrize(("shape", "seed", "span"), BODIES)
def test_every_sub_sample_is_right(shape, seed, span):
    one = body(shape, seed, span)
    words = words_of(one)
    grid = np.stack(np.meshgrid(*[np.arange(62.0)] * 3, indexing="ij"), axis=-1)
    bit = 0
    for kz in (-1, 0, 1):
        for ky in (-1, 0, 1):
            for kx in (-1, 0, 1):
                wanted = inside(one, grid + np.array([kz, ky, kx]) / 3.0)
                np.testing.assert_array_equal((words >> bit & 1).astype(bool), wanted)
                bit += 1


@pytest.mark.parametrize(("shape", "seed", "span"), BODIES)
def test_coverage_of_an_isolated_body_is_its_analytic_volume(shape, seed, span):
    one = body(shape, seed, span)
    covered = np.bitwise_count(words_of(one)).sum() / 27
    assert covered == pytest.approx(body_volumes_vx(one)[0], rel=0.01)


def test_a_plate_along_the_axes_is_found_too():
    one = body(PLATE, 1)
    for order in ([0, 1, 2], [1, 2, 0], [2, 0, 1]):
        one["axes"] = np.eye(3)[order]
        covered = np.bitwise_count(words_of(bound_bodies(one))).sum() / 27
        assert covered == pytest.approx(body_volumes_vx(one)[0], rel=0.03)


def test_a_block_may_lie_anywhere():
    one = body(PLATE, 2)
    whole = words_of(one)
    for offset in range(17):
        part = words_of(one, (10 + offset, 20, offset), (15, 30, 40))
        np.testing.assert_array_equal(
            part, whole[10 + offset : 25 + offset, 20:50, offset:][..., :40]
        )


def test_the_cylinder_covers_its_area():
    air = np.empty((80, 80), np.uint32)
    air_(air, np.zeros(3, np.int64), 39.5, 39.5, 30.0)
    area = 80 * 80 - np.bitwise_count(air).sum() / 27
    assert area == pytest.approx(np.pi * 900, rel=2e-3)
    assert air[39, 39] == 0
    assert air[0, 0] == 2**27 - 1


def test_later_classes_win_and_air_wins_over_all():
    full = np.uint32(2**27 - 1)
    levels = np.array([0, 2700, 5400, 13500, 27], np.int32)
    cases = [
        # pore, copper, iron, air; ideal, phase
        (0, 0, 0, 0, 2700, MATRIX),
        (0, 0, full, 0, 5400, IRON),
        (0, full, full, 0, 13500, COPPER),
        (full, full, full, 0, 0, PORE),
        (full, full, full, full, 27, OUTSIDE),
        # One sub-sample of 27 each, not the centre: 24 of matrix, 1 of iron, copper and pore.
        (1, 2, 4, 0, (24 * 2700 + 5400 + 13500) // 27, MATRIX),
        # Overlapping at the centre bit.
        (1 << 13, 1 << 13, 1 << 13, 0, 26 * 100, PORE),
        (0, 1 << 13, 1 << 13, 0, 26 * 100 + 500, COPPER),
    ]
    for pore, copper, iron, air, grey, phase in cases:
        words = [np.full((1, 1, 1), w, np.uint32) for w in (pore, copper, iron)]
        ideal, phases = np.empty((1, 1, 1), np.int32), np.empty((1, 1, 1), np.uint8)
        compose_(*words, np.full((1, 1), air, np.uint32), levels, ideal, phases)
        assert (int(ideal[0, 0, 0]), int(phases[0, 0, 0])) == (grey, phase)
