"""Minority phases beside a matrix peak: found where they are, absent where they are not."""

import numpy as np
import pytest

from pipeline.errors import DataError, UsageError
from pipeline.kernels.peaks import PhaseThresholds, threshold_peaks

KINDS = ("particles", "background", "particles", "particles")
MATRIX, SD = 20_000.0, 600.0
# Contrast to the matrix in units of that of the iron-rich phase, as attenuation gives it.
PORE, IRON, COPPER = -0.75, 1.0, 3.4


def histogram_of(cnr, pore=0.0, iron=0.0, copper=0.0, partial=0.3, n=1_000_000, seed=0):
    """Draw a specimen's grey levels; `partial` is the share of a phase that lies in its skin."""
    rng = np.random.default_rng(seed)
    parts = []
    for share, contrast in ((pore, PORE), (iron, IRON), (copper, COPPER)):
        parts.append(np.full(int(n * share * (1 - partial)), contrast))
        # A skin voxel is half phase on average: it takes two to hold the volume of one.
        parts.append(contrast * rng.random(int(2 * n * share * partial)))
    parts.append(np.zeros(n - sum(p.size for p in parts)))
    grey = MATRIX + SD * (cnr * np.concatenate(parts) + rng.normal(0, 1, n))
    return np.bincount(np.rint(grey).clip(0, 65535).astype(int), minlength=65536)


def in_sd(values):
    return [None if v is None else (v - MATRIX) / SD for v in values]


@pytest.mark.parametrize("cnr", [6, 8, 10])
@pytest.mark.parametrize("partial", [0.1, 0.4])
def test_all_phases_are_found_at_their_levels(cnr, partial):
    found = threshold_peaks(histogram_of(cnr, 0.005, 0.09, 0.006, partial), KINDS)
    assert found.found == (True,) * 4
    pore, matrix, iron, copper = in_sd(found.levels)
    assert matrix == pytest.approx(0, abs=0.1)
    assert pore == pytest.approx(PORE * cnr, abs=0.7)
    assert iron == pytest.approx(IRON * cnr, abs=0.5)
    assert copper == pytest.approx(COPPER * cnr, abs=0.5)
    dark, bright, brightest = in_sd(found.thresholds)
    assert dark == pytest.approx(min(PORE * cnr / 2, -3), abs=0.35)
    assert bright == pytest.approx(max(cnr / 2, 3), abs=0.35)
    assert brightest == pytest.approx((IRON + COPPER) / 2 * cnr, abs=0.5)
    assert found.sd[1] == pytest.approx(SD, rel=0.03)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_weak_contrast_is_found_but_noise_stays_in_the_matrix(seed):
    histogram = histogram_of(4, 0.0, 0.09, 0.006, 0.2, seed=seed)
    found = threshold_peaks(histogram, KINDS)
    assert found.found == (False, True, True, True)
    _, bright, brightest = in_sd(found.thresholds)
    # Midway would be 2 sd from the matrix, which would turn 2 % of it into particles.
    assert bright == pytest.approx(3, abs=0.2)
    assert brightest == pytest.approx(8.8, abs=0.6)


@pytest.mark.parametrize("seed", range(5))
def test_a_pure_matrix_has_no_other_phase(seed):
    histogram = histogram_of(6, seed=seed)
    found = threshold_peaks(histogram, KINDS)
    assert found.found == (False, True, False, False)
    assert in_sd(found.thresholds) == [
        pytest.approx(-5, abs=0.15),
        pytest.approx(5, abs=0.15),
        pytest.approx(10, abs=0.3),
    ]
    beyond = histogram[: found.thresholds[0]].sum() + histogram[found.thresholds[1] :].sum()
    assert beyond <= 3
    assert found.notes == ()


@pytest.mark.parametrize("seed", range(3))
def test_heavier_tails_than_a_gaussian_are_no_phase(seed):
    rng = np.random.default_rng(seed)
    grey = MATRIX + SD * rng.standard_t(8, 1_000_000)
    histogram = np.bincount(np.rint(grey).clip(0, 65535).astype(int), minlength=65536)
    assert threshold_peaks(histogram, KINDS).found == (False, True, False, False)


def test_an_absent_copper_phase_leaves_iron_whole():
    histogram = histogram_of(8, 0.005, 0.09, 0.0)
    found = threshold_peaks(histogram, KINDS)
    assert found.found == (True, True, True, False)
    assert histogram[found.thresholds[2] :].sum() < 100
    assert found.notes == (
        "1 of 2 bright levels were found: phases are named by rank from the matrix",
    )


