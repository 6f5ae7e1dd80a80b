"""The whole path of small volumes through the real stages, mostly in a plain loop."""

import hashlib

import numpy as np
import pytest
from scipy import ndimage

from pipeline.errors import DataError, SourceError
from pipeline.model.grid import Box
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.volume import open_volume, read_box

SHAPE = (60, 66, 72)
TILINGS = ([256, 256, 256], [16, 24, 32], [33, 20, 41])
PHASES = ("pore", "matrix", "iron-rich", "copper-rich")
MANUAL = ("segment.method=manual", "condition.mask=none", "condition.denoise.method=none")


def mark(folder):
    return fingerprint_scan(folder.workspace, "scan")


def label_level(folder, name, level=0):
    array = open_volume(folder.workspace / "scans" / "scan.zarr" / "labels" / name / str(level))
    return read_box(array, Box((0, 0, 0), array.shape))


@pytest.mark.parametrize("dtype", ["uint8", "uint16", "int16", "float32"])
def test_one_fingerprint_for_every_tiling(specimen, make_job, dtype):
    volume = specimen(dtype)
    marks = []
    for i, tile in enumerate(TILINGS):
        folder = make_job(f"{dtype}-{i}", volume, f"tiling.tile_shape={tile}")
        run(folder.path)
        marks.append(mark(folder))
    assert len(set(marks)) == 1
    rows = Catalogue(folder.workspace / "catalogue").read("particles").to_pylist()
    found = {name: sum(r["phase"] == name for r in rows) for name in PHASES}
    assert found["matrix"] == 0
    assert found["pore"] > 30
    assert found["iron-rich"] + found["copper-rich"] > 50


@pytest.mark.parametrize("denoise", ["{method: gaussian, sigma_vx: 1.2}", "{method: none}"])
def test_one_fingerprint_for_other_filters(specimen, make_job, denoise):
    marks = set()
    for i, tile in enumerate(TILINGS):
        folder = make_job(
            f"job-{i}",
            specimen(),
            f"condition.denoise={denoise}",
            f"tiling.tile_shape={tile}",
            "label.connectivity=6",
        )
        run(folder.path)
        marks.add(mark(folder))
    assert len(marks) == 1


def test_catalogue_and_labels_agree_with_numpy(specimen, make_job):
    volume = specimen("uint16")
    folder = make_job(
        "job",
        volume,
        *MANUAL,
        "segment.thresholds=[13000, 27000, 38000]",
        "label.connectivity=18",
        "tiling.tile_shape=[32, 32, 32]",
        voxel_um=(3.0, 2.0, 1.0),
    )
    run(folder.path)
    phases = np.digitize(volume, [13000, 27000, 38000], right=True)
    assert np.array_equal(label_level(folder, "phases"), phases)
    catalogue = Catalogue(folder.workspace / "catalogue")
    by_phase = {r["phase"]: r for r in catalogue.read("phases").to_pylist()}
    rows = catalogue.read("particles").to_pylist()
    for position, name in enumerate(PHASES):
        row = by_phase[name]
        assert row["n_voxels"] == np.count_nonzero(phases == position)
        assert row["volume_fraction"] == pytest.approx(row["n_voxels"] / volume.size)
        if name == "matrix":
            assert row["n_particles"] == row["n_small_bodies"] == 0
            continue
        structure = ndimage.generate_binary_structure(3, 2)
        labels, n = ndimage.label(phases == position, structure)
        size = np.bincount(labels.ravel(), minlength=n + 1)
        keep = size >= 5
        keep[0] = False
        wanted = np.where(keep, np.cumsum(keep), 0)[labels]
        assert np.array_equal(label_level(folder, name), wanted)
        mine = [r for r in rows if r["phase"] == name]
        assert [r["particle_id"] for r in mine] == list(range(1, wanted.max() + 1))
        assert [r["n_voxels"] for r in mine] == np.bincount(wanted.ravel())[1:].tolist()
        assert row["n_particles"] == len(mine)
        assert row["n_small_bodies"] == n - len(mine)
        assert row["n_voxels_small"] == size[1:].sum() - sum(r["n_voxels"] for r in mine)
        assert row["number_density_mm3"] == pytest.approx(len(mine) / (volume.size * 6e-9))
        for r in mine:
            z, y, x = np.nonzero(wanted == r["particle_id"])
            assert r["volume_um3"] == pytest.approx(6.0 * z.size)
            assert r["centroid_z_um"] == pytest.approx((z.mean() + 0.5) * 3.0)
            assert r["centroid_x_um"] == pytest.approx(x.mean() + 0.5)
            assert r["grey_mean"] == pytest.approx(volume[z, y, x].mean())
            assert r["bbox_y_stop_vx"] == y.max() + 1


