import numpy as np
import pytest
from scipy import ndimage, stats

from pipeline.phantom.exposure import blur_, blur_weights, expose_, noise_key, noise_table
from pipeline.phantom.specimen import SpecimenSpec


@pytest.mark.parametrize("sigma", [0.3, 0.8, 1.5, 4.0])
def test_weights_are_a_gaussian(sigma):
    weights = blur_weights(sigma)
    x = np.arange(len(weights)) - len(weights) // 2
    assert weights.sum() == 2048
    np.testing.assert_array_equal(weights, weights[::-1])
    assert (weights > 0).all()
    gauss = np.exp(-0.5 * (x / sigma) ** 2)
    # Rounded to whole numbers, the sum kept by the middle one.
    np.testing.assert_allclose(weights, 2048 * gauss / gauss.sum(), atol=4)


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_blur_equals_scipy_in_whole_numbers(axis):
    source = np.random.default_rng(3).integers(0, 2**20, (20, 21, 22), dtype=np.int32)
    weights = blur_weights(0.8)
    wanted = ndimage.correlate1d(source.astype(np.int64), weights, axis=axis, mode="reflect")
    inner = [slice(None)] * 3
    inner[axis] = slice(3, -3)
    wanted = (wanted + 1024)[tuple(inner)] >> 11
    got = np.empty(wanted.shape, np.int32)
    blur_(source, weights, axis, got)
    np.testing.assert_array_equal(got, wanted)


def test_blur_does_not_overflow_at_the_top_of_the_range():
    source = np.full((7, 7, 7), 65535 * 16, np.int32)
    got = np.empty((1, 7, 7), np.int32)
    blur_(source, blur_weights(0.8), 0, got)
    assert (got == 65535 * 16).all()


def exposed(shape, start, key, sd):
    grey = np.empty(shape, np.uint16)
    flat = np.full(shape, 30_000 * 16, np.int32)
    expose_(flat, np.asarray(start, np.int64), key, noise_table(sd * 16), grey)
    return grey


def test_noise_is_normal_and_white():
    key = noise_key(SpecimenSpec((64, 64, 64), 1.5, seed=2))
    noise = exposed((100, 100, 100), (0, 0, 0), key, 1500.0).astype(np.float64) - 30_000
    n = noise.size
    assert abs(noise.mean()) < 4 * 1500 / np.sqrt(n)
    assert noise.std() == pytest.approx(1500, rel=4 / np.sqrt(2 * n))
    assert abs(stats.skew(noise.ravel())) < 4 * np.sqrt(6 / n)
    assert abs(stats.kurtosis(noise.ravel())) < 4 * np.sqrt(24 / n) + 2e-3
    assert np.mean(np.abs(noise) > 3 * 1500) == pytest.approx(0.0027, abs=4 * 0.052e-3)
    for shift in ((0, 0, 1), (0, 1, 0), (1, 0, 0), (1, 1, 1), (0, 0, 2)):
        product = noise * np.roll(noise, shift, (0, 1, 2))
        assert abs(product.mean() / 1500**2) < 4 / np.sqrt(n), shift


def test_noise_is_a_function_of_the_global_place():
    key = noise_key(SpecimenSpec((64, 64, 64), 1.5, seed=2))
    whole = exposed((20, 20, 40), (5, 6, 7), key, 1500.0)
    for offset in range(17):
        part = exposed((3, 4, 16), (7, 9, 7 + offset), key, 1500.0)
        np.testing.assert_array_equal(part, whole[2:5, 3:7, offset : offset + 16])


def test_every_seed_and_temper_has_noise_of_its_own():
    specs = [SpecimenSpec((64, 64, 64), 1.5, seed=s, temper=t) for s in (1, 2) for t in ("F", "T6")]
    assert len({int(noise_key(s)) for s in specs}) == 4


def test_grey_is_cut_off_at_the_ends_of_the_type():
    grey = np.empty((1, 1, 2), np.uint16)
    ends = np.array([[[-(2**20), 2**21]]], np.int32)
    expose_(ends, np.zeros(3, np.int64), np.uint64(1), noise_table(16.0), grey)
    assert grey.ravel().tolist() == [0, 65535]
