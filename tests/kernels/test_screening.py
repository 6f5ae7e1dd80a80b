"""Principal stresses, worst directions and the screen of ellipsoids."""

import numpy as np
import pytest

from pipeline.kernels.elasticity import lame_constants
from pipeline.kernels.equilibrium import mandel_to_tensor, tensor_to_mandel
from pipeline.kernels.principal import (
    first_principal,
    largest_over_directions,
    stress_under,
    top_vector,
    von_mises,
    worst_each,
)
from pipeline.kernels.screening import hemisphere_normals, octant_normals, screen_particles

ALUMINIUM, BETA = lame_constants(70.0, 0.33), lame_constants(160.0, 0.26)


def directions(n, seed=0):
    v = np.random.default_rng(seed).standard_normal((n, 3))
    return v / np.linalg.norm(v, axis=1, keepdims=True)


def responses(n, seed=0):
    """Like those of voxels: near the identity, and not symmetric."""
    return np.eye(6) + 0.4 * np.random.default_rng(seed).standard_normal((n, 6, 6))


def test_principal_stress_is_the_largest_eigenvalue():
    tensors = np.random.default_rng(1).standard_normal((200, 3, 3))
    tensors += tensors.transpose(0, 2, 1)
    tensors[0], tensors[1] = np.eye(3), np.diag([2.0, 2.0, -1.0])
    tensors[2], tensors[3] = np.diag([-1.0, 2.0, -1.0]), 0.0
    v = np.empty(3)
    for tensor, s in zip(tensors, tensor_to_mandel(tensors), strict=True):
        top = np.linalg.eigvalsh(tensor)[-1]
        assert first_principal(s) == pytest.approx(top, abs=1e-7)
        assert top_vector(s, v) == pytest.approx(top, abs=1e-7)
        np.testing.assert_allclose(tensor @ v, top * v, atol=1e-5)
        off = tensor - np.eye(3) * np.trace(tensor) / 3
        assert von_mises(s) == pytest.approx(np.sqrt(1.5 * (off * off).sum()), abs=1e-9)
    np.testing.assert_allclose(mandel_to_tensor(tensor_to_mandel(tensors)), tensors)


def test_worst_direction_beats_ten_thousand_others():
    matrices = responses(20)
    values, where = np.empty(20), np.empty((20, 3))
    worst_each(matrices, values, where)
    principal, mises = np.empty(20), np.empty(20)
    most = np.full(20, -np.inf)
    for direction in directions(10_000):
        stress_under(matrices, direction, principal, mises)
        most = np.maximum(most, principal)
    assert (values >= most - 1e-9).all()
    for k in range(20):
        stress_under(matrices[k : k + 1], where[k], principal[:1], mises[:1])
        assert principal[0] == pytest.approx(values[k], rel=1e-6)


def test_bounds_skip_nothing_that_could_win():
    matrices, trials = responses(300), directions(40)
    bounds, where = np.empty(300), np.empty((300, 3))
    worst_each(matrices, bounds, where)
    order = np.argsort(-bounds)
    values, winner = np.empty(40), np.empty(40, np.int64)
    largest_over_directions(matrices, order, bounds + 1e-6, trials, values, winner)
    principal, mises = np.empty(300), np.empty(300)
    for k, direction in enumerate(trials):
        stress_under(matrices, direction, principal, mises)
        assert values[k] == principal.max()
        assert winner[k] == np.argmax(principal)


def test_normals_cover_the_hemisphere():
    octant, half = octant_normals(8), hemisphere_normals(8)
    assert len(octant) == 36
    np.testing.assert_allclose(np.linalg.norm(half, axis=1), 1.0)
    nearest = np.abs(directions(2000) @ half.T).max(axis=1)
    assert np.degrees(np.arccos(nearest.min())) < 11.0


def test_screen_does_not_depend_on_the_frame():
    rng = np.random.default_rng(4)
    frames = np.linalg.qr(rng.standard_normal((5, 3, 3)))[0]
    axes = np.sort(rng.random((1, 3)) + 0.1)[:, ::-1].repeat(5, axis=0)
    load = np.array([0.3, -0.5, 0.8])
    local = np.einsum("nkj,j->nk", frames, load)
    found = screen_particles(axes, frames, tuple(load), ALUMINIUM, BETA)
    for k in range(5):
        own = screen_particles(axes[:1], np.eye(3)[None], tuple(local[k]), ALUMINIUM, BETA)
        assert found.inside_load[k] == pytest.approx(own.inside_load[0], rel=1e-12)
        assert found.matrix_load[k] == pytest.approx(own.matrix_load[0], rel=1e-12)
    assert np.ptp(found.inside_worst) < 1e-8
    assert (found.matrix_worst >= found.matrix_load - 5e-3).all()
    # The worst load of a stiff ellipsoid points along its longest axis.
    along = np.abs(np.einsum("nj,nj->n", found.worst_direction, frames[:, 0]))
    assert along.min() > 0.999


def test_equal_constants_concentrate_nothing():
    found = screen_particles(
        np.array([[3.0, 2.0, 1.0]]), np.eye(3)[None], (1, 1, 0), ALUMINIUM, ALUMINIUM
    )
    for values in (found.inside_load, found.inside_worst, found.matrix_load, found.matrix_worst):
        assert values[0] == pytest.approx(1.0, abs=1e-9)


def test_chunks_change_nothing(monkeypatch):
    rng = np.random.default_rng(5)
    axes = rng.random((9, 3)) + 0.1
    frames = np.linalg.qr(rng.standard_normal((9, 3, 3)))[0]
    whole = screen_particles(axes, frames, (1, 0, 0), ALUMINIUM, BETA)
    monkeypatch.setattr("pipeline.kernels.screening.CHUNK", 4)
    parts = screen_particles(axes, frames, (1, 0, 0), ALUMINIUM, BETA)
    np.testing.assert_array_equal(whole.inside_worst, parts.inside_worst)
    np.testing.assert_array_equal(whole.matrix_worst, parts.matrix_worst)
