"""Profiles of edges: whose they are, and that no tile changes them."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.errors import UsageError
from pipeline.kernels.sharpness import BEFORE_VX, edge_width, fold_edges
from pipeline.model.grid import Box, TileGrid
from pipeline.model.recipe import OUTSIDE

SHAPE = (34, 38, 42)


def a_volume(noise=300.0):
    """Bodies of two phases in a matrix, blurred, noisy."""
    rng = np.random.default_rng(6)
    smooth = ndimage.gaussian_filter(rng.random(SHAPE), 4)
    bright, dark = smooth > np.quantile(smooth, 0.8), smooth < np.quantile(smooth, 0.2)
    grey = np.select([bright, dark], [30000.0, 12000.0], 20000.0)
    grey = ndimage.gaussian_filter(grey, 0.8) + rng.normal(0, noise, SHAPE)
    return grey.astype(np.uint16)


def fold(grey, inside, core):
    """Fold one tile of a volume in memory as the label stage does."""
    box = core.grow((0, 0, 0), (1, 1, 1)).clip(SHAPE).grow((BEFORE_VX,) * 3)
    there = box.clip(SHAPE)
    widths = [
        (a - w, v - b)
        for w, a, b, v in zip(box.start, there.start, there.stop, box.stop, strict=True)
    ]
    parts = [np.pad(v[there.slices], widths, mode="edge") for v in (grey, inside)]
    return fold_edges(*parts, core, SHAPE, 20000.0, [12000.0, 30000.0])


@pytest.mark.parametrize("tile", [(16, 16, 16), (8, 38, 11), (33, 9, 41)])
def test_no_tile_changes_a_profile(tile) -> None:
    grey, inside = a_volume(), np.ones(SHAPE, np.uint8)
    inside[:, :5] = OUTSIDE
    whole = fold(grey, inside, Box((0, 0, 0), SHAPE))
    assert whole[..., 0].sum(axis=(1, 2)).min() > 100
    assert np.array_equal(sum(fold(grey, inside, t.core) for t in TileGrid(SHAPE, tile)), whole)


def test_edges_outside_the_specimen_are_left_out() -> None:
    grey, inside = a_volume(), np.ones(SHAPE, np.uint8)
    n = fold(grey, inside, Box((0, 0, 0), SHAPE))[..., 0].sum()
    inside[:20] = OUTSIDE
    assert 0 < fold(grey, inside, Box((0, 0, 0), SHAPE))[..., 0].sum() < n
    inside[:] = OUTSIDE
    assert fold(grey, inside, Box((0, 0, 0), SHAPE)).sum() == 0


def test_noise_alone_has_no_edges_and_no_width() -> None:
    grey = np.random.default_rng(7).normal(20000, 600, SHAPE).astype(np.uint16)
    sums = fold(grey, np.ones(SHAPE, np.uint8), Box((0, 0, 0), SHAPE))
    assert sums.sum() == 0
    assert edge_width(sums.sum(axis=(0, 1))) is None


def test_a_stepless_ramp_is_too_wide_to_tell() -> None:
    grey = np.broadcast_to(np.linspace(12000, 30000, SHAPE[2]), SHAPE).astype(np.uint16)
    sums = fold(grey, np.ones(SHAPE, np.uint8), Box((0, 0, 0), SHAPE))
    assert edge_width(sums.sum(axis=(0, 1))) is None


def test_arrays_must_hold_the_core_with_its_halo() -> None:
    grey = np.zeros((9, 9, 9), np.uint16)
    with pytest.raises(UsageError, match="about the core"):
        fold_edges(grey, grey.astype(np.uint8), Box((0, 0, 0), (9, 9, 9)), (9, 9, 9), 1.0, [2.0])
