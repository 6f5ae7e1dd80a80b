"""Volumes and recipes at the edge of what is allowed, through every stage, against SciPy."""

import json

import numpy as np
import pyarrow.parquet as pq
import pytest
from scipy import ndimage

from pipeline.errors import DamageError, NotFoundError
from pipeline.run import run, run_stage
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.volume import open_volume

CUBE = np.ones((3, 3, 3))
FULL = {"condition": {"mask": "none", "denoise": {"method": "none"}}, "name": "full"}


def count(tmp_path, plan_job, volume, recipe, *overrides, scan_id="scan", voxel_um=(2.0, 2.0, 2.0)):
    """Run a job in the plain loop and return its catalogue's rows by table, and the workspace."""
    workspace = tmp_path / f"{scan_id}-{len(list(tmp_path.iterdir()))}"
    workspace.mkdir()
    np.save(workspace / "volume.npy", volume)
    folder = plan_job(
        workspace,
        workspace / "volume.npy",
        recipe,
        *overrides,
        scan_id=scan_id,
        voxel_um=voxel_um,
    )
    run(folder.path)
    catalogue = Catalogue(workspace / "catalogue")
    rows = {name: catalogue.read(name, scan_id).to_pylist() for name in ("phases", "particles")}
    return rows, workspace


def noise(shape, density=0.3, dtype=np.uint8):
    return (np.random.default_rng(sum(shape)).random(shape) < density).astype(dtype)


@pytest.mark.parametrize(
    "shape",
    [(1, 40, 30), (40, 1, 30), (40, 30, 1), (1, 1, 50), (1, 1, 2), (139, 20, 9), (17, 131, 10)],
)
@pytest.mark.parametrize("tile", ["[8, 8, 8]", "[9, 16, 11]", "[256, 256, 256]"])
def test_thin_and_odd_volumes(tmp_path, plan_job, binary_recipe, shape, tile):
    volume = noise(shape)
    volume.flat[0], volume.flat[-1] = 0, 1
    rows, workspace = count(tmp_path, plan_job, volume, binary_recipe, f"tiling.tile_shape={tile}")
    labels, _ = ndimage.label(volume, CUBE)
    stored = open_volume(workspace / "scans" / "scan.zarr" / "labels" / "grain" / "0")
    np.testing.assert_array_equal(stored[...], labels)
    assert [r["n_voxels"] for r in rows["particles"]] == np.bincount(labels.ravel())[1:].tolist()
    assert all(
        np.isfinite([v for v in r.values() if isinstance(v, float)]).all()
        for r in rows["particles"]
    )


@pytest.mark.parametrize("shape", [(1, 40, 30), (5, 6, 7), (40, 1, 30), (3, 3, 3)])
@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
def test_small_volumes_under_an_automatic_mask_ignore_tiles(
    tmp_path, plan_job, binary_recipe, shape, dtype
):
    volume = (noise(shape, 0.3, dtype) * 100 + 7).astype(dtype)
    marks = []
    for tile in ("[8, 8, 8]", "[64, 64, 64]"):
        _, workspace = count(
            tmp_path,
            plan_job,
            volume,
            binary_recipe,
            "condition.mask=auto",
            "segment.thresholds=[50]",
            f"tiling.tile_shape={tile}",
        )
        marks.append(fingerprint_scan(workspace, "scan"))
    assert marks[0] == marks[1]


@pytest.mark.parametrize(
    ("thresholds", "wanted"),
    [
        ("[-5, 70000, 80000]", [0, 512, 0, 0]),
        ("[-9, -8, -7]", [0, 0, 0, 512]),
        ("[70000, 80000, 90000]", [512, 0, 0, 0]),
        ("[99.1, 99.6, 1000]", [256, 0, 256, 0]),
        ("[-1.0e+300, 0, 1.0e+300]", [0, 0, 512, 0]),
    ],
)
def test_thresholds_beyond_or_between_grey_levels(tmp_path, plan_job, thresholds, wanted):
    volume = np.full((8, 8, 8), 99, np.uint16)
    volume[4:] = 100
    recipe = {
        **FULL,
        "segment": {"method": "manual", "thresholds": json.loads(thresholds)},
        "phases": [{"name": n, "kind": "particles", "min_voxels": 1} for n in "abcd"],
    }
    rows, _ = count(tmp_path, plan_job, volume, recipe)
    assert [r["n_voxels"] for r in rows["phases"]] == wanted
    assert [r["n_particles"] for r in rows["phases"]] == [int(n > 0) for n in wanted]


