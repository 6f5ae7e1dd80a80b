"""A particle in its cell: rules of the embedding, of places, and what an assessment must give."""

import numpy as np
import pytest

from pipeline.errors import ConvergenceError
from pipeline.kernels.assessment import Constants, assess_particle
from pipeline.kernels.concentration import hemisphere, mean_over_balls, rate_directions
from pipeline.kernels.elasticity import lame_constants
from pipeline.kernels.embedding import (
    MATRIX,
    PARTICLE,
    coarsen_codes,
    embed_particle,
    fit_cell,
    measure_thickness,
)
from pipeline.kernels.places import count_peaks, name_place

UNIT = (1.0, 1.0, 1.0)
PHASES = ((0.0, 0.0), lame_constants(70.0, 0.33), lame_constants(160.0, 0.26))
IRON = Constants(PHASES, 1, 2, lame_constants(128.0, 0.26), lame_constants(192.0, 0.26))
PORE = Constants(PHASES, 1, 0, (0.0, 0.0), (0.0, 0.0))


def grid(n=40):
    return np.indices((n, n, n)) + 0.5 - n / 2


def disc(n=40, half=2.0, radius=14.0):
    z, y, x = grid(n)
    return (abs(z) < half) & (y * y + x * x < radius**2)


def test_thickness_of_plates_balls_and_single_layers():
    assert measure_thickness(disc(half=3.0)) == pytest.approx(6.0, rel=0.15)
    z, y, x = grid()
    assert measure_thickness(z * z + y * y + x * x < 100) == pytest.approx(10.0, rel=0.1)
    assert measure_thickness(np.ones((1, 20, 20), bool)) == 1.0
    assert measure_thickness(np.ones((2, 20, 20), bool)) == pytest.approx(2.0)


def test_thin_plates_are_refined_and_wide_ones_coarsened_or_cut():
    assert fit_cell((2, 30, 30), UNIT, 1.9).refine == 2
    assert fit_cell((1, 30, 30), UNIT, 1.0).refine == 3
    assert fit_cell((1, 30, 30), UNIT, 1.0, 40**3).refine == 1
    coarse = fit_cell((60, 60, 60), UNIT, 9.0, 60**3)
    assert (coarse.coarsen, coarse.cut) == (2, False)
    cut = fit_cell((60, 60, 60), UNIT, 4.0, 60**3)
    assert cut.cut
    assert np.prod(cut.shape) <= 60**3


def test_coarsening_takes_the_majority_and_spares_the_particle():
    cell = np.full((4, 4, 4), MATRIX, np.uint8)
    cell[0:1] = PARTICLE
    cell[2:4, :, 3:] = 3
    coarse = coarsen_codes(cell, 2)
    assert (coarse[0] == PARTICLE).all()
    assert (coarse[1, :, 1] == MATRIX).all()


@pytest.mark.parametrize("half", [1.0, 2.0])
def test_the_cell_holds_the_particle_whole(half):
    mask = disc(half=half)
    cell = embed_particle(mask, None, 1, UNIT)
    assert np.count_nonzero(cell.codes == PARTICLE) == mask.sum() * cell.fit.refine**3
    assert (cell.inside == (cell.codes == PARTICLE)).all()
    # Every voxel beside shares a face with the particle, and none belongs to it.
    assert not (cell.beside & cell.inside).any()
    assert cell.voxel_um == (1 / cell.fit.refine,) * 3


def test_a_cut_cell_counts_nothing_near_its_cuts():
    mask = np.zeros((20, 200, 20), bool)
    mask[8:12, :, 8:12] = True
    cell = embed_particle(mask, None, 1, UNIT, 60_000)
    assert cell.fit.cut
    assert (cell.codes[:, 0] == PARTICLE).any()
    assert not cell.inside[:, :3].any()
    assert cell.inside.any()


def test_surroundings_enter_and_the_outside_counts_as_matrix():
    mask = disc()
    phases = np.ones(mask.shape, np.uint8)
    phases[25:28, 18:22, 18:22] = 0
    phases[:4] = 255
    phases[mask] = 2
    cell = embed_particle(mask, phases, 1, UNIT)
    assert np.count_nonzero(cell.codes == 2) == 3 * 4 * 4
    assert set(np.unique(cell.codes)) == {MATRIX, PARTICLE, 2}


def test_places_by_the_rules():
    z, y, x = grid(60)
    plate = (abs(z) < 2) & (abs(y) < 20) & (abs(x) < 20)
    cross = plate | ((abs(y) < 2) & (abs(z) < 20) & (abs(x) < 20))
    tongue = plate | ((abs(z) < 2) & (abs(y) < 1.5) & (x > 0) & (x < 28))

    def name(body, peak, voids=None):
        return name_place(body, voids, peak, UNIT, 4.0, 30.0)

    assert name(plate, (31, 30, 30)) == "face"
    assert name(plate, (31, 30, 49)) == "rim"
    assert name(plate, (31, 49, 49)) == "protuberance"
    assert name(tongue, (31, 30, 57)) == "protuberance"
    assert name(cross, (31, 31, 30)) == "crossing"
    assert name_place(plate, None, (31, 30, 30), UNIT, 15.0, 30.0) == "compact"
    voids = np.zeros(plate.shape, bool)
    voids[33, 30, 30] = True
    assert name(plate, (31, 30, 30), voids) == "beside a pore"
    assert name(plate, (31, 30, 36), voids) == "face"


