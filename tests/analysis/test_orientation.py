"""Orientation tensors of known sets of axes, and a test that keeps its level."""

import numpy as np
import pytest
from scipy import stats

from pipeline.analysis.orientation import eigenvalues_of, orient_axes
from pipeline.analysis.sizes import Field, weight_particles


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


def test_weights_undo_that_large_platelets_are_cut_more_often():
    # 30 % are large and lie across z, 70 % are small and lie across x.
    rng = np.random.default_rng(4)
    shape = np.array((40, 40, 40))
    axes, weights = [], []
    for _ in range(120):
        large = rng.random(rng.poisson(1e-3 * 80**3)) < 0.3
        size = np.where(large[:, None], (3, 25, 25), (5, 5, 2))
        start = rng.integers(-30, 50, size.shape)
        stop = start + size
        met = ((stop > 0) & (start < shape)).all(1)
        cut = (np.maximum(start, 0)[met], np.minimum(stop, shape)[met])
        found = weight_particles(Field((40, 40, 40)), *cut)
        axes.append(np.where(large[met, None], (1.0, 0.0, 0.0), (0.0, 0.0, 1.0))[found.whole])
        weights.append(found.weight[found.whole])
    axes, weights = np.concatenate(axes), np.concatenate(weights)
    assert orient_axes(axes, weights).tensor[0, 0] == pytest.approx(0.3, abs=0.02)
    assert orient_axes(axes).tensor[0, 0] < 0.2
    # Four axes of which one stands for three of the others are worth 36 / 12 = 3.
    few = orient_axes(np.eye(3)[[0, 1, 2, 0]], np.array([3.0, 1.0, 1.0, 1.0]))
    uneven = (4 / 6 - 1 / 3) ** 2 + 2 * (1 / 6 - 1 / 3) ** 2
    assert few.p_value == pytest.approx(stats.chi2.sf(7.5 * 3 * uneven, 5))
