"""Fractions with their intervals, the scatter of sub-volumes, and what a sample asks for."""

import math

import numpy as np
import pytest
from scipy import stats

from pipeline.analysis.sampling import (
    count_fields,
    estimate_share,
    integral_range,
    merge_blocks,
    particles_needed,
    representative_volume,
    scatter_curve,
    scatter_factor,
    shift_thresholds,
)


def blocks(rng, shape, p, n=1000):
    return rng.binomial(n, p, shape).astype(np.int64), np.full(shape, n, np.int64)


def test_of_independent_blocks_the_error_is_that_of_a_binomial():
    rng = np.random.default_rng(1)
    found = [estimate_share(*blocks(rng, (8, 8, 8), 0.1)) for _ in range(300)]
    truth = math.sqrt(0.1 * 0.9 / 512_000)
    assert np.std([share.value for share in found]) == pytest.approx(truth, rel=0.15)
    assert truth <= np.mean([share.sd for share in found]) < 1.2 * truth
    held = np.mean([share.low < 0.1 < share.high for share in found])
    assert 0.93 <= held <= 1.0


def test_neighbours_that_are_alike_widen_the_interval():
    rng = np.random.default_rng(2)
    hits, searched = blocks(rng, (4, 4, 4), 0.2, 10)
    alike = np.repeat(np.repeat(np.repeat(hits, 2, 0), 2, 1), 2, 2)
    wide = np.repeat(np.repeat(np.repeat(searched, 2, 0), 2, 1), 2, 2)
    correlated = estimate_share(alike, wide)
    plain = float(np.std(alike / wide, ddof=1) / math.sqrt(512))
    assert correlated.sd > 1.5 * plain


def test_blocks_outside_the_specimen_do_not_count():
    rng = np.random.default_rng(3)
    hits, searched = blocks(rng, (6, 6, 6), 0.3)
    inside = estimate_share(hits[:, 1:-1, 1:-1], searched[:, 1:-1, 1:-1])
    hits[:, [0, -1]] = hits[:, :, [0, -1]] = 0
    searched[:, [0, -1]] = searched[:, :, [0, -1]] = 0
    padded = estimate_share(hits, searched)
    assert (padded.value, padded.n_blocks) == (inside.value, inside.n_blocks)
    assert padded.sd == pytest.approx(inside.sd, rel=1e-12)


def test_one_block_two_blocks_and_none_of_a_phase():
    one = np.full((1, 1, 1), 10, np.int64)
    assert estimate_share(one // 2, one).sd is None
    two = estimate_share(np.array([[[2, 4]]]), np.array([[[10, 10]]]))
    assert two.sd == pytest.approx(0.1)
    assert two.freedom == 1.0
    absent = estimate_share(np.zeros((3, 3, 3), np.int64), np.ones((3, 3, 3), np.int64))
    assert (absent.value, absent.low, absent.high) == (0.0, None, None)
    with pytest.raises(ZeroDivisionError):
        estimate_share(one * 0, one * 0)


@pytest.mark.parametrize(("n", "t"), [(5, 2.776), (10, 2.262), (16, 2.131), (30, 2.045)])
def test_e562_takes_students_t_of_two_sides(n, t):
    fields = np.linspace(0.05, 0.15, n)
    found = count_fields(fields)
    wanted = t * np.std(fields, ddof=1) / math.sqrt(n)
    assert found.ci95 == pytest.approx(wanted, rel=3e-4)
    assert found.relative_accuracy_percent == pytest.approx(1000 * wanted, rel=3e-4)


def test_e562_of_nothing_has_no_relative_accuracy_and_wants_two_fields():
    assert count_fields(np.zeros(4)).relative_accuracy_percent is None
    with pytest.raises(ValueError, match="two fields"):
        count_fields(np.array([0.1]))


def test_scatter_of_independent_voxels_falls_with_the_root_of_the_volume():
    rng = np.random.default_rng(4)
    hits, searched = blocks(rng, (32, 32, 32), 0.1, 64)
    points = scatter_curve(hits, searched, 2.0)
    assert [point.n for point in points] == [32768, 4096, 512, 64, 8]
    assert points[0].volume_um3 == 128.0
    for point in points[:4]:
        wanted = math.sqrt(0.9 / 0.1 / (point.volume_um3 / 2.0))
        assert point.relative_sd == pytest.approx(wanted, rel=0.3)


def test_representative_volume_gives_the_wanted_error():
    share = estimate_share(*blocks(np.random.default_rng(5), (8, 8, 8), 0.05))
    reach = integral_range(share, 512_000.0)
    volume = representative_volume(share.value, reach, 0.1)
    sd = math.sqrt(share.value * (1 - share.value) * reach / volume)
    assert 1.96 * sd / share.value == pytest.approx(0.1, rel=1e-3)


def test_particles_needed_bring_the_volume_mean_diameter_within_the_error():
    rng = np.random.default_rng(6)
    n = round(particles_needed(1.6, 0.05))
    logs = rng.normal(0.0, math.log(1.6), (2000, n))
    mean = np.exp(logs.mean(1) + 3.5 * logs.var(1, ddof=1))
    truth = math.exp(3.5 * math.log(1.6) ** 2)
    assert np.mean(abs(mean / truth - 1) < 0.05) == pytest.approx(0.95, abs=0.02)


def test_shifted_thresholds_move_fractions_and_stay_within_all():
    grey = np.arange(200)
    histogram = np.rint(
        1e5 * stats.norm.pdf(grey, 60, 8) + 2e3 * stats.norm.pdf(grey, 120, 8)
    ).astype(np.int64)
    rows = shift_thresholds(histogram, [30, 90, 160], 4.0)
    assert sum(row[0] for row in rows) == pytest.approx(1.0)
    for value, low, high in rows:
        assert 0.0 <= low <= value <= high <= 1.0
    value, low, high = rows[2]
    assert value == pytest.approx(histogram[90:160].sum() / histogram.sum())
    assert low == pytest.approx(histogram[94:160].sum() / histogram.sum())
    assert high == pytest.approx(histogram[86:160].sum() / histogram.sum())


def test_merged_blocks_keep_their_sum():
    counts = np.arange(5 * 7 * 2 * 3).reshape(5, 7, 2, 3)
    merged = merge_blocks(counts, 3)
    assert merged.shape == (2, 3, 1, 3)
    np.testing.assert_array_equal(merged.sum((0, 1, 2)), counts.sum((0, 1, 2)))
    assert merged[0, 0, 0].tolist() == counts[:3, :3, :2].sum((0, 1, 2)).tolist()
    assert [scatter_factor((n, 1, 1)) for n in (1, 8, 9, 128)] == [1, 1, 2, 16]
