"""The phase of every voxel."""

import numpy as np
import pytest

from pipeline.errors import UsageError
from pipeline.kernels.threshold import classify_phases
from pipeline.model.recipe import OUTSIDE


@pytest.mark.parametrize("thresholds", [(), (0,), (100, 30_000, 65_535), (-5, 10, 65_536, 65_537)])
def test_phase_is_the_number_of_thresholds_reached(thresholds):
    rng = np.random.default_rng(8)
    grey = rng.integers(0, 65536, (5, 6, 7)).astype(np.uint16)
    grey[0, 0] = (0, 99, 100, 29_999, 30_000, 65_534, 65_535)
    mask = rng.integers(0, 2, grey.shape).astype(np.uint8)
    wanted = sum((grey.astype(np.int64) >= t).astype(np.uint8) for t in thresholds)
    wanted = np.broadcast_to(np.asarray(wanted, np.uint8), grey.shape)
    np.testing.assert_array_equal(classify_phases(grey, None, thresholds), wanted)
    wide = np.empty((5, 6, 9), np.uint8)
    for out in (None, np.empty(grey.shape, np.uint8), wide[..., 2:]):
        got = classify_phases(grey, mask, thresholds, out)
        np.testing.assert_array_equal(got, np.where(mask, wanted, OUTSIDE))


@pytest.mark.parametrize(
    "wrong",
    [
        lambda g: classify_phases(g, None, (6, 5)),
        lambda g: classify_phases(g, None, range(255)),
        lambda g: classify_phases(g, np.ones((2, 2), np.uint8), (5,)),
        lambda g: classify_phases(g, np.ones(g.shape, np.int64), (5,)),
        lambda g: classify_phases(g.astype(np.uint8), None, (5,)),
        lambda g: classify_phases(g, None, (5,), np.empty(g.shape, np.uint16)),
    ],
)
def test_what_does_not_fit_is_refused(wrong):
    with pytest.raises(UsageError):
        wrong(np.zeros((2, 3, 4), np.uint16))


def test_a_phase_between_equal_thresholds_is_empty():
    grey = np.array([[[0, 68, 69, 65535]]], np.uint16)
    assert classify_phases(grey, None, (69, 69, 65536)).tolist() == [[[0, 0, 2, 2]]]
    assert classify_phases(grey, None, (0, 0)).tolist() == [[[2, 2, 2, 2]]]
