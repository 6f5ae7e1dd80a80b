"""The edge rule against a plain reference, on blurred bodies, and wherever a tile lies."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.errors import UsageError
from pipeline.kernels.denoise import denoise_median
from pipeline.kernels.phases import plan_edges, refine_edges
from pipeline.kernels.threshold import classify_phases

LEVELS = (10_000.0, 17_000.0, 28_000.0, 50_000.0)
CUTS = (13_500, 22_500, 39_000)
SD = 430.0
PORE, MATRIX, IRON, COPPER = range(4)


def halved(slope, largest):
    """A slope of `largest` is 2 voxels, rounded half away from zero."""
    return int(np.sign(slope) * np.floor(2 * abs(slope) / largest + 0.5))


def reference(grey, plain, rule):
    """Voxel by voxel, as the rule is told."""
    out = plain[3:-3, 3:-3, 3:-3].copy()
    wide = grey.astype(np.int64)
    for place in np.ndindex(out.shape):
        z, y, x = (i + 3 for i in place)
        out[place] = part_film(wide, plain, z, y, x, decide(wide, plain, z, y, x, rule), rule)
    return out


def spread(wide, z, y, x):
    cube = wide[z - 1 : z + 2, y - 1 : y + 2, x - 1 : x + 2]
    return cube.max() - cube.min()


def sharp(wide, z, y, x, steps):
    cube = wide[z - 1 : z + 2, y - 1 : y + 2, x - 1 : x + 2]
    return 18 * (cube[1, 1, 1] + 1.5 * steps * (cube[1, 1, 1] - cube.mean()))


def part_film(wide, plain, z, y, x, p, rule):
    """A film between two phases without an even patch of its own belongs to one of them."""
    if not rule.film[p] or spread(wide, z, y, x) < rule.even[p]:
        return p
    near = [(z + i - 2, y + j - 2, x + k - 2) for i, j, k in np.ndindex(5, 5, 5)]
    seen = np.array([plain[place] for place in near])
    if not (seen < p).any() or not ((seen > p) & (seen < 255)).any():
        return p
    if any(plain[place] == p and spread(wide, *place) < rule.even[p] for place in near):
        return p
    low, high = seen[seen < p].max(), seen[seen > p].min()
    value = sharp(wide, z, y, x, rule.sharpened[low, high])
    return high if value >= rule.cuts[low, high] - 1e-6 else low


def decide(wide, plain, z, y, x, rule):
    p = plain[z, y, x]
    if p == 255:
        return p
    cube = wide[z - 1 : z + 2, y - 1 : y + 2, x - 1 : x + 2]
    steepest = max(
        abs(cube[2, 1, 1] - cube[0, 1, 1]),
        abs(cube[1, 2, 1] - cube[1, 0, 1]),
        abs(cube[1, 1, 2] - cube[1, 1, 0]),
    )
    if steepest < rule.steep[p] or spread(wide, z, y, x) < rule.even[p]:
        return p
    weight = np.array([1, 2, 1])
    slopes = [
        np.einsum("ijk,j,k->", np.diff(cube[::2], axis=0), weight, weight),
        np.einsum("ijk,i,k->", np.diff(cube[:, ::2], axis=1), weight, weight),
        np.einsum("ijk,i,j->", np.diff(cube[:, :, ::2], axis=2), weight, weight),
    ]
    largest = max(abs(s) for s in slopes)
    if largest == 0:
        return p
    dz, dy, dx = (halved(s, largest) for s in slopes)
    low, high = plain[z - dz, y - dy, x - dx], plain[z + dz, y + dy, x + dx]
    if 255 in (low, high) or not (low <= p <= high and low < high):
        return p
    value = sharp(wide, z, y, x, rule.sharpened[low, high])
    return high if value >= rule.cuts[low, high] - 1e-6 else low


def scan(phases, sigma=0.8, sd=SD, seed=3):
    """The grey of a phase map: blurred, noisy."""
    rng = np.random.default_rng(seed)
    grey = ndimage.gaussian_filter(np.array(LEVELS)[phases], sigma, mode="nearest")
    return np.rint(grey + rng.normal(0, sd, phases.shape)).clip(0, 65535).astype(np.uint16)


def refined(grey, levels=LEVELS, cuts=CUTS):
    padded = np.pad(grey, 3, mode="edge")
    rule = plan_edges(cuts, levels, SD, MATRIX)
    return refine_edges(padded, classify_phases(padded, None, cuts), rule)


def ball(shape, centre, radius):
    return sum((i - c) ** 2 for i, c in zip(np.indices(shape), centre, strict=True)) <= radius**2


def test_every_voxel_as_the_reference():
    rng = np.random.default_rng(1)
    smooth = ndimage.gaussian_filter(rng.random((22, 24, 26)), 1.6)
    rank = np.argsort(np.argsort(smooth.ravel())).reshape(smooth.shape) / smooth.size
    phases = rng.permuted([1, 3, 0, 2, 1])[np.minimum((rank * 5).astype(int), 4)]
    grey = scan(phases, sd=900.0)
    plain = classify_phases(grey, None, CUTS)
    plain[rng.random(plain.shape) < 0.01] = 255
    for levels in (LEVELS, (None, *LEVELS[1:]), (*LEVELS[:3], None)):
        rule = plan_edges(CUTS, levels, SD, MATRIX)
        found = refine_edges(grey, plain, rule)
        np.testing.assert_array_equal(found, reference(grey, plain, rule))
        assert np.count_nonzero(found != plain[3:-3, 3:-3, 3:-3]) > 50


def test_a_bright_ball_in_the_matrix_gets_no_shell():
    phases = np.full((32, 32, 32), MATRIX)
    body = ball(phases.shape, (15.3, 16.1, 15.8), 6)
    phases[body] = COPPER
    grey = scan(phases)
    found = refined(grey)
    assert np.sum(classify_phases(grey, None, CUTS) == IRON) > 0.4 * body.sum()
    assert np.sum(found == IRON) < 0.01 * body.sum()
    assert abs(np.sum(found == COPPER) / body.sum() - 1) < 0.06


def test_two_bright_balls_that_nearly_touch_have_no_film_between():
    phases = np.full((26, 26, 40), MATRIX)
    balls = ball(phases.shape, (13, 13, 12.3), 6) | ball(phases.shape, (13, 13, 26.1), 6)
    phases[balls] = COPPER
    found = refined(scan(phases))
    assert np.sum(found == IRON) < 0.003 * balls.sum()


def test_a_median_is_met_with_more_sharpening():
    phases = np.full((28, 28, 28), MATRIX)
    body = ball(phases.shape, (13.6, 13.9, 14.2), 5)
    phases[body] = COPPER
    grey = denoise_median(np.pad(scan(phases), 4, mode="edge"), 1)
    plain = classify_phases(grey, None, CUTS)
    sizes = {
        name: np.sum(refine_edges(grey, plain, plan_edges(CUTS, LEVELS, SD, 1, name)) == COPPER)
        for name in ("median", "nlm")
    }
    assert sizes["nlm"] < sizes["median"] < 1.03 * body.sum()
    assert abs(sizes["median"] / body.sum() - 1) < 0.08


def test_a_pore_in_a_bright_body_gets_no_skin_of_matrix():
    phases = np.full((32, 32, 32), IRON)
    phases[ball(phases.shape, (16, 16, 16), 6)] = PORE
    grey = scan(phases)
    assert np.sum(classify_phases(grey, None, CUTS) == MATRIX) > 100
    assert np.sum(refined(grey) == MATRIX) < 10


@pytest.mark.parametrize("thickness", [4, 5, 6])
@pytest.mark.parametrize("neighbour", [MATRIX, COPPER])
def test_platelets_keep_their_thickness(thickness, neighbour):
    phases = np.full((24, 40, 40), MATRIX)
    phases[8 : 8 + thickness] = IRON
    phases[8 + thickness : 16 + thickness] = neighbour
    found = refined(scan(phases))[:, 5:-5, 5:-5]
    plate = phases[:, 5:-5, 5:-5] == IRON
    assert abs(np.sum(found == IRON) / plate.sum() - 1) < 0.05
    assert np.sum((found == IRON) & plate) > 0.95 * plate.sum()


def test_phases_do_not_depend_on_where_they_lie():
    rng = np.random.default_rng(8)
    grey = scan(rng.integers(0, 4, (14, 15, 60)), 1.5)
    plain = classify_phases(grey, None, CUTS)
    rule = plan_edges(CUTS, LEVELS, SD)
    whole = refine_edges(grey, plain, rule)
    for shift in range(17):
        part = refine_edges(grey[1:, 2:, shift:], plain[1:, 2:, shift:], rule)
        np.testing.assert_array_equal(part, whole[1:, 2:, shift:])


def test_outside_stays_outside_and_gives_no_end():
    phases = np.full((20, 20, 20), MATRIX)
    phases[ball(phases.shape, (10, 10, 10), 5)] = COPPER
    grey = scan(phases)
    plain = classify_phases(grey, None, CUTS)
    outside = np.zeros(plain.shape, bool)
    outside[:, :, 15:] = True
    plain[outside] = 255
    found = refine_edges(grey, plain, plan_edges(CUTS, LEVELS, SD))
    np.testing.assert_array_equal(found == 255, outside[3:-3, 3:-3, 3:-3])


def test_what_does_not_fit_is_refused():
    rule = plan_edges(CUTS, LEVELS, SD)
    grey = np.zeros((8, 8, 8), np.uint16)
    with pytest.raises(UsageError, match="want 3 thresholds"):
        plan_edges(CUTS[:2], LEVELS, SD)
    with pytest.raises(UsageError, match="one shape"):
        refine_edges(grey, np.zeros((8, 8, 7), np.uint8), rule)
    with pytest.raises(UsageError, match="halo"):
        refine_edges(grey[:6], np.zeros((6, 8, 8), np.uint8), rule)
