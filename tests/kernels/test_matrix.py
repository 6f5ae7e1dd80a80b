"""The counts of the matrix: those of a plain loop, and the same for every cut."""

import numpy as np
import pytest

from pipeline.errors import UsageError
from pipeline.kernels.flatten import Geometry
from pipeline.kernels.mask import CoarseMask
from pipeline.kernels.matrix import (
    N_BINS,
    N_ZONES,
    Window,
    find_window,
    fold_evenness,
    inner_blocks,
)
from pipeline.model.grid import Box, TileGrid

SHAPE = (18, 30, 27)
GEOMETRY = Geometry((13.2, 12.9), 15.0, (14.5, 13.0), 21)
WINDOW = Window(1000, 37)


def scan_in_memory():
    rng = np.random.default_rng(11)
    blocks = (rng.random([-(-n // 4) for n in SHAPE]) < 0.7).astype(np.uint8)
    return rng.normal(1900, 400, SHAPE).clip(0, 65535).astype(np.uint16), blocks


def test_counts_are_those_of_a_plain_loop():
    grey, blocks = scan_in_memory()
    planes, rings = fold_evenness(grey, Box((0, 0, 0), SHAPE), blocks, 4, GEOMETRY, WINDOW)
    wanted = np.zeros_like(planes)
    wanted_rings = np.zeros_like(rings)
    for z, y, x in np.ndindex(*SHAPE):
        at = (int(grey[z, y, x]) - 1000) // 37
        if not (blocks[z // 4, y // 4, x // 4] and 0 <= at < N_BINS):
            continue
        share = ((y - 13.2) ** 2 + (x - 12.9) ** 2) / 15.0**2
        sector = int((y > 13.2) != (x > 12.9))
        wanted[z, sector, min(int(share * N_ZONES), N_ZONES - 1), at] += 1
        radius = int(np.hypot(y - 14.5, x - 13.0))
        wanted_rings[int((y > 14.5) != (x > 13.0)), min(radius, 20), at] += 1
    np.testing.assert_array_equal(planes, wanted)
    np.testing.assert_array_equal(rings, wanted_rings)
    assert 0 < planes.sum() == rings.sum() < grey.size


@pytest.mark.parametrize("tile", [(5, 7, 11), (18, 4, 27), (7, 30, 5)])
def test_counts_of_tiles_add_up(tile):
    grey, blocks = scan_in_memory()
    planes, rings = fold_evenness(grey, Box((0, 0, 0), SHAPE), blocks, 4, GEOMETRY, WINDOW)
    for part in TileGrid(SHAPE, tile):
        core = part.core
        some, few = fold_evenness(grey[core.slices], core, blocks, 4, GEOMETRY, WINDOW)
        planes[core.slices[0]] -= some
        rings -= few
    assert not planes.any()
    assert not rings.any()


def test_window_lies_about_the_matrix_and_not_about_air():
    rng = np.random.default_rng(2)
    grey = np.concatenate([rng.normal(5000, 100, 9000), rng.normal(9000, 300, 6000)])
    counts = np.bincount(grey.round().astype(np.int64), minlength=65536)
    found = find_window(counts, 7000)
    assert found.low + found.width * N_BINS / 2 == pytest.approx(9000, abs=60)
    assert found.width * N_BINS == pytest.approx(8 * 300, rel=0.1)
    assert find_window(np.zeros(65536, np.int64)) is None


def test_window_of_a_constant_matrix():
    counts = np.zeros(65536, np.int64)
    counts[10] = 5
    assert find_window(counts) == Window(10 - N_BINS // 2, 1)


def test_blocks_at_the_skin_do_not_count():
    inside = np.zeros((4, 5, 5), np.uint8)
    inside[:, 1:4, 1:4] = 1
    blocks, edge = inner_blocks(CoarseMask(4, (16, 20, 20), inside, inside, 1, True), (16, 20, 20))
    assert edge == 4
    np.testing.assert_array_equal(np.argwhere(blocks), [(z, 2, 2) for z in range(4)])
    everything, edge = inner_blocks(None, (16, 20, 24))
    assert everything.tolist() == [[[1]]]
    assert edge == 24


def test_grey_must_be_of_the_tile():
    with pytest.raises(UsageError, match="wants uint16"):
        fold_evenness(
            np.zeros((2, 2, 2), np.uint8),
            Box((0, 0, 0), (2, 2, 2)),
            *inner_blocks(None, (2, 2, 2)),
            GEOMETRY,
            WINDOW,
        )
