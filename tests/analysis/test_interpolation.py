"""Interpolation: against SciPy, also beyond the borders."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.analysis.interpolation import interpolate_


def test_places_within_and_beyond_are_those_of_scipy():
    rng = np.random.default_rng(2)
    values = rng.normal(size=(9, 11, 7)).astype(np.float32)
    matrix = np.linalg.qr(rng.normal(size=(3, 3)))[0] * 0.8
    for offset in (np.array([2.0, 3.0, 1.5]), np.array([-4.0, 9.0, 2.0]), np.full(3, 40.0)):
        found = np.empty((8, 12, 10), np.float32)
        interpolate_(values, matrix, offset, found)
        wanted = ndimage.affine_transform(
            values, matrix, offset, found.shape, np.float64, order=1, mode="grid-constant"
        )
        assert found == pytest.approx(wanted, abs=1e-6)
    assert not found.any()