def test_bodies_too_thin_to_reach_their_level_are_found_by_their_shoulder():
    rng = np.random.default_rng(0)
    grey = np.concatenate([rng.random(90_000) * 12, np.zeros(910_000)])
    grey = MATRIX + SD * (grey + rng.normal(0, 1, grey.size))
    histogram = np.bincount(np.rint(grey).astype(int), minlength=65536)
    found = threshold_peaks(histogram, ("background", "particles"))
    assert found.found == (True, True)
    assert in_sd(found.levels)[1] == pytest.approx(12, abs=2)
    assert found.sd[1] is None
    assert "shoulder" in found.notes[0]


def test_fractions_of_phases_come_out_at_good_contrast():
    shares = {"pore": 0.005, "iron": 0.09, "copper": 0.006}
    histogram = histogram_of(10, **shares, partial=0.2)
    found = threshold_peaks(histogram, KINDS)
    below = [0, *[int(histogram[:t].sum()) for t in found.thresholds], int(histogram.sum())]
    fractions = np.diff(below) / histogram.sum()
    assert fractions[0] == pytest.approx(0.005, rel=0.15)
    assert fractions[2] == pytest.approx(0.09, rel=0.05)
    assert fractions[3] == pytest.approx(0.006, rel=0.15)


def test_mirrored_grey_gives_mirrored_thresholds():
    histogram = histogram_of(8, 0.0, 0.05, 0.0)
    found = threshold_peaks(histogram, ("background", "particles"))
    mirrored = threshold_peaks(histogram[::-1].copy(), ("particles", "background"))
    # A voxel at the threshold is on the bright side in both.
    assert mirrored.thresholds[0] == pytest.approx(65536 - found.thresholds[0], abs=1)


@pytest.mark.parametrize("shift", [-3000, 1, 20_000])
def test_thresholds_move_with_the_grey_scale(shift):
    histogram = histogram_of(8, 0.005, 0.05, 0.004)
    here = threshold_peaks(histogram, KINDS)
    there = threshold_peaks(np.roll(histogram, shift), KINDS)
    assert there.thresholds == tuple(t + shift for t in here.thresholds)


def test_eight_bit_data_spread_over_sixteen_bits_are_no_comb():
    fine = histogram_of(8, 0.01, 0.09, 0.01)
    coarse = np.zeros(65536, np.int64)
    coarse[: 256 * 256 : 256] = fine.reshape(256, 256).sum(axis=1)
    found = threshold_peaks(coarse, KINDS)
    assert found.found == (True,) * 4
    wanted = threshold_peaks(fine, KINDS).thresholds
    np.testing.assert_allclose(found.thresholds, np.array(wanted) - 128, atol=300)
    eight_bit = np.zeros(65536, np.int64)
    eight_bit[:256] = fine.reshape(256, 256).sum(axis=1)
    np.testing.assert_allclose(
        np.array(threshold_peaks(eight_bit, KINDS).thresholds) * 256, found.thresholds, atol=300
    )


def test_a_specimen_without_noise():
    histogram = np.zeros(65536, np.int64)
    histogram[[100, 1000, 2000, 5000]] = (500, 90_000, 9_000, 600)
    found = threshold_peaks(histogram, KINDS)
    assert found.found == (True,) * 4
    dark, bright, brightest = found.thresholds
    assert 100 < dark <= 1000 < bright <= 2000 < brightest <= 5000


def test_one_grey_level_alone():
    histogram = np.zeros(65536, np.int64)
    histogram[7] = 10
    found = threshold_peaks(histogram, KINDS)
    assert found.found == (False, True, False, False)
    assert list(found.thresholds) == sorted(set(found.thresholds))
    assert found.thresholds[0] <= 7 < found.thresholds[1]


def test_what_does_not_fit_is_refused():
    with pytest.raises(DataError, match="empty"):
        threshold_peaks(np.zeros(65536, np.int64), KINDS)
    for kinds in (("particles",), ("background", "background")):
        with pytest.raises(UsageError, match="background"):
            threshold_peaks(histogram_of(5, n=1000), kinds)


def test_found_follows_from_the_levels():
    assert PhaseThresholds((5,), (None, 3.0), (None, 1.0), "peaks", ()).found == (False, True)


