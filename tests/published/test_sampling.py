"""Statistics of scans against closed forms.

Boolean model of balls: Miles (1976); Chiu, Stoyan, Kendall & Mecke, Stochastic Geometry and its
Applications (2013), ch. 3.  Border correction: Miles (1974), Lantuejoul (1980), unbiased for any
shape; that plates counted without it are 30 to 45 % off was simulated for this project.  ASTM E562
and E2283: their arithmetic, worked outside this project.  Port Pirie: 65 annual maxima in Coles, An
Introduction to Statistical Modeling of Extreme Values (2001), with the book's fits.  Full size:
``python -m tests.benchmarks.sampling``.
"""

import numpy as np
import pytest
from scipy import stats

from pipeline.analysis.extremes import (
    fatigue_limit_mpa,
    fit_extreme_value,
    fit_gumbel,
    match_moments,
    reduced_variate,
)
from pipeline.analysis.phases import describe_fraction, describe_surface
from pipeline.analysis.sizes import Field, weight_particles
from pipeline.phantom.boolean import BallModel, PlateModel
from tests.benchmarks.sampling import associate, count_volume, draw_pair

pytestmark = pytest.mark.published

PORT_PIRIE = (
    "4.03 3.83 3.65 3.88 4.01 4.08 4.18 3.80 4.36 3.96 3.98 4.69 3.85 3.96 3.85 3.93 "
    "3.75 3.63 3.57 4.25 3.97 4.05 4.24 4.22 3.73 4.37 4.06 3.71 3.96 4.06 4.55 3.79 "
    "3.89 4.11 3.85 3.86 3.86 4.21 4.01 4.11 4.24 3.96 4.21 3.74 3.85 3.88 3.66 4.11 "
    "3.71 4.18 3.90 3.78 3.91 3.72 4.00 3.66 3.62 4.33 4.55 3.75 4.08 3.90 3.88 3.94 "
    "4.33 "
)


def test_fractions_and_surfaces_of_balls_and_their_intervals():
    model, rng = BallModel(4.0, 0.1), np.random.default_rng(5)
    truth = {"volume_fraction": model.fraction, "surface_density_mm": model.surface * 1e3}
    values = {name: [] for name in truth}
    held = dict.fromkeys(truth, 0)
    for _ in range(200):
        counts = count_volume(model.draw((48, 48, 48), rng).astype(np.uint8), 2)
        for row in (*describe_fraction(counts, 1, 0.1), *describe_surface(counts, 1)):
            if row.quantity in truth:
                values[row.quantity].append(row.value)
                held[row.quantity] += row.low < truth[row.quantity] < row.high
    for name, wanted in truth.items():
        assert np.mean(values[name]) == pytest.approx(wanted, rel=0.03), name
        assert 180 <= held[name] <= 196, name


def test_the_variance_of_the_fraction_is_that_of_the_model():
    """Chance of ball volumes: q^2/|W| int (exp(lam g(r)) - 1) 4 pi r^2 dr, q = exp(-eta)."""
    model, rng, edge = BallModel(4.0, 0.2), np.random.default_rng(6), 64
    r = np.linspace(0, 2 * model.radius_vx, 4001)
    ball = 4 / 3 * np.pi * model.radius_vx**3
    overlap = ball * (1 - 3 * r / (4 * model.radius_vx) + r**3 / (16 * model.radius_vx**3))
    integrand = np.expm1(model.intensity * overlap) * 4 * np.pi * r**2
    sd = np.sqrt(np.exp(-2 * model.eta) / edge**3 * np.trapezoid(integrand, r))
    found = []
    for _ in range(30):
        counts = count_volume(model.draw((edge,) * 3, rng).astype(np.uint8), 2)
        row = next(iter(describe_fraction(counts, 1, 0.1)))
        found.append((row.high - row.low) / 2 / stats.t.ppf(0.975, 24.6))
    assert np.mean(found) == pytest.approx(sd, rel=0.12)


