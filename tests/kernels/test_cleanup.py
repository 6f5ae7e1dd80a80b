"""Clean-up against SciPy's binary morphology, its rules, and wherever a tile lies."""

from itertools import product

import numpy as np
import pytest
from scipy import ndimage

from pipeline.errors import UsageError
from pipeline.kernels.cleanup import (
    CleanUp,
    clean_phases,
    close_ball,
    mark_holes,
    mark_near,
    open_ball,
    plan_clean_up,
)
from pipeline.model.grid import TileGrid
from pipeline.model.plan import clean_up_halo
from pipeline.model.recipe import OUTSIDE, read_recipe

SHAPES = [(19, 23, 41), (5, 40, 33), (1, 1, 50), (1, 9, 3), (3, 3, 3)]
BACK = 1


def ball(radius):
    n = int(radius)
    z, y, x = np.indices((2 * n + 1,) * 3) - n
    return z * z + y * y + x * x <= radius * radius


def open_reference(mask, radius):
    eroded = ndimage.binary_erosion(mask, ball(radius), border_value=1)
    return ndimage.binary_dilation(eroded, ball(radius))


def close_reference(mask, radius):
    dilated = ndimage.binary_dilation(mask, ball(radius))
    return ndimage.binary_erosion(dilated, ball(radius), border_value=1)


def holes_reference(phases, position, longest):
    """Components of what is not the phase, taken one by one from SciPy's labels."""
    labels, _ = ndimage.label(phases != position)
    shut = np.zeros(phases.shape, bool)
    for i, box in enumerate(ndimage.find_objects(labels), 1):
        inside = all(s.start > 0 and s.stop < n for s, n in zip(box, phases.shape, strict=True))
        if inside and all(s.stop - s.start <= longest for s in box):
            part = labels[box] == i
            if not (phases[box][part] == OUTSIDE).any():
                shut[box] |= part
    return shut


def clean(phases, *wanted, halo=40):
    """Clean a whole volume."""
    return clean_phases(np.pad(phases, halo, mode="edge"), wanted, BACK, halo)


def clean_reference(phases, wanted, halo=20):
    """The same by SciPy, with the outermost voxels repeated."""
    here = np.pad(phases, halo, mode="edge")
    for c in wanted:
        if c.opening_vx:
            mask = here == c.position
            here[mask & ~open_reference(mask, c.opening_vx)] = BACK
    before = here.copy()
    for c in wanted:
        if c.closing_vx:
            closed = close_reference(before == c.position, c.closing_vx)
            here[closed & (before == BACK) & (here == BACK)] = c.position
    before = here.copy()
    for c in wanted:
        if c.fill_holes_vx:
            holes = holes_reference(before, c.position, c.fill_holes_vx)
            here[holes & (before == BACK) & (here == BACK)] = c.position
    return here[(slice(halo, -halo),) * 3]


