"""Metadata against the OME-NGFF specification, version 0.5."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import StoreError
from pipeline.model.grid import TileGrid
from pipeline.model.header import ReadOptions
from pipeline.readers import open_source
from pipeline.stores.layout import LEVELS_MAX, plan_levels
from pipeline.stores.ome import create_pyramid, list_labels
from pipeline.stores.volume import open_volume

SHAPE, TILE, VOXEL = (100, 70, 64), (32, 32, 64), (2.0, 1.5, 1.0)


@pytest.fixture
def image(tmp_path):
    create_pyramid(tmp_path / "scan.zarr", "scan", SHAPE, "uint16", TILE, VOXEL)
    return tmp_path / "scan.zarr"


def ome_of(path):
    group = json.loads((path / "zarr.json").read_text())
    assert (group["zarr_format"], group["node_type"]) == (3, "group")
    return group["attributes"]["ome"]


def test_multiscales(image):
    ome = ome_of(image)
    assert ome["version"] == "0.5"
    (multiscale,) = ome["multiscales"]
    assert multiscale["name"] == "scan"
    assert [a["name"] for a in multiscale["axes"]] == ["z", "y", "x"]
    assert {(a["type"], a["unit"]) for a in multiscale["axes"]} == {("space", "micrometer")}
    levels = plan_levels(SHAPE, TILE)
    assert len(multiscale["datasets"]) == len(levels) == 3
    for i, dataset in enumerate(multiscale["datasets"]):
        assert dataset["path"] == str(i)
        scale, translation = dataset["coordinateTransformations"]
        assert (scale["type"], translation["type"]) == ("scale", "translation")
        assert scale["scale"] == [v * 2**i for v in VOXEL]
        # Blocks of 2**i voxels have their centre (2**i - 1) / 2 voxels above the first one's.
        assert translation["translation"] == [v * (2**i - 1) / 2 for v in VOXEL]
        array = open_volume(image / str(i))
        assert (array.shape, array.shards) == levels[i]
        assert array.metadata.dimension_names == ("z", "y", "x")


def test_labels(tmp_path, image):
    list_labels(image / "labels", ["phases", "pore"])
    assert ome_of(image / "labels")["labels"] == ["phases", "pore"]
    create_pyramid(
        image / "labels" / "pore", "pore", SHAPE, "uint32", TILE, VOXEL, fill=0, label=True
    )
    ome = ome_of(image / "labels" / "pore")
    assert ome["image-label"]["source"] == {"image": "../../"}
    assert (image / "labels" / "pore" / ome["image-label"]["source"]["image"]).resolve() == image


def test_creating_again_keeps_the_voxels(image):
    level = open_volume(image / "1")
    level[:] = 7
    create_pyramid(image, "scan", SHAPE, "uint16", TILE, VOXEL)
    assert (open_volume(image / "1")[:] == 7).all()


def test_our_reader_opens_what_we_write(image):
    voxels = np.arange(np.prod(SHAPE)).astype(np.uint16).reshape(SHAPE)
    open_volume(image / "0")[:] = voxels
    source = open_source(str(image), ReadOptions())
    assert source.header.shape == SHAPE
    assert source.header.voxel_um == VOXEL
    box = TileGrid(SHAPE, TILE).tile(1).core
    assert np.array_equal(source.read(box), voxels[box.slices])


@given(
    shape=st.tuples(*[st.integers(1, 2000)] * 3),
    tile=st.tuples(*[st.sampled_from([8, 16, 24, 64, 96, 125, 256])] * 3),
)
def test_every_level_has_one_shard_for_each_tile(shape, tile):
    tile = tuple(min(t, n) for t, n in zip(tile, shape, strict=True))
    levels = plan_levels(shape, tile)
    assert 1 <= len(levels) <= LEVELS_MAX
    assert levels[0] == (shape, tile)
    counts = TileGrid(shape, tile).counts
    for i, (level, shard) in enumerate(levels):
        assert level == tuple(-(-n // 2**i) for n in shape)
        assert TileGrid(level, shard).counts == counts


def test_folder_below_a_file(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be created"):
        create_pyramid(tmp_path / "file" / "scan", "s", (8, 8, 8), "uint8", (8, 8, 8), VOXEL)
