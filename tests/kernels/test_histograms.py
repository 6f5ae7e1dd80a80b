"""Histograms, scales of float voxels and gradients by grey: as NumPy counts them, part by part."""

import numpy as np
import pytest

from pipeline.errors import DataError, UsageError
from pipeline.kernels.denoise import quantise_grey
from pipeline.kernels.histograms import (
    float_grey_scale,
    fold_float_histogram,
    fold_gradients,
    fold_histogram,
    grey_bins,
)


def mixture(seed, n=200_000):
    rng = np.random.default_rng(seed)
    parts = [rng.normal(m, s, n) for m, s in ((9_000, 900), (17_000, 1_100), (30_000, 1_500))]
    return np.concatenate(parts).clip(0, 65535).astype(np.uint16)


@pytest.mark.parametrize("size", [0, 1, 3, 4, 5, 1001])
def test_histogram_equals_bincount(size):
    rng = np.random.default_rng(size)
    grey = rng.integers(0, 65536, size).astype(np.uint16)
    mask = rng.integers(0, 2, size).astype(np.uint8) * 200
    np.testing.assert_array_equal(fold_histogram(grey), np.bincount(grey, minlength=65536))
    wanted = np.bincount(grey[mask > 0], minlength=65536)
    np.testing.assert_array_equal(fold_histogram(grey, mask), wanted)
    np.testing.assert_array_equal(fold_histogram(grey, mask > 0), wanted)


def test_histogram_of_a_view_and_of_equal_voxels():
    grey = np.full((6, 7, 8), 65535, np.uint16)
    assert fold_histogram(grey[1:-1, ::2, 2:])[65535] == 4 * 4 * 6


def test_histograms_of_parts_add_up_to_that_of_the_whole():
    grey = mixture(1, 1000).reshape(10, 20, 15)
    parts = sum(fold_histogram(grey[a : a + 3]) for a in range(0, 10, 3))
    np.testing.assert_array_equal(parts, fold_histogram(grey))


def test_float_histogram_ascends_with_value():
    rng = np.random.default_rng(3)
    values = np.concatenate([rng.normal(0, 10.0**e, 500) for e in range(-30, 31, 6)])
    values = values.astype(np.float32)
    keys = [int(np.flatnonzero(fold_float_histogram(v[None])[0])[0]) for v in np.sort(values)]
    assert keys == sorted(keys)
    assert keys[0] < 32768 <= keys[-1]
    assert fold_float_histogram(values)[0].sum() == values.size


def test_float_histogram_leaves_out_what_is_not_finite():
    values = np.array([1.0, np.nan, np.inf, -np.inf, -2.0], np.float32)
    counts, n_nonfinite = fold_float_histogram(values)
    assert (int(counts.sum()), n_nonfinite) == (2, 3)


def test_float_scale_covers_the_data_but_not_its_outliers():
    rng = np.random.default_rng(5)
    values = rng.normal(-0.3, 0.1, 400_000).astype(np.float32)
    values[:2] = (-1e9, 1e9)
    gain, offset = float_grey_scale(fold_float_histogram(values)[0])
    low, high = np.quantile(values, [1e-5, 1 - 1e-5])
    top = offset + gain * 65535
    assert offset < low
    assert high < top
    # No more than the 5 % of margin, the width of a bin and the tails beyond the quantile.
    assert top - offset < 1.25 * (high - low)
    grey = quantise_grey(values, gain, offset)
    covered = (grey > 0) & (grey < 65535)
    assert covered.mean() > 1 - 4e-5
    error = grey[covered] * gain + offset - values[covered]
    assert np.abs(error).max() < 0.51 * gain


@pytest.mark.parametrize("value", [0.0, 1.0, -3.5, 3e38, -3e38])
def test_float_scale_of_a_constant_volume_is_finite(value):
    values = np.full(10, value, np.float32)
    gain, offset = float_grey_scale(fold_float_histogram(values)[0])
    assert gain > 0
    assert np.isfinite([gain, offset]).all()
    assert len(set(quantise_grey(values, gain, offset).tolist())) == 1


def test_float_scale_of_nothing_is_refused():
    with pytest.raises(DataError, match="finite"):
        float_grey_scale(np.zeros(65536, np.int64))


def test_bins_cover_the_occupied_range_once():
    for low, n_levels in ((0, 65536), (17, 1), (200, 256), (5, 257), (1000, 777)):
        histogram = np.zeros(65536, np.int64)
        histogram[low : low + n_levels] = 1
        edges, counts = grey_bins(histogram)
        assert edges[0] == low
        assert counts.sum() == n_levels
        assert counts.size == min(256, n_levels)
        assert (np.diff(edges) > 0).all()


def slopes_as_numpy(grey, inside):
    wide, own = grey.astype(np.int64), inside > 0
    centre = (slice(1, -1),) * 3
    squares, whole = 0, own[centre].copy()
    for axis in range(3):
        low = tuple(slice(0, -2) if a == axis else slice(1, -1) for a in range(3))
        high = tuple(slice(2, None) if a == axis else slice(1, -1) for a in range(3))
        squares = squares + (wide[high] - wide[low]) ** 2
        whole &= own[low] & own[high]
    length = np.floor(np.sqrt(squares))[whole]
    at = grey[centre][whole]
    return np.bincount(at, length, 65536), np.bincount(at, minlength=65536)


def test_gradients_as_numpy_and_part_by_part():
    rng = np.random.default_rng(4)
    grey = rng.integers(0, 65536, (9, 10, 23)).astype(np.uint16)
    grey[3:6] //= 4000
    inside = (rng.random(grey.shape) < 0.97).astype(np.uint8)
    whole = fold_gradients(grey, inside)
    for got, wanted in zip(whole, slopes_as_numpy(grey, inside), strict=True):
        np.testing.assert_array_equal(got, wanted)
    parts = [fold_gradients(grey[..., a : a + 9], inside[..., a : a + 9]) for a in (0, 7, 14)]
    for i in range(2):
        np.testing.assert_array_equal(sum(part[i] for part in parts), whole[i])


@pytest.mark.parametrize(
    "wrong",
    [
        lambda g: fold_histogram(g.astype(np.int16)),
        lambda g: fold_histogram(g, np.ones((2, 2), np.uint8)),
        fold_float_histogram,
        lambda g: fold_gradients(g, np.ones(g.shape, np.int64)),
    ],
)
def test_what_does_not_fit_is_refused(wrong):
    with pytest.raises(UsageError):
        wrong(np.zeros((3, 3, 4), np.uint16))