def test_negative_grey_and_long_voxels(tmp_path, plan_job, binary_recipe):
    volume = np.full((12, 10, 9), -1000, np.int16)
    volume[2:6, 3:8, 1:4] = 500
    volume[2, 3, 1] = -32768
    rows, workspace = count(
        tmp_path,
        plan_job,
        volume,
        binary_recipe,
        "segment.thresholds=[-999.5]",
        "tiling.tile_shape=[8, 8, 8]",
        scan_id="A.319-07_v2..F",
        voxel_um=(100.0, 2.0, 1.0),
    )
    (row,) = rows["particles"]
    assert (row["n_voxels"], row["volume_um3"]) == (59, 59 * 200.0)
    assert (row["grey_min"], row["grey_max"], row["grey_mean"]) == (500, 500, 500)
    zyx = np.argwhere(volume == 500).mean(0)
    centroid = [row[f"centroid_{a}_um"] for a in "zyx"]
    np.testing.assert_allclose(centroid, (zyx + 0.5) * [100.0, 2.0, 1.0], rtol=1e-12)
    assert row["surface_um2"] > 0
    assert np.hypot(np.hypot(row["major_z"], row["major_y"]), row["major_x"]) == pytest.approx(1)
    assert (workspace / "scans" / "A.319-07_v2..F.zarr" / "zarr.json").is_file()


def test_a_scan_without_a_single_particle(tmp_path, plan_job, binary_recipe):
    volume = np.zeros((20, 20, 20), np.uint8)
    volume[5, 5, 5] = 1
    rows, workspace = count(tmp_path, plan_job, volume, binary_recipe, "segment.thresholds=[1]")
    assert rows["particles"] == []
    assert [r["n_voxels"] for r in rows["phases"]] == [8000, 0]
    assert not open_volume(workspace / "scans" / "scan.zarr" / "labels" / "grain" / "0")[...].any()
    job = workspace / "jobs" / "job" / "products"
    assert pq.read_table(job / "particles.parquet").num_rows == 0
    assert fingerprint_scan(workspace, "scan").startswith("sha256:")


def test_rows_of_one_job_have_no_fingerprint_with_labels_of_another(
    tmp_path, plan_job, binary_recipe
):
    np.save(tmp_path / "volume.npy", noise((9, 9, 9)))
    jobs = [
        plan_job(tmp_path, tmp_path / "volume.npy", binary_recipe, f"label.connectivity={n}", job=j)
        for n, j in ((26, "first"), (6, "second"))
    ]
    run(jobs[0].path)
    before = fingerprint_scan(tmp_path, "scan")
    for stage in jobs[1].read_plan().stages[:-1]:
        run_stage(jobs[1].path, stage.name)
    with pytest.raises(NotFoundError, match="labels of job second"):
        fingerprint_scan(tmp_path, "scan")
    run(jobs[1].path)
    assert fingerprint_scan(tmp_path, "scan") != before
    assert not (jobs[1].path / "replaced.zarr").exists()


def test_a_damaged_plan_is_named(tmp_path, plan_job, binary_recipe):
    np.save(tmp_path / "volume.npy", noise((9, 9, 9)))
    folder = plan_job(tmp_path, tmp_path / "volume.npy", binary_recipe)
    (folder.path / "plan.json").write_text("{")
    with pytest.raises(DamageError, match=r"plan\.json"):
        run(folder.path)
