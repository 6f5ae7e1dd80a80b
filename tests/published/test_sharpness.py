"""The 10-90 % width of an edge of known blur.

An edge blurred by a Gaussian is an error function; its 10-90 % width is twice the 90 % quantile of
the normal distribution, 2 x 1.281552 = 2.563 standard deviations (Abramowitz & Stegun 1964, table
26.5).  A voxel's own extent adds a variance of 1/12 to the blur.
"""

import math

import numpy as np
import pytest

from pipeline.kernels.sharpness import edge_width, fold_edges
from pipeline.model.grid import Box

pytestmark = pytest.mark.published

WIDTH = 2.563


def ball_edges(sigma: float, noise: float) -> np.ndarray:
    """A ball of exact partial volume to a sixth of a voxel, blurred by a Gaussian."""
    n, fine = 64, 4
    at = (np.arange(n * fine) + 0.5) / fine - n / 2 - 0.13
    square = at**2
    inside = (square[:, None, None] + square[None, :, None] + square[None, None, :]) < 22.0**2
    share = inside.reshape(n, fine, n, fine, n, fine).mean(axis=(1, 3, 5))
    reach = math.ceil(4 * sigma)
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    for axis in range(3):
        share = np.apply_along_axis(np.convolve, axis, share, weights / weights.sum(), "same")
    grey = 20000 + 10000 * share
    grey += np.random.default_rng(1).normal(0, noise, grey.shape)
    core, shape = Box((0, 0, 0), (n - 4,) * 3), (n - 4,) * 3
    voxels, phases = grey.astype(np.uint16), np.ones(grey.shape, np.uint8)
    return fold_edges(voxels, phases, core, shape, 20000.0, [30000.0])[0]


@pytest.mark.parametrize("noise", [0.0, 1000.0], ids=["clean", "cnr 10"])
@pytest.mark.parametrize("sigma", [0.6, 0.8, 1.0, 1.5])
def test_width_of_a_blurred_ball(sigma: float, noise: float) -> None:
    wanted = WIDTH * math.sqrt(sigma**2 + 1 / 12)
    assert edge_width(ball_edges(sigma, noise).sum(axis=0)) == pytest.approx(wanted, rel=0.1)