def test_scatter_of_subvolumes_falls_to_the_law_of_the_integral_range():
    """Variance in cubes of edge a: int g(r) (C(r) - p^2) 4 pi r^2 dr / a^6, exact for any a > 2 R.

    g is the covariogram of the cube in the mean of all directions, and C(r) - p^2 that of the test
    above; for large cubes it is p (1 - p) A / a^3 (Matheron 1971).
    """
    model, rng = BallModel(3.0, 0.15), np.random.default_rng(8)
    r = np.linspace(0, 2 * model.radius_vx, 2001)
    ball = 4 / 3 * np.pi * model.radius_vx**3
    overlap = ball * (1 - 3 * r / (4 * model.radius_vx) + r**3 / (16 * model.radius_vx**3))
    excess = np.exp(-2 * model.eta) * np.expm1(model.intensity * overlap) * 4 * np.pi * r**2
    p = model.fraction
    reach = np.trapezoid(excess, r) / (p * (1 - p))
    found, ranges = {8: [], 16: [], 32: []}, []
    for _ in range(30):
        counts = count_volume(model.draw((64, 64, 64), rng).astype(np.uint8), 2)
        for row in describe_fraction(counts, 1, 0.1):
            if row.quantity == "volume_fraction_scatter" and round(row.at) in found:
                found[round(row.at)].append((row.value * p) ** 2)
            if row.quantity == "integral_range_um3":
                ranges.append(row.value)
    for edge, variances in found.items():
        cube = edge**3 - 1.5 * edge**2 * r + 2 / np.pi * edge * r**2 - r**3 / (4 * np.pi)
        wanted = np.trapezoid(cube * excess, r) / edge**6
        assert np.mean(variances) == pytest.approx(wanted, rel=0.2), edge
        assert wanted < p * (1 - p) * reach / edge**3
    assert np.mean(ranges) == pytest.approx(reach, rel=0.2)


def test_number_density_of_plates_is_unbiased_and_uncorrected_counts_are_not():
    model, rng, shape = PlateModel(), np.random.default_rng(7), (100, 100, 100)
    corrected, inside, touching = [], [], []
    for _ in range(300):
        start, stop, _ = model.draw(shape, rng)
        weighted = weight_particles(Field(shape), start, stop)
        corrected.append(weighted.weight.sum() / model.intensity)
        inside.append(weighted.whole.sum() / 1e6 / model.intensity)
        touching.append(len(start) / 1e6 / model.intensity)
    error = np.std(corrected) / np.sqrt(300)
    assert error < 0.015
    assert abs(np.mean(corrected) - 1.0) < 3 * error
    assert np.mean(inside) < 0.7
    assert np.mean(touching) > 1.3


def test_worked_values_of_e2283():
    maxima = 30.0 - 5.0 * np.log(-np.log(np.arange(1, 25) / 25.0))
    fit, moments = fit_gumbel(maxima), match_moments(maxima)
    assert (fit.location, fit.scale) == pytest.approx((30.104031, 4.417199), abs=1e-6)
    assert (moments.location, moments.scale) == pytest.approx((30.150531, 4.326661), abs=1e-6)
    assert reduced_variate(1000.0) == pytest.approx(6.907255, abs=1e-6)
    assert fit.level(1000.0) == pytest.approx(60.614750, abs=1e-5)
    assert fit.level_error(1000.0) == pytest.approx(5.231717, abs=1e-5)


def test_sea_levels_of_port_pirie():
    maxima = np.array(PORT_PIRIE.split(), np.float64)
    assert maxima.size == 65
    gumbel, general = fit_gumbel(maxima), fit_extreme_value(maxima)
    assert (gumbel.location, gumbel.scale) == pytest.approx((3.869444, 0.194889), abs=2e-6)
    assert gumbel.log_likelihood(maxima) == pytest.approx(4.21768, abs=1e-5)
    found = (general.location, general.scale, general.shape)
    assert found == pytest.approx((3.87476, 0.19804, -0.05010), abs=2e-5)


@pytest.mark.parametrize(
    ("hardness", "size", "wanted"),
    [(100, 50, (163.91, 161.61, 178.81)), (100, 100, (146.02, 143.98, 159.30)),
     (120, 200, (141.92, 139.93, 154.82)), (400, 50, (387.42, 382.00, 422.64))],
)  # fmt: skip
def test_murakami_of_surface_touching_and_interior_defects(hardness, size, wanted):
    """Constants as quoted in Chapetti et al., Procedia Struct. Integrity 76 (2026) 89; 1.41 is from
    memory."""
    places = ("surface", "touching", "interior")
    found = [fatigue_limit_mpa(size, hardness, place) for place in places]
    assert found == pytest.approx(wanted, abs=0.01)


def test_independent_phases_have_uniform_p_and_planted_ones_are_found():
    rng = np.random.default_rng(8)
    independent = [associate(draw_pair(rng, 48, 0.0)) for _ in range(60)]
    for name in ("contact", "meeting"):
        p = [found[name][1] for found in independent if name in found]
        assert len(p) >= 55
        assert stats.kstest(p, "uniform").pvalue > 0.01, name
    planted = [associate(draw_pair(rng, 48, 0.4)) for _ in range(10)]
    for name in ("contact", "meeting"):
        assert np.mean([found[name][0] for found in planted]) > 2.0
        assert sum(found[name][1] < 0.05 for found in planted) >= 9
