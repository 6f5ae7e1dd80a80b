"""Block maxima and the distributions fitted to them; shadows of ellipsoids; Murakami's numbers."""

import numpy as np
import pytest
from scipy import stats

from pipeline.analysis.extremes import (
    anderson_darling,
    block_maxima,
    ellipsoid_shadow_um2,
    fatigue_limit_mpa,
    fit_extreme_value,
    fit_gumbel,
    match_moments,
    plotting_positions,
    reduced_variate,
    shape_test,
)


def test_maxima_of_blocks_are_those_of_their_particles():
    rng = np.random.default_rng(1)
    searched = np.full((16, 16, 16), 64, np.int64)
    searched[:, :4] = 0
    place = rng.uniform(0, 16, (4000, 3)) * [2.0, 3.0, 4.0]
    place = place[place[:, 1] >= 12.0]
    values = rng.exponential(size=len(place))
    maxima, voxels = block_maxima(values, place, searched, np.array([2.0, 3.0, 4.0]))
    cell = (place / [4.0, 6.0, 8.0]).astype(int)
    keys, number = np.unique(cell, axis=0, return_inverse=True)
    wanted = [values[number.ravel() == i].max() for i in range(len(keys))]
    assert maxima.tolist() == wanted
    assert voxels == 8 * 64


def test_few_particles_take_wide_blocks_and_too_few_give_none():
    rng = np.random.default_rng(2)
    searched = np.full((16, 16, 16), 64, np.int64)
    place = rng.uniform(0, 16, (120, 3))
    maxima, voxels = block_maxima(rng.random(120), place, searched, np.ones(3))
    assert maxima.size == 20
    assert voxels == pytest.approx((8 * 216 + 12 * 144) / 20 * 64)
    assert block_maxima(rng.random(6), place[:6], searched, np.ones(3)) is None
    assert block_maxima(rng.random(9), place[:9], searched[:1, :1, :1], np.full(3, 16.0)) is None


def test_fits_recover_a_gumbel_distribution_and_the_error_is_the_scatter():
    rng = np.random.default_rng(3)
    fits = [fit_gumbel(rng.gumbel(30, 5, 40)) for _ in range(300)]
    levels = [fit.level(1000) for fit in fits]
    assert np.mean([fit.location for fit in fits]) == pytest.approx(30, abs=0.3)
    assert np.std(levels) == pytest.approx(
        np.mean([fit.level_error(1000) for fit in fits]), rel=0.15
    )


@pytest.mark.parametrize("shape", [-0.2, 0.0, 0.2])
def test_the_general_fit_is_that_of_scipy(shape):
    maxima = stats.genextreme.rvs(-shape, 10, 3, size=200, random_state=4)
    found = fit_extreme_value(maxima)
    c, location, scale = stats.genextreme.fit(maxima, -shape, loc=10, scale=3)
    assert found.shape == pytest.approx(-c, abs=2e-3)
    assert found.location == pytest.approx(location, rel=1e-3)
    wanted = stats.genextreme.ppf(1 - 1 / 500, -found.shape, found.location, found.scale)
    assert found.level(500) == pytest.approx(wanted, rel=1e-9)
    best = stats.genextreme.logpdf(maxima, c, location, scale).sum()
    assert found.log_likelihood >= best - 1e-4
    assert found.log_likelihood >= fit_gumbel(maxima).log_likelihood(maxima)


def test_the_likelihood_of_gumbel_is_that_of_scipy():
    maxima = np.random.default_rng(5).gumbel(1, 2, 50)
    fit = fit_gumbel(maxima)
    wanted = stats.gumbel_r.logpdf(maxima, fit.location, fit.scale).sum()
    assert fit.log_likelihood(maxima) == pytest.approx(wanted)


def test_goodness_of_fit_keeps_its_level_and_finds_what_is_no_gumbel():
    rng = np.random.default_rng(6)

    def rejected(draw):
        tests = [anderson_darling(x, fit_gumbel(x))[1] <= 0.05 for x in draw]
        return np.mean(tests)

    assert rejected(rng.gumbel(size=(400, 30))) == pytest.approx(0.05, abs=0.03)
    assert rejected(rng.uniform(size=(100, 60))) > 0.5
    heavy = stats.genextreme.rvs(-0.6, size=200, random_state=7)
    assert shape_test(fit_gumbel(heavy), fit_extreme_value(heavy), heavy) < 1e-3


def test_maxima_that_are_all_the_same_have_no_fit():
    same = np.full(10, 3.0)
    assert fit_gumbel(same) is None
    assert match_moments(same) is None
    assert fit_extreme_value(same) is None


def test_plotting_positions_of_a_gumbel_lie_on_its_line():
    n = 24
    maxima = 30 + 5 * np.array([reduced_variate(1 / (1 - i / (n + 1))) for i in range(1, n + 1)])
    values, variate = plotting_positions(maxima[::-1])
    np.testing.assert_allclose(values, 30 + 5 * variate)


def test_shadows_of_ellipsoids_are_those_of_many_points():
    rng = np.random.default_rng(8)
    basis, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    semi = np.array([5.0, 3.0, 1.0])
    axes = np.stack([basis[0], basis[2]])[None]
    unit = rng.normal(size=(20000, 3))
    unit /= np.linalg.norm(unit, axis=1, keepdims=True)
    surface = (unit * semi) @ basis
    found = ellipsoid_shadow_um2(2 * semi[None], axes, np.array([2.0, 0.0, 0.0]))[0]
    # The shadow along z is an ellipse: its area follows from the points' outline.
    yx = surface[:, 1:]
    angle = np.linspace(0, np.pi, 720, endpoint=False)
    support = (yx @ np.stack([np.cos(angle), np.sin(angle)])).max(0)
    slope = np.gradient(np.concatenate([support, support]), angle[1])[360:1080]
    support = np.concatenate([support, support])[360:1080]
    outline = np.sum(support**2 - slope**2) * angle[1]
    assert found == pytest.approx(outline, rel=0.01)
    sphere = ellipsoid_shadow_um2(np.full((1, 3), 4.0), axes, np.array([0.3, 0.1, 0.2]))[0]
    assert sphere == pytest.approx(np.pi * 4)


def test_strength_scales_with_the_sixth_root_of_the_projection():
    ratio = fatigue_limit_mpa(64.0, 100.0, "surface") / fatigue_limit_mpa(1.0, 100.0, "surface")
    assert ratio == pytest.approx(0.5)
