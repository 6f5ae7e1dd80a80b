import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import PlanError
from pipeline.model.grid import Box, TileGrid

edges = st.tuples(*[st.integers(1, 30)] * 3)


@given(shape=edges, tile_shape=edges)
def test_cores_cover_every_voxel_once_in_raster_order(shape, tile_shape):
    grid = TileGrid(shape, tile_shape)
    seen = np.zeros(shape, np.int64)
    places = []
    for i, tile in enumerate(grid):
        assert tile.number == i == grid.number(tile.place)
        assert tile == grid.tile(i)
        assert tile.core.n_voxels > 0
        seen[tile.core.slices] += 1
        places.append(tile.place)
    assert (seen == 1).all()
    assert places == sorted(places)
    assert len(places) == len(grid) == np.prod(grid.counts)


@given(shape=edges, tile_shape=edges)
def test_tiles_begin_at_multiples_of_their_shape(shape, tile_shape):
    for tile in TileGrid(shape, tile_shape):
        assert tile.core.start == tuple(p * t for p, t in zip(tile.place, tile_shape, strict=True))


def test_number_out_of_the_grid():
    grid = TileGrid((10, 10, 10), (5, 5, 5))
    for number in (-1, 8):
        with pytest.raises(IndexError, match=f"tile {number} of a grid of 8"):
            grid.tile(number)


@pytest.mark.parametrize(
    ("shape", "tile_shape"),
    [((0, 5, 5), (5, 5, 5)), ((5, 5), (5, 5, 5)), ((5, 5, 5), (5, -1, 5)), ((5, 5, 5), (5, 5))],
)
def test_grids_that_cannot_be(shape, tile_shape):
    with pytest.raises(PlanError):
        TileGrid(shape, tile_shape)


def test_box_grows_and_is_cut_to_a_volume():
    box = Box((0, 2, 4), (3, 5, 9))
    assert box.grow((1, 2, 3)) == Box((-1, 0, 1), (4, 7, 12))
    assert box.grow((0, 0, 0), (1, 1, 1)) == Box((0, 2, 4), (4, 6, 10))
    assert box.grow((1, 2, 3)).clip((3, 6, 10)) == Box((0, 0, 1), (3, 6, 10))
    assert Box((-5, 0, 0), (-2, 3, 3)).clip((4, 4, 4)).n_voxels == 0


@given(start=edges, inner=edges, low=edges, high=edges)
def test_within_points_at_the_same_voxels(start, inner, low, high):
    stop = tuple(a + n for a, n in zip(start, inner, strict=True))
    box = Box(start, stop)
    outer = box.grow(low, high)
    volume = np.zeros(outer.shape, np.uint8)
    volume[box.within(outer)] = 1
    assert volume.sum() == box.n_voxels
    assert volume[low] == 1


def test_box_that_ends_before_it_begins():
    with pytest.raises(ValueError, match="stops before it starts"):
        Box((0, 0, 5), (1, 1, 4))