def test_peaks_that_touch_count_once():
    inside = np.ones((1, 1, 9), bool)
    values = np.array([1.0, 0.95, 0.2, 0.91, 0.2, 0.2, 0.89, 0.2, 0.99])
    assert count_peaks(values, inside) == 3


def test_mean_over_balls_is_the_mean():
    rng = np.random.default_rng(0)
    body = rng.random((6, 7, 5)) < 0.6
    responses = rng.standard_normal((int(body.sum()), 6, 6))
    got = mean_over_balls(responses, body, 1.5)
    places = np.argwhere(body)
    for i in (0, len(places) // 2, len(places) - 1):
        near = ((places - places[i]) ** 2).sum(axis=1) <= 2.25
        np.testing.assert_allclose(got[i], responses[near].mean(axis=0), rtol=1e-12)


def test_worst_and_best_bound_the_map():
    rng = np.random.default_rng(3)
    inside = np.zeros((5, 5, 5), bool)
    inside[1:3, 1:4, 1:4] = True
    beside = np.zeros_like(inside)
    beside[3, 1:4, 1:4] = True
    responses = np.eye(6) + 0.2 * rng.standard_normal((27, 6, 6))
    found = rate_directions(responses, inside, beside, (1.0, 2.0, 0.0))
    assert found.best.ball <= found.map.min() + 1e-12
    assert found.worst.ball >= found.map.max() - 1e-12
    assert found.worst.ball == pytest.approx(found.map.max(), rel=0.02)
    np.testing.assert_allclose(found.load.direction, np.array([1, 2, 0]) / np.sqrt(5))
    assert found.load.raw >= found.load.p999
    upper = hemisphere()
    np.testing.assert_allclose(np.linalg.norm(upper, axis=1), 1.0)
    # Equal areas: second moments of directions are a third each.
    np.testing.assert_allclose((upper**2).mean(axis=0), 1 / 3, atol=2e-3)


def test_a_platelet_draws_stress_along_its_plane():
    found = assess_particle(disc(), None, IRON, (1.0, 0.0, 0.0), UNIT)
    assert 1.7 < found.factors.worst.ball < 3.5
    assert abs(found.factors.worst.direction[0]) < 0.1
    assert found.factors.load.ball < found.factors.worst.ball
    assert found.low < found.factors.worst.ball < found.high
    assert abs(found.coarse_change) < 0.1
    assert found.residual <= 3e-5


def test_turning_the_voxels_turns_the_result():
    mask = disc(32, 2.0, 10.0)
    flat = assess_particle(mask, None, IRON, (1.0, 0.0, 0.0), UNIT)
    up = assess_particle(mask.transpose(2, 1, 0).copy(), None, IRON, (0.0, 0.0, 1.0), UNIT)
    assert up.factors.load.ball == pytest.approx(flat.factors.load.ball, rel=1e-4)
    assert up.factors.worst.ball == pytest.approx(flat.factors.worst.ball, rel=1e-4)
    assert up.load_place == flat.load_place


def test_a_pore_beside_a_platelet_raises_its_stress():
    mask = disc(36, 2.0, 11.0)
    z, y, x = grid(36)
    phases = np.ones(mask.shape, np.uint8)
    phases[(z - 5) ** 2 + y * y + (x - 6) ** 2 < 9] = 0
    phases[mask] = 2
    alone = assess_particle(mask, None, IRON, (0.0, 0.0, 1.0), UNIT)
    company = assess_particle(mask, phases, IRON, (0.0, 0.0, 1.0), UNIT)
    assert company.factors.load.ball > alone.factors.load.ball
    nothing = assess_particle(mask, np.where(mask, 2, 1).astype(np.uint8), IRON, (0, 0, 1.0), UNIT)
    assert nothing.factors.load.ball == pytest.approx(alone.factors.load.ball, rel=1e-6)


def test_a_pore_is_rated_by_the_matrix_around_it():
    z, y, x = grid(24)
    found = assess_particle(z * z + y * y + x * x < 36, None, PORE, (1.0, 0.0, 0.0), UNIT)
    assert 1.6 < found.factors.load.ball < 2.3
    assert found.load_place is None


def test_no_convergence_gives_no_number():
    with pytest.raises(ConvergenceError, match="residual"):
        assess_particle(disc(24, 2.0, 8.0), None, IRON, (1, 0, 0), UNIT, max_iterations=1)
