"""Noise of a scan: equal for every tiling, right where it is known, and what is chosen from it."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.kernels.noise import (
    STEP_BINS,
    Noise,
    choose_filter,
    estimate_noise,
    fold_noise,
    needs_more_columns,
    step_levels,
)
from pipeline.model.grid import TileGrid


def cast_like(sd, shape=(64, 64, 96), contrast=4_000.0, matrix=20_000.0):
    """A matrix with 8 % of a bright and 1 % of a dark phase, blurred, and white noise."""
    rng = np.random.default_rng(12)
    texture = ndimage.gaussian_filter(rng.random(shape), 2.5)
    grey = np.full(shape, matrix)
    grey[texture > np.quantile(texture, 0.92)] += contrast
    grey[texture < np.quantile(texture, 0.01)] -= 2 * contrast
    return ndimage.gaussian_filter(grey, 0.8) + rng.normal(0, sd, shape)


def noise_of(volume, top=65535, least_grey=0):
    return estimate_noise(fold_noise(volume, (0, 0, 0), top), top, least_grey)


@pytest.mark.parametrize("tile", [(8, 8, 8), (5, 7, 9), (13, 6, 10), (64, 3, 11), (9, 9, 1)])
def test_counts_of_tiles_add_up_to_those_of_the_volume(tile):
    volume = cast_like(900.0, (19, 22, 45)).astype(np.uint16)
    total = 0
    for part in TileGrid(volume.shape, tile):
        more = needs_more_columns(part.core.stop[2], volume.shape[2])
        box = part.core.grow((0, 0, 0), (0, 0, more))
        total = total + fold_noise(volume[box.slices], part.core.start, 65535)
    np.testing.assert_array_equal(total, fold_noise(volume, (0, 0, 0), 65535))
    # Planes and rows 0, 2, ...; columns 0, 4, ... with a partner two further.
    assert total.sum() == 10 * 11 * 11


@pytest.mark.parametrize("sd", [150.0, 400.0, 1_000.0, 2_000.0])
def test_noise_beside_phases_is_found(sd):
    noise = noise_of(cast_like(sd).astype(np.uint16))
    assert noise.sd == pytest.approx(sd, rel=0.08)


def test_noise_of_bytes_is_found():
    volume = cast_like(6.0, contrast=30.0, matrix=110.0).round().clip(0, 255).astype(np.uint16)
    assert noise_of(volume, 255).sd == pytest.approx(6.0, rel=0.08)


def test_air_without_noise_does_not_count():
    volume = cast_like(800.0)
    volume[:, :, :64] = 3_000.0
    assert noise_of(volume.astype(np.uint16), least_grey=10_000).sd == pytest.approx(800, rel=0.1)
    volume[:, :, :64] = 0.0
    assert noise_of(volume.astype(np.uint16)).sd == pytest.approx(800, rel=0.1)


def test_a_volume_without_noise_has_none():
    volume = np.full((20, 20, 40), 500, np.uint16)
    volume[:, :, 20:] = 900
    assert noise_of(volume).sd == 0.0
    assert choose_filter(noise_of(volume)) == "none"


def test_too_few_pairs_tell_nothing():
    noise = noise_of(np.full((2, 2, 9), 7, np.uint16))
    assert noise == Noise(None, None, 2)
    assert choose_filter(noise) == "median"


def test_bins_of_differences_hold_every_difference():
    ends = np.array([0, 1, 31, 32, 63, 64, 1_000, 30_000, 65_533], np.uint16)
    volume = np.ones((1, 1, 4 * ends.size), np.uint16)
    volume[0, 0, 2::4] = 1 + ends
    found = np.flatnonzero(fold_noise(volume, (0, 0, 0), 65535).sum(axis=0))
    assert found.size == ends.size
    assert found.max() < STEP_BINS
    assert (np.abs(step_levels()[found] - ends) <= np.maximum(ends / 32, 0.5)).all()


@pytest.mark.parametrize(("sd", "choice"), [(40.0, "none"), (400.0, "median"), (1_500.0, "nlm")])
def test_the_filter_goes_by_noise_against_contrast(sd, choice):
    assert choose_filter(noise_of(cast_like(sd).astype(np.uint16))) == choice
