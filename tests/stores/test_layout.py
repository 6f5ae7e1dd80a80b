"""When a source is used in place: whole chunks a tile, and no more decoded than of a copy."""

import pytest

from pipeline.model.header import VolumeHeader
from pipeline.model.recipe import read_recipe
from pipeline.stores.layout import why_copied

TWO = "phases: [{name: a, kind: background}, {name: b, kind: particles}]"


def reason(chunk, shape=(512, 512, 512), tile=(256, 256, 256), *overrides):
    header = VolumeHeader("s", "zarr", shape, "uint8", None, 1, chunk_vx=chunk)
    keys = (f"tiling.tile_shape={list(tile)}", *overrides)
    return why_copied(header, read_recipe(TWO, "test", keys))


@pytest.mark.parametrize(
    ("chunk", "shape", "tile"),
    [
        ((128, 128, 128), (512, 512, 512), (256, 256, 256)),
        ((64, 64, 64), (500, 700, 260), (256, 256, 256)),
        ((32, 64, 128), (512, 512, 512), (256, 256, 256)),
        # Planes, where a tile spans them.
        ((1, 512, 512), (2000, 512, 512), (64, 512, 512)),
        ((100, 100, 100), (512, 512, 512), (200, 200, 200)),
        ((40, 41, 42), (40, 41, 42), (256, 256, 256)),
    ],
)
def test_used_in_place(chunk, shape, tile):
    assert reason(chunk, shape, tile) is None


@pytest.mark.parametrize(
    ("chunk", "shape", "tile", "why"),
    [
        (None, (512, 512, 512), (256, 256, 256), "cannot be read tile by tile"),
        ((100, 128, 128), (512, 512, 512), (256, 256, 256), "not made of whole chunks of 100 x"),
        ((256, 256, 256), (512, 512, 512), (256, 256, 256), "too long for tiles of 256 x"),
        ((1, 512, 512), (2000, 512, 512), (64, 256, 256), "not made of whole chunks"),
        ((1024, 128, 128), (512, 512, 512), (512, 256, 256), "too long"),
        ((16, 16, 16), (512, 512, 512), (256, 256, 256), "of 16 x 16 x 16 are too small"),
        ((33, 33, 33), (330, 330, 330), (99, 99, 99), "too small for a coarser level"),
        ((12, 500, 600), (12, 500, 600), (256, 512, 512), "not made of whole chunks"),
    ],
)
def test_copied(chunk, shape, tile, why):
    assert why in reason(chunk, shape, tile)


def test_a_wide_halo_asks_for_chunks_no_longer_than_the_copys():
    # Without a halo each chunk is decoded once, however long it is.
    none = "condition.denoise.method=none"
    assert reason((256, 256, 256)) is not None
    assert reason((256, 256, 256), (512, 512, 512), (256, 256, 256), none) is None
