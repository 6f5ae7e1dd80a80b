"""The correction of grey: exact, the same in any box, within the range of the scale."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.kernels.flatten import (
    GAIN_BITS,
    RADIAL_STEPS,
    SHIFT_BITS,
    find_geometry,
    flatten_grey,
    plain_correction,
)
from pipeline.kernels.mask import CoarseMask
from pipeline.model.grid import Box

SHAPE = (20, 26, 31)
WHOLE = Box((0, 0, 0), SHAPE)


def bent_correction(seed=3):
    """A correction of every kind at once."""
    rng = np.random.default_rng(seed)
    plain = plain_correction(find_geometry(None, SHAPE, (11.3, 16.8)), SHAPE[0], 1200)
    one, n_rings = 1 << GAIN_BITS, plain.geometry.n_rings
    return replace(
        plain,
        plane_gain=rng.integers(int(0.97 * one), int(1.03 * one), SHAPE[0]),
        plane_shift=rng.integers(-2000, 2000, SHAPE[0]),
        radial_gain=np.linspace(0.95 * one, 1.1 * one, RADIAL_STEPS + 1).astype(np.int64),
        radial_shift=np.linspace(900, -900, RADIAL_STEPS + 1).astype(np.int64),
        ring_shift=rng.integers(-9000, 9000, n_rings),
    )


def scan_in_memory(seed=4):
    return np.random.default_rng(seed).integers(0, 65536, SHAPE).astype(np.uint16)


def test_plain_correction_changes_nothing():
    grey = scan_in_memory()
    plain = plain_correction(find_geometry(None, SHAPE), SHAPE[0], 777)
    np.testing.assert_array_equal(flatten_grey(grey, WHOLE, plain, 0, 65535), grey)


def test_it_is_the_affine_map_that_the_tables_say():
    grey, c = scan_in_memory(), bent_correction()
    y, x = np.indices(SHAPE[1:])
    radius = np.hypot(y - 11.3, x - 16.8)
    step = np.minimum(radius**2 / c.geometry.radius_vx**2, 1) * RADIAL_STEPS
    gain, one = 2.0**GAIN_BITS, 2.0**SHIFT_BITS
    value = (grey.astype(float) - 1200) * (c.plane_gain / gain)[:, None, None]
    value -= (c.plane_shift / one)[:, None, None] + c.ring_shift[radius.astype(int)] / one
    value = value * c.radial_gain[step.astype(int)] / gain
    value += 1200 - c.radial_shift[step.astype(int)] / one
    found = flatten_grey(grey, WHOLE, c, 0, 65535).astype(float)
    assert np.abs(found - np.clip(value, 0, 65535)).max() < 0.52


def test_a_voxel_gets_the_same_grey_in_any_box():
    grey, c = scan_in_memory(), bent_correction()
    whole = flatten_grey(grey, WHOLE, c, 0, 65535)
    for z, y, x in [(0, 0, 0), (1, 3, 7), (5, 2, 1), (13, 17, 16)]:
        box = Box((z, y, x), SHAPE)
        np.testing.assert_array_equal(
            flatten_grey(grey[box.slices], box, c, 0, 65535), whole[box.slices]
        )


def test_greys_stay_on_the_scale_and_zero_stays_the_mark_of_no_value():
    grey, c = scan_in_memory() // 64, bent_correction()
    grey[3, 4] = 0
    found = flatten_grey(grey, WHOLE, c, 1, 65535)
    assert (found[3, 4] == 0).all()
    assert found[grey > 0].min() == 1
    eight = flatten_grey((scan_in_memory() >> 8).astype(np.uint16), WHOLE, c, 0, 255)
    assert eight.max() == 255


def test_zones_lie_about_the_specimen_and_rings_about_the_rotation():
    inside = np.zeros((3, 8, 9), np.uint8)
    inside[:, 1:5, 3:8] = 1
    mask = CoarseMask(4, (12, 32, 36), inside, inside.astype(np.uint16), 1, True)
    found = find_geometry(mask, (12, 32, 36))
    assert found.axis == (pytest.approx(11.5), pytest.approx(21.5))
    assert found.rotation == (15.5, 17.5)
    assert found.radius_vx == pytest.approx(np.hypot(6, 8))
    stated = find_geometry(None, (12, 32, 36), (3.0, 4.0))
    assert stated.axis == stated.rotation == (3.0, 4.0)
    assert stated.n_rings == int(np.hypot(28, 31)) + 1
