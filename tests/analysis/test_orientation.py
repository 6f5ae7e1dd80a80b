"""Orientation tensors of known sets of axes, and a test that keeps its level."""

import numpy as np
import pytest
from scipy import stats

from pipeline.analysis.orientation import eigenvalues_of, orient_axes


def isotropic(rng, n):
    axes = rng.normal(size=(n, 3))
    return axes / np.linalg.norm(axes, axis=1, keepdims=True)


def test_eigenvalues_are_those_of_lapack():
    rng = np.random.default_rng(1)
    for _ in range(50):
        half = rng.normal(size=(3, 3))
        matrix = half @ half.T
        wanted = np.linalg.eigvalsh(matrix)[::-1]
        np.testing.assert_allclose(eigenvalues_of(matrix), wanted, rtol=1e-7, atol=1e-9)
    assert eigenvalues_of(np.eye(3) / 3) == (1 / 3, 1 / 3, 1 / 3)


def test_aligned_planar_and_no_axes():
    aligned = orient_axes(np.tile([0.0, 0.6, -0.8], (50, 1)))
    assert aligned.anisotropy == pytest.approx(1.0)
    assert aligned.p_value < 1e-10
    np.testing.assert_allclose(aligned.tensor[1:, 1:], [[0.36, -0.48], [-0.48, 0.64]])
    angle = np.linspace(0, np.pi, 90, endpoint=False)
    ring = orient_axes(np.stack([np.zeros(90), np.cos(angle), np.sin(angle)], 1))
    np.testing.assert_allclose(ring.eigenvalues, (0.5, 0.5, 0.0), atol=1e-8)
    assert orient_axes(np.empty((0, 3))) is None


def test_without_preference_p_is_uniform_and_the_sign_of_axes_has_no_meaning():
    rng = np.random.default_rng(3)
    p = [orient_axes(isotropic(rng, 100)).p_value for _ in range(400)]
    assert stats.kstest(p, "uniform").pvalue > 0.01
    axes = isotropic(rng, 30)
    np.testing.assert_array_equal(orient_axes(axes).tensor, orient_axes(-axes).tensor)
