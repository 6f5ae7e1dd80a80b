"""Coarser levels against blocks averaged by numpy."""

import numpy as np
import pytest

from pipeline.kernels.pyramid import halve_labels, halve_mean


def block_means(volume):
    """Mean of each 2x2x2 block in float64; blocks at odd edges are smaller."""
    nz, ny, nx = (-(-n // 2) for n in volume.shape)
    out = np.empty((nz, ny, nx))
    for z, y, x in np.ndindex(nz, ny, nx):
        block = volume[2 * z : 2 * z + 2, 2 * y : 2 * y + 2, 2 * x : 2 * x + 2]
        out[z, y, x] = block.astype(np.float64).mean()
    return out


@pytest.mark.parametrize("shape", [(8, 8, 8), (7, 8, 9), (1, 5, 2), (1, 1, 1)])
@pytest.mark.parametrize("dtype", ["uint8", "uint16", "int16"])
def test_integers_round_to_nearest(shape, dtype):
    info = np.iinfo(dtype)
    rng = np.random.default_rng(0)
    volume = rng.integers(info.min, info.max, shape, dtype, endpoint=True)
    got = halve_mean(volume)
    assert got.dtype == volume.dtype
    # Halves go up.
    assert np.array_equal(got, np.floor(block_means(volume) + 0.5))


def test_extremes_do_not_overflow():
    for dtype in ("uint8", "uint16", "int16"):
        for value in (np.iinfo(dtype).min, np.iinfo(dtype).max):
            assert (halve_mean(np.full((4, 4, 4), value, dtype)) == value).all()


def test_floats():
    volume = np.random.default_rng(1).normal(size=(6, 7, 5)).astype(np.float32)
    got = halve_mean(volume)
    assert got.dtype == np.float32
    np.testing.assert_allclose(got, block_means(volume), rtol=1e-6, atol=1e-7)


def test_labels_take_the_first_voxel():
    volume = np.arange(5 * 4 * 3, dtype=np.uint32).reshape(5, 4, 3)
    got = halve_labels(volume)
    assert got.flags.c_contiguous
    assert np.array_equal(got, volume[::2, ::2, ::2])
    assert got.shape == (3, 2, 2)