def test_the_image_is_the_source_with_its_pyramid(specimen, make_job):
    volume = specimen("int16")
    folder = make_job("job", volume, "tiling.tile_shape=[16, 32, 32]")
    run(folder.path)
    store = folder.workspace / "scans" / "scan.zarr"
    assert np.array_equal(open_volume(store / "0")[:], volume)
    half = open_volume(store / "1")[:]
    assert half.shape == (30, 33, 36)
    blocks = volume.astype(np.int64).reshape(30, 2, 33, 2, 36, 2).sum((1, 3, 5))
    assert np.array_equal(half, (blocks + 4) // 8)
    for name in ("phases", "pore"):
        assert np.array_equal(
            label_level(folder, name, 1), label_level(folder, name)[::2, ::2, ::2]
        )
    assert not folder.scan_store.exists()


def test_voxels_outside_the_specimen(specimen, make_job):
    folder = make_job("job", specimen())
    run(folder.path)
    phases = label_level(folder, "phases")
    assert set(np.unique(phases)) == {0, 1, 2, 3, 255}
    corner = phases[:, :4, :4]
    assert (corner == 255).all()
    scan = Catalogue(folder.workspace / "catalogue").read("scans").to_pylist()[0]
    assert scan["n_voxels_mask"] == np.count_nonzero(phases != 255)
    assert scan["mask_volume_um3"] == scan["n_voxels_mask"] * 8.0
    bar = 60 * np.pi * 29**2
    assert scan["n_voxels_mask"] == pytest.approx(bar, rel=0.15)


def with_holes(volume):
    volume = volume.copy()
    volume[20:24, 30:34, 30:34] = np.nan
    volume[40, 40, 40] = np.inf
    volume[41, 40, 40] = -np.inf
    return volume


def test_voxels_that_are_not_finite_are_refused(specimen, make_job):
    folder = make_job("job", with_holes(specimen("float32")))
    with pytest.raises(DataError, match="holds 66 voxels that are NaN or infinite, of 285120") as c:
        run(folder.path)
    assert "condition.nonfinite=outside" in c.value.remedy
    assert Catalogue(folder.workspace / "catalogue").version() == -1
    assert not (folder.workspace / "scans").exists()


@pytest.mark.parametrize("denoise", ["median", "gaussian"])
def test_voxels_that_are_not_finite_taken_as_outside(specimen, make_job, denoise):
    volume = with_holes(specimen("float32"))
    marks = set()
    for i, tile in enumerate(TILINGS):
        folder = make_job(
            f"job-{i}",
            volume,
            "condition.nonfinite=outside",
            f"condition.denoise.method={denoise}",
            f"tiling.tile_shape={tile}",
        )
        run(folder.path)
        marks.add(mark(folder))
    assert len(marks) == 1
    phases = label_level(folder, "phases")
    assert (phases[~np.isfinite(volume)] == 255).all()
    scan = Catalogue(folder.workspace / "catalogue").read("scans").to_pylist()[0]
    assert scan["n_voxels_nonfinite"] == 66
    inside = phases != 255
    assert scan["n_voxels_mask"] == np.count_nonzero(inside)
    # Windows that hold such voxels are as bright as others: these count as matrix there.
    grey = open_volume(folder.conditioned)[...]
    empty = ~np.isfinite(volume)
    assert not grey[empty].any()
    beside = grey[ndimage.binary_dilation(empty) & ~empty]
    matrix = grey[phases == 1]
    assert np.median(beside) > matrix.mean() - 3 * matrix.std()


def test_volume_of_nothing_but_nan(make_job):
    folder = make_job("job", np.full((9, 9, 9), np.nan, np.float32), "condition.nonfinite=outside")
    with pytest.raises(DataError):
        run(folder.path)


@pytest.mark.parametrize("dtype", ["uint8", "uint16", "int16", "float32"])
def test_constant_volume(make_job, dtype):
    folder = make_job("job", np.full((20, 20, 20), 7, dtype))
    with pytest.raises(DataError, match="is constant"):
        run(folder.path)
    assert Catalogue(folder.workspace / "catalogue").version() == -1


@pytest.mark.parametrize("value", [0, 255])
def test_extreme_greys_of_a_type_count(make_job, value):
    volume = np.full((16, 16, 16), 100, np.uint8)
    volume[4:8, 4:8, 4:8] = value
    folder = make_job(
        "job", volume, *MANUAL, "segment.thresholds=[0, 100, 254]", "tiling.tile_shape=[8, 8, 8]"
    )
    run(folder.path)
    rows = Catalogue(folder.workspace / "catalogue").read("particles").to_pylist()
    assert [(r["phase"], r["n_voxels"], r["grey_min"]) for r in rows] == [
        ("pore" if value == 0 else "copper-rich", 64, float(value))
    ]


def test_no_particle_at_all(make_job):
    volume = np.random.default_rng(0).integers(90, 110, (20, 20, 20)).astype(np.uint8)
    folder = make_job("job", volume, *MANUAL, "segment.thresholds=[10, 200, 240]")
    run(folder.path)
    catalogue = Catalogue(folder.workspace / "catalogue")
    assert catalogue.read("particles").num_rows == 0
    assert {r["n_particles"] for r in catalogue.read("phases").to_pylist()} == {0}
    assert not label_level(folder, "pore").any()
    assert mark(folder).startswith("sha256:")


def test_only_bodies_too_small(make_job):
    volume = np.full((20, 20, 20), 100, np.uint8)
    volume[7:9, 8, 8] = volume[3, 3, 3] = 250
    folder = make_job(
        "job", volume, *MANUAL, "segment.thresholds=[10, 200, 240]", "tiling.tile_shape=[8, 8, 8]"
    )
    run(folder.path)
    catalogue = Catalogue(folder.workspace / "catalogue")
    assert catalogue.read("particles").num_rows == 0
    row = next(r for r in catalogue.read("phases").to_pylist() if r["phase"] == "copper-rich")
    assert (row["n_small_bodies"], row["n_voxels_small"]) == (2, 3)


def test_the_source_is_only_read(specimen, make_job, tmp_path):
    folder = make_job("job", specimen())
    source = tmp_path / "job.npy"
    source.chmod(0o400)
    before = hashlib.sha256(source.read_bytes()).hexdigest()
    stamp = source.stat().st_mtime_ns
    run(folder.path)
    assert hashlib.sha256(source.read_bytes()).hexdigest() == before
    assert source.stat().st_mtime_ns == stamp


def test_a_source_that_changed_since_the_plan(specimen, make_job, tmp_path):
    folder = make_job("job", specimen())
    np.save(tmp_path / "job.npy", specimen()[:, :, :40])
    with pytest.raises(SourceError, match="has changed since it was planned"):
        run(folder.path)