def rough_map(shape, seed=1, sigma=1.0, outside=0.01):
    """Four phases, none rare, and voxels outside the specimen alone and in a corner."""
    rng = np.random.default_rng(seed)
    field = ndimage.gaussian_filter(rng.random(shape), sigma) if sigma else rng.random(shape)
    phases = np.digitize(field, np.quantile(field, [0.2, 0.55, 0.85])).astype(np.uint8)
    phases[rng.random(shape) < outside] = OUTSIDE
    phases[: shape[0] // 4, : shape[1] // 4] = OUTSIDE
    return phases


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("radius", [1, 1.5, 2, 3.2])
@pytest.mark.parametrize("sigma", [0, 0.8, 1.6])
def test_balls_as_scipy_has_them(shape, radius, sigma):
    check_balls((rough_map(shape, int(10 * radius), sigma) < 2).astype(np.uint8), radius)


def test_the_largest_ball_fits_eight_bits():
    check_balls((rough_map((19, 12, 21), 7, 0.8) < 2).astype(np.uint8), 8)


def check_balls(mask, radius):
    np.testing.assert_array_equal(open_ball(mask, radius), open_reference(mask, radius))
    np.testing.assert_array_equal(close_ball(mask, radius), close_reference(mask, radius))
    near = ndimage.binary_dilation(mask, ball(radius))
    np.testing.assert_array_equal(mark_near(mask, radius), near)


@pytest.mark.parametrize("fill", [0, 1])
def test_full_and_empty_sets_stay(fill):
    mask = np.full((4, 5, 6), fill, np.uint8)
    np.testing.assert_array_equal(open_ball(mask, 2), mask)
    np.testing.assert_array_equal(close_ball(mask, 2), mask)


@pytest.mark.parametrize("longest", [1, 2, 3, 7, 32])
@pytest.mark.parametrize(("sigma", "outside"), [(0, 0), (0, 0.02), (0.7, 0), (1.2, 0.005)])
def test_holes_as_scipy_labels_them(longest, sigma, outside):
    for seed, shape in enumerate(SHAPES):
        phases = rough_map(shape, seed, sigma, outside)
        # A phase that is most of the volume has holes.
        phases[phases == 2] = 3
        for position in (0, 3):
            wanted = holes_reference(phases, position, longest)
            np.testing.assert_array_equal(mark_holes(phases, position, longest), wanted)


def test_every_hole_is_what_scipy_fills_where_none_is_too_long():
    mask = rough_map((30, 30, 30), 4, 0.9, 0) > 0
    filled = ndimage.binary_fill_holes(mask)
    assert (filled != mask).sum() > 50
    holes = mark_holes(mask.astype(np.uint8), 1, 32)
    np.testing.assert_array_equal(mask | (holes == 1), filled)


def test_a_thread_within_its_box_is_walked_to_its_end():
    # A hole that winds: longer than any of its edges, and one voxel from the face at its end.
    block = np.ones((9, 9, 9), np.uint8)
    for y in range(1, 8, 2):
        block[4, y, 1:8] = 0
    block[4, 2, 7] = block[4, 4, 1] = block[4, 6, 7] = 0
    thread = block == 0
    np.testing.assert_array_equal(mark_holes(block, 1, 7), thread)
    assert not mark_holes(block, 1, 6).any()
    block[4, 7, 0] = 0
    assert not mark_holes(block, 1, 9).any()
    block[4, 7, 0], block[4, 7, 1] = 1, OUTSIDE
    assert not mark_holes(block, 1, 9).any()


def test_only_background_is_taken_and_given():
    row = np.array([2, 2, 1, 2, 2, 0, 2, 2, 255, 2, 2, 3, 2, 2], np.uint8)[None, None]
    closed = clean(row, CleanUp(2, closing_vx=1)).ravel()
    assert closed.tolist() == [2, 2, 2, 2, 2, 0, 2, 2, 255, 2, 2, 3, 2, 2]
    shell = np.full((5, 5, 5), 2, np.uint8)
    shell[1:4, 1:4, 1:4] = BACK
    shell[2, 2, 2] = 3
    filled = clean(shell, CleanUp(2, fill_holes_vx=3))
    assert filled[2, 2, 2] == 3
    assert (filled == 2).sum() == 124
    # Opened voxels return to the background, whatever is around them.
    speck = np.full((5, 5, 5), 3, np.uint8)
    speck[2, 2, 2] = 2
    assert clean(speck, CleanUp(2, opening_vx=1))[2, 2, 2] == BACK


def test_what_several_phases_claim_goes_to_the_darkest():
    # The voxel between them closes a gap of both.
    plane = np.full((1, 5, 5), BACK, np.uint8)
    plane[0, 2, [0, 1, 3, 4]], plane[0, [0, 1, 3, 4], 2] = 3, 0
    wanted = [CleanUp(0, closing_vx=1.5), CleanUp(3, closing_vx=1.5)]
    assert clean(plane, *wanted)[0, 2, 2] == 0
    assert clean(plane, *wanted[1:])[0, 2, 2] == 3


def test_the_border_of_the_volume_repeats_its_voxels_and_the_outside_encloses_nothing():
    slab = np.full((9, 9, 9), BACK, np.uint8)
    slab[0], slab[4], slab[8, 4, 4] = 2, 2, 2
    opened = clean(slab, CleanUp(2, opening_vx=1))
    assert (opened[0] == 2).all()
    assert (opened[1:] == BACK).all()
    gaps = np.array([1, 2, 1, 2, 1, 1, 2, 2, 1, 255], np.uint8)[None, None]
    closed = clean(gaps, CleanUp(2, closing_vx=1)).ravel()
    assert closed.tolist() == [1, 2, 2, 2, 2, 2, 2, 2, 1, 255]
    skin = np.full((9, 9, 9), BACK, np.uint8)
    skin[:4], skin[4] = OUTSIDE, 2
    skin = clean(skin, CleanUp(2, opening_vx=1))
    assert not (skin == 2).any()
    assert (skin[:4] == OUTSIDE).all()
    block = np.full((5, 5, 5), 2, np.uint8)
    block[0, 2, 2] = BACK
    np.testing.assert_array_equal(clean(block, CleanUp(2, fill_holes_vx=4)), block)


WANTED = [
    "opening_vx: 1.5",
    "closing_vx: 2",
    "fill_holes_vx: 4",
    "opening_vx: 1, closing_vx: 1.5, fill_holes_vx: 3",
]


def recipe_of(*keys):
    phases = ", ".join(
        f"{{name: {name}, kind: {'background' if name == 'b' else 'particles'}{k and ', ' + k}}}"
        for name, k in zip("abcd", keys, strict=True)
    )
    return read_recipe(f"{{segment: {{method: multi-otsu}}, phases: [{phases}]}}", "test")


@pytest.mark.parametrize("keys", list(product(WANTED[::2], [""], WANTED, ["", WANTED[3]])))
def test_a_tile_with_its_halo_sees_what_the_whole_volume_shows(keys):
    recipe = recipe_of(*keys)
    wanted, halo = plan_clean_up(recipe), clean_up_halo(recipe)
    assert len(wanted) == sum(map(bool, keys))
    shape = (21, 26, 30)
    phases = rough_map(shape, 11, 0.9)
    phases[phases == BACK] = 2
    phases[(np.random.default_rng(2).random(shape) < 0.08) & (phases != OUTSIDE)] = BACK
    whole = clean(phases, *wanted)
    np.testing.assert_array_equal(whole, clean_reference(phases, wanted))
    assert (whole != phases).sum() > 100
    np.testing.assert_array_equal(whole == OUTSIDE, phases == OUTSIDE)
    padded = np.pad(phases, halo, mode="edge")
    for tile in (*TileGrid(shape, (8, 26, 11)), *TileGrid(shape, (21, 5, 30))):
        wide = tile.core.grow((0, 0, 0), (2 * halo,) * 3)
        found = clean_phases(padded[wide.slices], wanted, recipe.background, halo)
        np.testing.assert_array_equal(found, whole[tile.core.slices])


def test_halo_is_needed_to_the_last_voxel():
    block = np.full((13, 13, 13), 2, np.uint8)
    block[6, 6, 6:11] = BACK
    fill = [CleanUp(2, fill_holes_vx=5)]
    middle = tuple(slice(1, 12) for _ in range(3))
    assert clean_phases(block[middle], fill, BACK, 5).item() == 2
    less = tuple(slice(2, 11) for _ in range(3))
    assert clean_phases(block[less], fill, BACK, 4).item() == BACK


def test_what_does_not_fit_is_refused():
    with pytest.raises(UsageError, match=r"radius of 1 to 8 voxels, got 0.5"):
        mark_near(np.zeros((3, 3, 3), np.uint8), 0.5)
    with pytest.raises(UsageError, match="got int64"):
        clean_phases(np.zeros((3, 3, 3), np.int64), [], BACK, 0)
    with pytest.raises(UsageError, match="more than 4 voxels an edge"):
        clean_phases(np.zeros((4, 5, 6), np.uint8), [], BACK, 2)
