"""The specimen's mask: against analytic bodies, and the same for every tiling."""

import itertools

import numpy as np
import pytest
from scipy import ndimage

from pipeline.errors import UsageError
from pipeline.kernels.mask import (
    MASK_MARGIN_VX,
    coarse_block_vx,
    estimate_mask,
    fold_blocks,
    mask_box,
)
from pipeline.model.grid import Box, TileGrid

AIR, METAL, COPPER, PORE, NOISE = 8_000, 15_000, 40_000, 8_000, 1_500


def sums_of(volume, block, tile_shape=None):
    """Fold a volume tile by tile, as a run does."""
    sums = np.zeros([-(-n // block) for n in volume.shape], np.int64)
    for tile in TileGrid(volume.shape, tile_shape or volume.shape):
        first, part = fold_blocks(volume[tile.core.slices], tile.core.start, block)
        at = tuple(slice(a, a + n) for a, n in zip(first, part.shape, strict=True))
        sums[at] += part
    return sums


def estimate(volume, block=None):
    block = block or coarse_block_vx(volume.shape)
    return estimate_mask(sums_of(volume, block), volume.shape, block)


def whole(volume):
    return Box((0, 0, 0), volume.shape)


def radius_from(shape, centre):
    _, y, x = np.meshgrid(*(np.arange(n) for n in shape), indexing="ij")
    return np.hypot(y - centre[0], x - centre[1])


def cylinder(shape, centre, radius, seed=0, copper=0.0):
    """A cylinder along z with its partial volume, a share of bright particles, and noise."""
    rng = np.random.default_rng(seed)
    distance = radius_from(shape, centre)
    filled = np.clip(radius - distance + 0.5, 0, 1)
    spots = ndimage.gaussian_filter(rng.normal(size=shape), 1.5)
    metal = np.where(spots > np.quantile(spots, 1 - copper), COPPER, METAL)
    grey = AIR + (metal - AIR) * filled + rng.normal(0, NOISE, shape)
    return np.rint(grey).clip(0, 65535).astype(np.uint16), distance


@pytest.mark.parametrize(
    ("shape", "block"),
    [((1, 1, 1), 4), ((1024, 1, 1), 4), ((1025, 8, 8), 8), ((2049, 2048, 1), 16)],
)
def test_blocks_are_powers_of_two_and_at_most_256_an_edge(shape, block):
    assert coarse_block_vx(shape) == block


@pytest.mark.parametrize(
    "tile_shape", [(32, 32, 32), (5, 7, 11), (1, 40, 3), (16, 16, 16), (9, 33, 64)]
)
def test_block_sums_are_the_same_for_every_tiling(tile_shape):
    rng = np.random.default_rng(1)
    volume = rng.integers(0, 65536, (19, 33, 41)).astype(np.uint16)
    padded = np.pad(volume.astype(np.int64), ((0, 5), (0, 7), (0, 7)))
    wanted = padded.reshape(3, 8, 5, 8, 6, 8).sum(axis=(1, 3, 5))
    np.testing.assert_array_equal(sums_of(volume, 8, tile_shape), wanted)


@pytest.mark.parametrize(
    ("shape", "centre", "radius"),
    [
        ((40, 96, 96), (47.5, 47.5), 40.0),
        ((33, 101, 93), (52.3, 44.1), 36.7),
        ((24, 128, 128), (63.5, 63.5), 30.2),
        ((20, 80, 80), (20.0, 20.0), 45.0),  # cut by two side faces
    ],
)
def test_rim_of_a_cylinder_is_found_within_a_voxel(shape, centre, radius):
    volume, distance = cylinder(shape, centre, radius)
    coarse = estimate(volume)
    assert coarse.present
    assert coarse.level == pytest.approx((AIR + METAL) / 2, rel=0.05)
    mask = mask_box(coarse, whole(volume)).astype(bool)
    end = radius - MASK_MARGIN_VX
    assert mask[distance < end - 1.0].all()
    assert not mask[distance > end + 1.0].any()
    # Nothing is taken off where the volume itself ends.
    assert mask[0].sum() == pytest.approx(mask[mask.shape[0] // 2].sum(), rel=0.02)


@pytest.mark.parametrize(("block", "error_vx"), [(8, 1.0), (16, 1.5)])
def test_larger_blocks_of_larger_volumes_still_find_the_rim(block, error_vx):
    volume, distance = cylinder((48, 192, 192), (95.5, 95.5), 80.3)
    mask = mask_box(estimate(volume, block), whole(volume), 0).astype(bool)
    assert mask[distance < 80.3 - error_vx].all()
    assert not mask[distance > 80.3 + error_vx].any()


def test_bright_particles_at_the_rim_push_it_out_in_few_places_only():
    radius = 40.0
    volume, distance = cylinder((40, 96, 96), (47.5, 47.5), radius, copper=0.03)
    mask = mask_box(estimate(volume), whole(volume)).astype(bool)
    end = radius - MASK_MARGIN_VX
    assert mask[distance < end - 1.0].all()
    # Particles of nearly five times the matrix's contrast; the margin takes up what they do.
    assert not mask[distance > radius + 0.5].any()
    rim = np.abs(distance - radius) < 0.5
    assert (mask & (distance > end + 1.0)).sum() < 0.02 * rim.sum()


@pytest.mark.parametrize(
    "tile_shape", [(64, 64, 64), (7, 13, 31), (16, 16, 16), (40, 5, 96), (1, 96, 17)]
)
@pytest.mark.parametrize("margin_vx", [0, 2, 3])
def test_mask_is_the_same_for_every_tiling(tile_shape, margin_vx):
    volume, _ = cylinder((30, 75, 86), (35.3, 40.1), 31.0)
    coarse = estimate(volume)
    wanted = mask_box(coarse, whole(volume), margin_vx)
    assert 0.3 < wanted.mean() < 0.8
    got = np.full(volume.shape, 9, np.uint8)
    for tile in TileGrid(volume.shape, tile_shape):
        got[tile.core.slices] = mask_box(coarse, tile.core, margin_vx)
    np.testing.assert_array_equal(got, wanted)


@pytest.mark.parametrize("block", [4, 8])
def test_mask_is_interpolation_and_erosion_in_exact_arithmetic(block):
    volume, _ = cylinder((21, 50, 46), (24.0, 21.0), 17.0)
    coarse = estimate(volume, block)

    def places(n, n_blocks):
        at = 2 * np.arange(n) - block + 1
        before = at // (2 * block)
        weight = at - 2 * block * before
        return before.clip(0), (before + 1).clip(0, n_blocks - 1), weight

    total = coarse.mean.astype(object)
    for axis, n in enumerate(volume.shape):
        before, after, weight = places(n, total.shape[axis])
        weight = weight.reshape([-1 if i == axis else 1 for i in range(3)]).astype(object)
        total = total.take(before, axis) * (2 * block - weight) + total.take(after, axis) * weight
    raw = (total >= coarse.level * (2 * block) ** 3).astype(bool)
    np.testing.assert_array_equal(mask_box(coarse, whole(volume), 0), raw)
    for radius in (1, 2, 3):
        ball = sum(d**2 for d in np.ogrid[[slice(-radius, radius + 1)] * 3]) <= radius**2
        wanted = ndimage.binary_erosion(np.pad(raw, radius, mode="edge"), ball, border_value=1)
        inner = tuple(slice(radius, -radius) for _ in range(3))
        np.testing.assert_array_equal(mask_box(coarse, whole(volume), radius), wanted[inner])


def test_a_large_pore_inside_belongs_to_the_specimen():
    volume, distance = cylinder((48, 96, 96), (47.5, 47.5), 42.0)
    z = np.arange(48)[:, None, None]
    y, x = np.arange(96)[:, None], np.arange(96)
    ball = (z - 20) ** 2 + (y - 50) ** 2 + (x - 40) ** 2 < 14**2
    # A second one is cut by the volume's end: it is a cavity of its planes only.
    cut = (z - 47) ** 2 + (y - 30) ** 2 + (x - 55) ** 2 < 9**2
    rng = np.random.default_rng(2)
    pores = ball | cut
    volume[pores] = rng.normal(PORE, NOISE, int(pores.sum())).clip(0).astype(np.uint16)
    mask = mask_box(estimate(volume), whole(volume)).astype(bool)
    assert mask[pores].all()
    assert mask[distance < 39].all()
    assert not mask[distance > 41].any()


def test_a_pore_just_below_the_surface_does_not_open_it():
    volume, distance = cylinder((40, 96, 96), (47.5, 47.5), 42.0)
    z = np.arange(40)[:, None, None]
    y, x = np.arange(96)[:, None], np.arange(96)
    pore = (z - 20) ** 2 + (y - 47.5) ** 2 + (x - 76) ** 2 < 8**2
    volume[pore] = PORE
    mask = mask_box(estimate(volume), whole(volume)).astype(bool)
    assert mask[pore & (distance < 36)].all()


def test_only_the_largest_body_is_specimen():
    volume, distance = cylinder((32, 96, 96), (40.0, 40.0), 30.0)
    speck = radius_from(volume.shape, (84.0, 84.0)) < 8
    volume[speck] = METAL
    mask = mask_box(estimate(volume), whole(volume)).astype(bool)
    assert not mask[speck].any()
    assert mask[distance < 27].all()


@pytest.mark.parametrize("share", [0.05, 0.1])
def test_air_is_seen_beside_particles_that_outshine_it(share):
    # Their grey stands seven times as far from the metal's as that of air does, so that grey
    # parts best between them and all the rest.
    shape, rng = (48, 96, 96), np.random.default_rng(3)
    distance = radius_from(shape, (48, 46))
    spots = ndimage.gaussian_filter(rng.normal(size=shape), 4)
    metal = np.where(spots > np.quantile(spots, 1 - share), 40_000, 15_000)
    grey = np.where(distance <= 40, metal, 11_500) + rng.normal(0, NOISE, shape)
    volume = np.rint(grey).astype(np.uint16)
    mask = estimate(volume)
    assert mask.present
    assert mask.air == pytest.approx(11_500, abs=100)
    inside = mask_box(mask, whole(volume)) > 0
    assert (inside == (distance <= 40 - MASK_MARGIN_VX)).mean() > 0.97


def metal_throughout(shape=(64, 64, 64), pores=0.0, seed=0):
    rng = np.random.default_rng(seed)
    spots = ndimage.gaussian_filter(rng.normal(size=shape), 2.0)
    low, high = np.quantile(spots, [pores, 0.95])
    grey = np.where(spots > high, COPPER, np.where(spots < low, PORE, METAL))
    return (grey + rng.normal(0, NOISE, shape)).clip(0, 65535).astype(np.uint16)


@pytest.mark.parametrize("seed", [0, 1, 2])
@pytest.mark.parametrize("pores", [0.0, 0.005, 0.05])
def test_a_volume_inside_the_metal_has_no_air(pores, seed):
    volume = metal_throughout(pores=pores, seed=seed)
    coarse = estimate(volume)
    assert not coarse.present
    assert mask_box(coarse, Box((3, 4, 5), (9, 9, 9))).tolist() == np.ones((6, 5, 4)).tolist()


@pytest.mark.parametrize("kind", ["one large pore", "one pore at a side", "cupping", "gradient"])
def test_what_is_dark_is_not_always_air(kind):
    volume = metal_throughout().astype(np.float64)
    z, y, x = np.meshgrid(*(np.arange(n) - 31.5 for n in volume.shape), indexing="ij")
    if kind == "one large pore":
        volume[z**2 + y**2 + x**2 < 20**2] = PORE
    elif kind == "one pore at a side":
        volume[z**2 + y**2 + (x - 34) ** 2 < 9**2] = PORE
    elif kind == "cupping":
        volume += 4 * (y**2 + x**2)
    else:
        volume += 100 * (z + y)
    assert not estimate(volume.clip(0, 65535).astype(np.uint16)).present


def bright_box(shape, box, grey=32_000):
    """Even matrix with noise and one bright box in it."""
    rng = np.random.default_rng(0)
    volume = rng.normal(20_000, 500, shape)
    at = tuple(slice(a, b) for a, b in box)
    volume[at] = rng.normal(grey, 500, volume[at].shape)
    return volume.astype(np.uint16)


@pytest.mark.parametrize(
    "box",
    [
        [(20, 28)] * 3,  # spans a sixth of the volume
        [(16, 36)] * 3,  # fills 7 % of it, and spans less than half
        [(0, 48), (20, 24), (20, 24)],  # spans it all, and fills less than 1 %
    ],
)
def test_a_bright_body_in_the_matrix_is_no_specimen_in_air(box):
    coarse = estimate(bright_box((48, 48, 48), box))
    assert not coarse.present
    assert coarse.dismissed > 0
    assert mask_box(coarse, Box((0, 0, 0), (48, 48, 48))).all()


def test_a_specimen_that_spans_the_volume_may_be_slender():
    coarse = estimate(bright_box((48, 48, 48), [(0, 48), (20, 28), (20, 28)]))
    assert coarse.present
    assert coarse.dismissed == 0


def test_noise_alone_and_a_constant_volume_have_no_air():
    rng = np.random.default_rng(0)
    assert not estimate(rng.normal(20_000, 2_000, (48, 48, 48)).astype(np.uint16)).present
    assert not estimate(np.full((16, 16, 16), 7, np.uint16)).present


@pytest.mark.parametrize("radius", [9.0, 12.0, 20.0, 27.0])
def test_air_is_seen_beside_thin_and_thick_specimens(radius):
    volume, distance = cylinder((64, 64, 64), (31.5, 31.5), radius)
    coarse = estimate(volume)
    assert coarse.present
    mask = mask_box(coarse, whole(volume)).astype(bool)
    assert mask[distance < radius - MASK_MARGIN_VX - 1].all()
    assert not mask[distance > radius - MASK_MARGIN_VX + 1].any()


def test_boxes_far_from_the_rim_are_whole():
    volume, _ = cylinder((32, 96, 96), (47.5, 47.5), 40.0)
    coarse = estimate(volume)
    assert mask_box(coarse, Box((8, 40, 40), (24, 56, 56))).all()
    assert not mask_box(coarse, Box((0, 0, 0), (32, 6, 6))).any()


def test_levels_stand_on_their_side_everywhere():
    volume, _ = cylinder((30, 75, 86), (35.3, 40.1), 31.0)
    coarse = estimate(volume)
    np.testing.assert_array_equal(coarse.mean >= coarse.level, coarse.inside == 1)


def test_what_does_not_fit_is_refused():
    volume, _ = cylinder((32, 48, 48), (23.5, 23.5), 16.0)
    coarse = estimate(volume)
    for box in (Box((-1, 0, 0), (4, 4, 4)), Box((0, 0, 0), (33, 4, 4))):
        with pytest.raises(UsageError, match="leaves the volume"):
            mask_box(coarse, box)
    with pytest.raises(UsageError, match="blocks"):
        estimate_mask(np.zeros((2, 2, 2), np.int64), (32, 48, 48), 4)
    for wrong in (volume.astype(np.float32), volume[0]):
        with pytest.raises(UsageError, match="uint16"):
            fold_blocks(wrong, (0, 0, 0), 4)


def test_every_offset_in_a_block_gives_the_same_voxel():
    volume, _ = cylinder((24, 64, 64), (31.0, 32.0), 24.0)
    coarse = estimate(volume)
    wanted = mask_box(coarse, whole(volume))
    for z, y, x in itertools.product((0, 1, 3), (0, 2, 5), range(17)):
        box = Box((z, y, x), (z + 12, y + 40, x + 44))
        np.testing.assert_array_equal(mask_box(coarse, box), wanted[box.slices])
