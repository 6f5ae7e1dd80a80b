"""Pores open to the surface lie inside the mask; all else of it stays to the bit."""

import numpy as np
import pytest

from pipeline.kernels.mask import coarse_block_vx, estimate_mask, fold_blocks, mask_box
from pipeline.model.grid import Box

AIR, METAL, NOISE = 8_000, 15_000, 500
SHAPE = (48, 96, 96)
RADIUS = 38.0
Z, Y, X = np.ogrid[tuple(slice(n) for n in SHAPE)]
DEPTH = RADIUS - np.hypot(Y - 47.5, X - 47.5) + np.zeros(SHAPE)
"""Voxels under the surface of a cylinder along z."""


def cut(solid):
    """A specimen's scan, with noise."""
    noise = np.random.default_rng(0).normal(0, NOISE, SHAPE)
    return np.rint(np.where(solid, METAL, AIR) + noise).astype(np.uint16)


def masks(volume):
    """The mask before and after it is closed."""
    block = coarse_block_vx(volume.shape)
    _, sums = fold_blocks(volume, (0, 0, 0), block)
    whole = Box((0, 0, 0), volume.shape)
    found = [estimate_mask(sums, volume.shape, block, n) for n in (0, 12)]
    assert all(coarse.present for coarse in found)
    return [mask_box(coarse, whole).astype(bool) for coarse in found]


@pytest.mark.parametrize("depth", [2.0, 5.0])
def test_a_pore_open_to_the_surface_is_searched(depth):
    pore = (Z - 24) ** 2 + (Y - 47.5) ** 2 + (X - 47.5 - RADIUS + depth) ** 2 < 6**2
    deep = pore & (DEPTH > 4)
    before, after = masks(cut((DEPTH > 0) & ~pore))
    assert before[deep].mean() < 0.5
    assert after[deep].mean() > 0.95
    assert not after[DEPTH < 0].any()
    # All that lies away from it stays as it was.
    far = (Z - 24) ** 2 + (Y - 47.5) ** 2 + (X - 47.5 - RADIUS) ** 2 > 22**2
    np.testing.assert_array_equal(before & far, after & far)


@pytest.mark.parametrize("kind", ["whole", "ends in the volume", "a holder beside it", "a notch"])
def test_all_else_of_the_mask_stays_to_the_bit(kind):
    solid = DEPTH > 0
    if kind == "ends in the volume":
        solid &= (Z >= 6) & (Z < 40)
    elif kind == "a holder beside it":
        solid |= (X > 90) & (Z < 12)
    elif kind == "a notch":
        solid &= ~((X > 60) & (Z > 4) & (Z < 44))
    before, after = masks(cut(solid))
    np.testing.assert_array_equal(before, after)
