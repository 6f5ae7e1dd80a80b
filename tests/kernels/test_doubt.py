"""Voxels in doubt, and the modes of a histogram."""

import numpy as np
import pytest

from pipeline.errors import UsageError
from pipeline.kernels.doubt import fold_doubt, mode_level, mode_spread
from pipeline.model.recipe import OUTSIDE


def test_doubt_is_counted_for_the_tile_and_by_body() -> None:
    rng = np.random.default_rng(2)
    shape = (9, 13, 37)
    now = rng.integers(0, 3, shape).astype(np.uint8)
    now[rng.random(shape) < 0.2] = OUTSIDE
    moved = []
    for _ in range(2):
        other = np.where(rng.random(shape) < 0.1, rng.integers(0, 3, shape), now)
        moved.append(np.where(now == OUTSIDE, OUTSIDE, other).astype(np.uint8))
    labels = rng.integers(0, 5, shape).astype(np.uint32)
    n, lost = fold_doubt(now, *moved, labels, 4)
    assert n == np.count_nonzero((moved[0] != now) | (moved[1] != now))
    for body in range(1, 5):
        assert lost[body].tolist() == [
            np.count_nonzero((other != now) & (labels == body)) for other in moved
        ]
    assert lost[0].tolist() == [0, 0]
    assert fold_doubt(now, now, now, labels, 4)[0] == 0
    with pytest.raises(UsageError, match="one shape"):
        fold_doubt(now, *moved, labels[1:], 4)


@pytest.mark.parametrize("sd", [0.6, 1.2, 8.0, 300.0])
def test_spread_is_that_of_the_mode_whatever_its_tails(sd: float) -> None:
    rng = np.random.default_rng(3)
    grey = np.concatenate([rng.normal(3000, sd, 90_000), rng.uniform(3000, 6000, 8_000)])
    spread = mode_spread(np.bincount(np.rint(grey).astype(int), minlength=7000))
    assert spread == pytest.approx(sd, rel=0.15)


def test_too_few_voxels_have_no_spread_and_one_level_has_none_to_show() -> None:
    assert mode_spread(np.array([20, 20])) is None
    assert mode_spread(np.zeros(10, np.int64)) is None
    assert mode_spread(np.array([0, 90, 0, 0])) == 0.0


def test_a_flank_is_no_level() -> None:
    grey = np.random.default_rng(4).normal(500, 20, 40_000)
    histogram = np.bincount(np.rint(grey).astype(int), minlength=1000)
    assert mode_level(histogram, 20.0) == pytest.approx(500, abs=4)
    assert mode_level(histogram[:480], 20.0) is None
    assert mode_level(histogram[520:], 20.0) is None
    assert mode_level(histogram[:400], 20.0) is None
