"""Artefacts planted in a noisy specimen are found, alone, and taken off; nothing is made up."""

import numpy as np
import pytest

from pipeline.kernels.evenness import find_correction, measure_levels
from pipeline.kernels.flatten import Geometry, flatten_grey
from pipeline.kernels.histograms import fold_histogram
from pipeline.kernels.matrix import N_BINS, Window, find_window, fold_evenness
from pipeline.model.grid import Box
from pipeline.model.recipe import ARTEFACTS

SHAPE = (72, 96, 96)
BOX = Box((0, 0, 0), SHAPE)
AXIS = (47.5, 47.5)
GEOMETRY = Geometry(AXIS, 46.0, AXIS, 69)
AIR, MATRIX, SD = 2000, 12000, 900.0
Y, X = np.indices(SHAPE[1:])
RADIUS = np.hypot(Y - AXIS[0], X - AXIS[1])
INSIDE = (RADIUS < 46)[None] & np.ones(SHAPE, bool)


def truth_of(*planted):
    """The matrix level of every voxel, air included, with artefacts."""
    rng = np.random.default_rng(5)
    level = np.full(SHAPE, float(MATRIX - AIR))
    if "radial" in planted:
        level *= 1 - 0.1 * (1 - np.minimum(RADIUS / 46, 1) ** 2)
    if "rings" in planted:
        rings = np.where(rng.random(70) < 0.2, rng.normal(0, 400, 70), 0.0)
        level += rings[RADIUS.astype(int)]
    if "planes" in planted:
        level *= rng.normal(1, 0.02, SHAPE[0])[:, None, None]
    return level + AIR


def scan(level, seed=1):
    """Noise, and bright bodies in 3 % of the volume."""
    rng = np.random.default_rng(seed)
    grey = np.where(INSIDE, level, float(AIR))
    for z, y, x in rng.integers(8, 64, (90, 3)):
        grey[z : z + 5, y : y + 8, x : x + 8] += 5000.0 * INSIDE[z : z + 5, y : y + 8, x : x + 8]
    return (grey + rng.normal(0, SD, SHAPE)).round().clip(0, 65535).astype(np.uint16)


def search(grey, air=AIR, wanted=ARTEFACTS, sure_only=True):
    window = find_window(fold_histogram(grey), 7000)
    blocks = INSIDE[:, 4::8, 4::8][4::8].astype(np.uint8)
    planes, rings = fold_evenness(grey, BOX, blocks, 8, GEOMETRY, window)
    counts = planes.astype(np.int64), rings.astype(np.int64)
    return find_correction(*counts, window, GEOMETRY, air, wanted, sure_only)


def spread_left(found, level):
    """Standard deviation of the corrected level over that before, well inside."""
    grey = level.round().astype(np.uint16)
    flat = flatten_grey(grey, BOX, found.correction, 0, 65535)
    inner = (RADIUS > 6) & (RADIUS < 42)
    return flat[:, inner].std() / level[:, inner].std()


@pytest.mark.parametrize(
    ("planted", "left"),
    [
        (("planes",), 0.2),
        (("radial",), 0.2),
        (("rings",), 0.4),
        (("planes", "radial", "rings"), 0.25),
    ],
)
@pytest.mark.parametrize("air", [AIR, None])
def test_what_is_planted_is_found_and_taken_off(planted, left, air):
    level = truth_of(*planted)
    found = search(scan(level), air)
    corrected = {f.name: f.peak_to_valley for f in found.found if f.corrected}
    # The slow part of random rings is taken off as cupping.
    if planted == ("rings",) and corrected["radial"] < 0.03 * (MATRIX - AIR):
        del corrected["radial"]
    assert set(corrected) == set(planted)
    assert spread_left(found, level) < left
    ranges = {f.name: f.peak_to_valley for f in found.found}
    if "radial" in planted:
        assert ranges["radial"] == pytest.approx(0.1 * (MATRIX - AIR), rel=0.25)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_nothing_is_corrected_where_nothing_was_planted(seed):
    found = search(scan(truth_of(), seed))
    assert found.correction is None
    assert [f.name for f in found.found] == list(ARTEFACTS)
    assert not any(f.corrected for f in found.found)
    assert found.matrix == pytest.approx(MATRIX, abs=0.1 * SD)
    assert found.noise_sd == pytest.approx(SD, rel=0.1)


def test_half_a_specimen_that_is_brighter_is_no_artefact():
    level = truth_of()
    level[:, (AXIS[0] < Y) & (AXIS[1] < X)] += 1000.0
    level[:, (AXIS[0] > Y) & (AXIS[1] > X)] += 1000.0
    level[:36] -= 600 * (((AXIS[0] < Y) != (AXIS[1] < X)) * 2.0 - 1)
    assert search(scan(level)).correction is None


def test_only_what_is_wanted_is_looked_for():
    level = truth_of("planes", "radial")
    found = search(scan(level), wanted=("radial",))
    assert [f.name for f in found.found] == ["radial"]
    assert (found.correction.plane_gain == 1 << 16).all()


def test_what_is_asked_for_is_taken_off_as_far_as_it_is_sure():
    rng = np.random.default_rng(8)
    level = truth_of() + rng.normal(0, 25, SHAPE[0])[:, None, None]
    assert search(scan(level)).correction is None
    found = search(scan(level), wanted=("planes",), sure_only=False)
    assert 0 < found.found[0].ratio < 5
    assert spread_left(found, level) < 0.95


def test_levels_pass_over_bright_bodies():
    rng = np.random.default_rng(3)
    bins = np.concatenate([rng.normal(20, 5, 20_000), rng.normal(38, 3, 1500)]).round()
    counts = np.bincount(bins.astype(int), minlength=N_BINS)[:N_BINS]
    rows = np.stack([counts, np.zeros(N_BINS, np.int64)])
    levels, n, sd = measure_levels(rows, Window(100, 10))
    assert levels[0] == pytest.approx(100 + 10 * 20 + 4.5, abs=3)
    assert np.isnan(levels[1])
    assert n.tolist() == [counts.sum(), 0]
    assert sd == pytest.approx(50, rel=0.12)


def test_a_few_bright_voxels_at_the_rim_bend_no_ring():
    grey = scan(truth_of())
    window = find_window(fold_histogram(grey), 7000)
    blocks = INSIDE[:, 4::8, 4::8][4::8].astype(np.uint8)
    planes, rings = fold_evenness(grey, BOX, blocks, 8, GEOMETRY, window)
    assert not rings[:, 56].any()
    rings[:, 56, -2] = 30
    counts = planes.astype(np.int64), rings.astype(np.int64)
    found = find_correction(*counts, window, GEOMETRY, AIR, ARTEFACTS)
    assert found.correction is None


def test_a_binary_lattice_is_left_alone():
    z, y, x = np.indices(SHAPE)
    bodies = ((z % 12 < 6) & (y % 12 < 6) & (x % 12 < 6)).astype(np.uint16)
    window = find_window(fold_histogram(bodies))
    planes, rings = fold_evenness(bodies, BOX, np.ones((1, 1, 1), np.uint8), 96, GEOMETRY, window)
    counts = planes.astype(np.int64), rings.astype(np.int64)
    found = find_correction(*counts, window, GEOMETRY, None, ARTEFACTS, sure_only=False)
    assert found.correction is None


def test_an_empty_table_corrects_nothing():
    found = find_correction(
        np.zeros((4, 2, 16, N_BINS), np.int64),
        np.zeros((2, 69, N_BINS), np.int64),
        Window(0, 1),
        GEOMETRY,
        None,
        ARTEFACTS,
    )
    assert found.correction is None
    assert found.matrix is None