@pytest.mark.parametrize("reach", [0.2, 0.3])
def test_a_mode_drawn_out_by_uneven_grey_has_no_second_level_on_its_flank(reach):
    rng = np.random.default_rng(3)
    contrast = np.zeros(1_000_000)
    # A fifth of the iron-rich voxels lie where the scan is brighter, by up to a share of contrast.
    contrast[:40_000] = 1.0
    contrast[:8_000] += reach * rng.random(8_000)
    grey = MATRIX + SD * (22 * contrast + rng.normal(0, 1, contrast.size))
    histogram = np.bincount(np.rint(grey).clip(0, 65535).astype(int), minlength=65536)
    assert threshold_peaks(histogram, KINDS).found == (False, True, True, False)


AIR = MATRIX + PORE * 16 * SD


def test_air_tells_pores_that_are_no_mode():
    """A few small pores in a smoothed scan: more of their voxels lie in their skin than inside."""
    histogram = histogram_of(16, 0.001, partial=0.8, n=200_000)
    assert not threshold_peaks(histogram, KINDS).found[0]
    found = threshold_peaks(histogram, KINDS, air=AIR)
    assert found.found == (True, True, False, False)
    # The level that small pores reach, and the threshold with it, stand nearer to the matrix.
    assert -12 < in_sd(found.levels)[0] < -8
    assert found.thresholds[0] == pytest.approx((found.levels[0] + found.levels[1]) / 2, abs=1)
    # Large pores reach that of air.
    large = threshold_peaks(histogram_of(16, 0.01, partial=0.1, n=200_000), KINDS, air=AIR)
    assert in_sd(large.levels)[0] == pytest.approx(-12, abs=0.5)


def test_where_air_tells_that_there_are_no_pores_their_threshold_is_midway():
    found = threshold_peaks(histogram_of(16, n=200_000), KINDS, air=AIR)
    assert found.found == (False, True, False, False)
    assert in_sd(found.thresholds)[0] == pytest.approx(-6, abs=0.1)


@pytest.mark.parametrize("cnr", [3, 5, 8])
def test_what_trails_off_from_the_matrix_is_no_pore(cnr):
    rng = np.random.default_rng(cnr)
    grey = MATRIX + SD * rng.standard_t(8, 1_000_000)
    histogram = np.bincount(np.rint(grey).clip(0, 65535).astype(int), minlength=65536)
    found = threshold_peaks(histogram, KINDS, air=MATRIX - cnr * SD)
    assert not found.found[0]
    assert found.thresholds == threshold_peaks(histogram, KINDS).thresholds


def test_pores_that_are_no_mode_move_with_the_grey_scale():
    histogram = histogram_of(16, 0.001, partial=0.8, n=200_000)
    here = threshold_peaks(histogram, KINDS, air=AIR)
    there = threshold_peaks(np.roll(histogram, 5000), KINDS, air=AIR + 5000)
    assert there.thresholds == tuple(t + 5000 for t in here.thresholds)


def beside(seed, *parts, skin):
    """Draw a matrix, modes of (contrast, sd, voxels) and an even plateau, in sd of the matrix."""
    rng = np.random.default_rng(seed)
    drawn = [rng.normal(0, 1, 200_000), *(rng.normal(*part) for part in parts)]
    grey = MATRIX + SD / 6 * np.concatenate([*drawn, 160 * rng.random(skin)])
    return np.bincount(np.rint(grey).astype(int), minlength=65536)


@pytest.mark.parametrize("seed", range(3))
def test_modes_wider_than_the_matrix_are_found(seed):
    # Few iron-rich voxels beside five times as many in the skins of copper-rich bodies.
    found = threshold_peaks(beside(seed, (50, 2.5, 600), (160, 2, 800), skin=3000), KINDS)
    assert (found.levels[2] - MATRIX) / SD * 6 == pytest.approx(50, abs=2)
    assert (found.levels[3] - MATRIX) / SD * 6 == pytest.approx(160, abs=2)


@pytest.mark.parametrize("seed", range(3))
def test_a_shoulder_is_found_beside_a_mode_wider_than_the_matrix(seed):
    found = threshold_peaks(beside(seed, (50, 4, 30_000), (160, 5, 300), skin=4500), KINDS)
    assert (found.levels[3] - MATRIX) / SD * 6 == pytest.approx(160, abs=3)
