import pickle
import shutil

import numpy as np
import pytest

from pipeline.errors import DamageError, NotFoundError, PlanError, UsageError
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.crops import open_crops
from pipeline.stores.volume import open_volume

RECIPE = {
    "name": "binary",
    "condition": {"mask": "none", "denoise": {"method": "none"}},
    "segment": {"method": "manual", "thresholds": [0.5]},
    "phases": [
        {"name": "void", "kind": "background"},
        {"name": "grain", "kind": "particles", "min_voxels": 1},
    ],
    "load_axis": [0, 3, 4],
    "tiling": {"tile_shape": [16, 16, 16]},
}
SHAPE = (50, 44, 48)


@pytest.fixture(scope="module")
def volume():
    voxels = np.zeros(SHAPE, np.uint8)
    voxels[1, 1, 1] = 7  # particle 1: one voxel
    voxels[4:46, 20:23, 5:43] = 9  # 2: a plate over 3 x 1 x 3 tiles
    voxels[6:9, 26:30, 44:] = 3  # 3: cut by the high face of x
    voxels[10:12, 23:25, 10:12] = 0
    voxels[10:12, 24:26, 10:12] = 5  # 4: within the box of 2 and its margin
    return voxels


@pytest.fixture(scope="module")
def workspace(volume, plan_job, tmp_path_factory):
    path = tmp_path_factory.mktemp("crops")
    np.save(path / "voxels.npy", volume)
    folder = plan_job(path / "ws", path / "voxels.npy", RECIPE, voxel_um=(3.0, 2.0, 1.0))
    run(folder.path)
    return folder.workspace


@pytest.fixture
def crops(workspace):
    return pickle.loads(pickle.dumps(open_crops(workspace, "scan")))


def test_a_body_over_many_tiles_is_read_whole(crops, volume):
    crop = crops.read("grain", 2, margin_vx=2)
    assert (crop.box.start, crop.box.stop) == ((2, 18, 3), (48, 25, 45))
    body = np.zeros(SHAPE, bool)
    body[4:46, 20:23, 5:43] = True
    assert np.array_equal(crop.mask, body[crop.box.slices])
    assert crop.mask.sum() == crop.row["n_voxels"] == 42 * 3 * 38
    assert np.array_equal(crop.grey, volume[crop.box.slices])
    assert np.array_equal(crop.phases, volume[crop.box.slices] > 0)
    assert crop.phase_names == ("void", "grain")
    assert crop.origin_um == (6.0, 36.0, 3.0)
    assert crop.voxel_um == (3.0, 2.0, 1.0)
    assert crop.load_axis == pytest.approx((0, 0.6, 0.8))
    assert not crop.touches_border


def test_a_cut_body_is_flagged_face_by_face(crops):
    crop = crops.read("grain", 3)
    assert crop.clipped == ((False, False), (False, False), (False, True))
    assert crop.touches_border
    assert crop.row["touches_border"]
    assert crop.box.stop[2] == SHAPE[2]


def test_one_voxel_without_margin(crops):
    crop = crops.read("grain", 1, margin_vx=0)
    assert crop.mask.tolist() == [[[True]]]
    assert crop.grey.tolist() == [[[7]]]


def test_largest_first(crops):
    assert crops.largest("grain", 3) == [2, 3, 4]
    assert len(crops.largest("grain", 99)) == 4


def test_a_body_over_the_limit_is_refused_or_read_coarser(crops):
    box_bytes = 50 * 11 * 46 * (1 + 4 + 2)
    assert crops.read("grain", 2, limit_bytes=box_bytes).level == 0
    with pytest.raises(PlanError, match="at level 0") as caught:
        crops.read("grain", 2, limit_bytes=box_bytes - 1)
    assert caught.value.exit_code == 2
    coarse = crops.read("grain", 2, limit_bytes=box_bytes - 1, coarsest_level=3)
    assert coarse.level == 1
    assert crops.read("grain", 2, finest_level=1).level == 1
    assert coarse.voxel_um == (6.0, 4.0, 2.0)
    # Planes 20 and 22 of three are sampled, so the plate is two coarse voxels thick.
    assert coarse.mask.sum() == 21 * 2 * 19
    with pytest.raises(PlanError, match="at level 1"):
        crops.read("grain", 2, limit_bytes=1, coarsest_level=3)


def test_what_is_not_there_is_named(workspace, crops):
    with pytest.raises(NotFoundError, match="Scan 'other' is not in"):
        open_crops(workspace, "other")
    with pytest.raises(NotFoundError, match=r"phase 'iron'.* grain"):
        crops.read("iron", 1)
    with pytest.raises(NotFoundError, match="phase 'void'"):
        crops.largest("void", 1)
    with pytest.raises(NotFoundError, match="no grain particle 5; it has 4 of them"):
        crops.read("grain", 5)
    with pytest.raises(UsageError, match="margin_vx"):
        crops.read("grain", 1, margin_vx=-1)


def test_a_store_that_is_gone_or_changed(workspace, tmp_path):
    copy = tmp_path / "ws"
    shutil.copytree(workspace, copy)
    crops = open_crops(copy, "scan")
    ids = open_volume(crops.store / "labels" / "grain" / "0")
    ids[1, 1, 1] = 0
    with pytest.raises(DamageError, match="holds 0 voxels of particle 1, the catalogue counted 1"):
        crops.read("grain", 1)
    shutil.rmtree(crops.store)
    with pytest.raises(NotFoundError, match="its store is gone"):
        crops.read("grain", 2)
    with pytest.raises(NotFoundError, match="castcensus resume job"):
        open_crops(copy, "scan")
    assert Catalogue(copy / "catalogue").has("scan")
