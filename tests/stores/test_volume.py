from itertools import product

import numpy as np
import pytest
import zarr
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import DamageError, StoreError
from pipeline.model.grid import Box, TileGrid
from pipeline.stores.layout import INNER_MAX, inner_edge, lay_out
from pipeline.stores.volume import (
    create_volume,
    open_volume,
    prepare_process,
    read_box,
    shard_path,
    write_tile,
)

SHAPE, TILE = (30, 37, 20), (16, 16, 20)


@pytest.fixture(autouse=True)
def _as_in_a_worker():
    prepare_process()


def fill(path, dtype="uint16", shape=SHAPE, tile=TILE):
    """Write random voxels tile by tile; return the array and the voxels."""
    voxels = (np.random.default_rng(0).random(shape) * 250).astype(dtype)
    array = create_volume(path, shape, dtype, tile)
    for t in TileGrid(shape, tile):
        write_tile(array, t.core, voxels[t.core.slices])
    return array, voxels


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "float32", "uint32", "uint64"])
def test_every_box_reads_back(tmp_path, dtype):
    _, voxels = fill(tmp_path / "v", dtype)
    array = open_volume(tmp_path / "v")
    for start, n in product([(0, 0, 0), (15, 15, 0), (16, 32, 19), (29, 36, 5)], (1, 2, 40)):
        box = Box(start, tuple(s + n for s in start)).clip(SHAPE)
        got = read_box(array, box)
        assert got.dtype == voxels.dtype
        assert np.array_equal(got, voxels[box.slices])


def test_one_file_a_tile_and_nothing_partial(tmp_path):
    array, _ = fill(tmp_path / "v")
    files = {p for p in (tmp_path / "v").rglob("*") if p.is_file()}
    grid = TileGrid(SHAPE, TILE)
    shards = {shard_path(array, tile.place) for tile in grid}
    assert files == shards | {tmp_path / "v" / "zarr.json"}


def test_background_is_written_too(tmp_path):
    array = create_volume(tmp_path / "v", SHAPE, "uint8", TILE)
    write_tile(array, TileGrid(SHAPE, TILE).tile(0).core, np.zeros(TILE, np.uint8))
    assert shard_path(array, (0, 0, 0)).is_file()
    assert not shard_path(array, (0, 0, 1)).exists()


def test_unwritten_tiles_read_as_fill(tmp_path):
    array = create_volume(tmp_path / "v", (4, 4, 4), "uint8", (4, 4, 4), fill=255)
    assert (read_box(array, Box((0, 0, 0), (4, 4, 4))) == 255).all()


def test_creating_again_opens(tmp_path):
    _, voxels = fill(tmp_path / "v")
    array = create_volume(tmp_path / "v", SHAPE, "uint16", TILE)
    assert np.array_equal(array[:], voxels)
    for shape, dtype, tile in (
        ((30, 37, 21), "uint16", TILE),
        (SHAPE, "uint8", TILE),
        (SHAPE, "uint16", (8, 16, 20)),
    ):
        with pytest.raises(StoreError, match="another layout"):
            create_volume(tmp_path / "v", shape, dtype, tile)


def test_a_folder_left_without_metadata_is_filled(tmp_path):
    (tmp_path / "v").mkdir()
    array = create_volume(tmp_path / "v", (4, 4, 4), "uint8", (4, 4, 4))
    assert array.shape == (4, 4, 4)


def test_writing_a_tile_twice_leaves_the_same_bytes(tmp_path):
    array, voxels = fill(tmp_path / "v")
    files = [shard_path(array, tile.place) for tile in TileGrid(SHAPE, TILE)]
    before = [f.read_bytes() for f in files]
    fill(tmp_path / "v")
    assert [f.read_bytes() for f in files] == before
    assert voxels.any()


def test_absent_volume(tmp_path):
    with pytest.raises(StoreError, match="cannot be opened"):
        open_volume(tmp_path / "none")


def test_folder_below_a_file(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be created"):
        create_volume(tmp_path / "file" / "v", (4, 4, 4), "uint8", (4, 4, 4))


@pytest.mark.parametrize("place", [(0, 0, 0), (1, 2, 0)])
@pytest.mark.parametrize("where", [0.0, 0.3, 0.9, 0.999])
def test_a_flipped_bit_names_its_shard(tmp_path, place, where):
    array, voxels = fill(tmp_path / "v")
    path = shard_path(array, place)
    data = bytearray(path.read_bytes())
    data[int(where * len(data))] ^= 4
    path.write_bytes(data)
    with pytest.raises(DamageError) as caught:
        read_box(open_volume(tmp_path / "v"), Box((0, 0, 0), SHAPE))
    assert str(path) in str(caught.value)
    # Tiles beside it are sound.
    other = TileGrid(SHAPE, TILE).tile(2).core
    assert np.array_equal(read_box(array, other), voxels[other.slices])


def test_a_truncated_shard_names_itself(tmp_path):
    array, _ = fill(tmp_path / "v")
    path = shard_path(array, (1, 1, 0))
    path.write_bytes(path.read_bytes()[:100])
    with pytest.raises(DamageError, match=str(path)):
        read_box(array, Box((0, 0, 0), SHAPE))


@given(st.integers(1, 1024))
def test_inner_edges_divide(edge):
    assert edge % inner_edge(edge) == 0
    # A divisor of a sensible size goes before one that is short.
    assert inner_edge(edge) <= 2 * INNER_MAX


@given(st.tuples(*[st.integers(1, 3000)] * 3))
def test_layout_has_chunks_of_sensible_size(shape):
    tile = tuple(min(256, n) for n in shape)
    inner, shards = lay_out(shape, tile)
    for n, t, i, s in zip(shape, tile, inner, shards, strict=True):
        assert s % i == 0
        assert min(n, 32) <= i <= INNER_MAX
        # One shard a tile, in number and in place.
        assert -(-n // s) == -(-n // t)
        assert s == t or (n == t and s - t < -(-t // INNER_MAX))


@pytest.mark.parametrize("shape", [(139, 20, 131), (257, 10, 251)])
def test_volumes_of_awkward_edges(tmp_path, shape):
    tile = tuple(min(256, n) for n in shape)
    array, voxels = fill(tmp_path / "v", "uint8", shape, tile)
    assert min(array.chunks) >= 10
    assert np.array_equal(read_box(array, Box((0, 0, 0), shape)), voxels)
    grid = TileGrid(shape, tile)
    files = {p for p in (tmp_path / "v").rglob("*") if p.is_file() and p.name != "zarr.json"}
    assert files == {shard_path(array, t.place) for t in grid}


def test_any_zarr_reader_opens_it(tmp_path):
    _, voxels = fill(tmp_path / "v")
    array = zarr.open_array(tmp_path / "v", mode="r")
    assert array.metadata.zarr_format == 3
    assert array.metadata.dimension_names == ("z", "y", "x")
    assert np.array_equal(array[:], voxels)
