import json
import tracemalloc

import h5py
import numpy as np
import pyarrow.parquet as pq
import pytest
import SimpleITK
import tifffile
import yaml
import zarr

from pipeline.errors import StoreError, UsageError
from pipeline.model.grid import Box
from pipeline.model.metadata import read_metadata
from pipeline.phantom import writer
from pipeline.phantom.containers import FORMATS
from pipeline.phantom.render import Renderer
from pipeline.phantom.specimen import SpecimenSpec
from pipeline.phantom.writer import write_specimen

SPEC = SpecimenSpec((40, 66, 70), 1.25, seed=17)


@pytest.fixture(scope="module")
def wanted():
    return Renderer(SPEC).render(Box((0, 0, 0), SPEC.size_vx), with_phases=True)


def read_volume(form, volume):
    if form == "tiff":
        return np.stack([tifffile.imread(p) for p in sorted(volume.glob("*.tif"))])
    if form == "hdf5":
        with h5py.File(volume) as file:
            return file["entry/data/data"][:]
    if form == "raw":
        return np.fromfile(volume, "<u2").reshape(SPEC.size_vx)
    if form == "zarr":
        return zarr.open_group(volume, mode="r")["0"][:]
    if form == "nrrd":
        return SimpleITK.GetArrayFromImage(SimpleITK.ReadImage(volume))
    return np.load(volume)


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize("tile_shape", [None, (32, 32, 32), (24, 40, 56)])
def test_every_format_holds_the_same_voxels_for_every_tiling(tmp_path, form, tile_shape, wanted):
    files = write_specimen(SPEC, tmp_path / "scan", form, tile_shape=tile_shape)
    np.testing.assert_array_equal(read_volume(form, files.volume), wanted.grey)


def test_voxel_sizes_are_stated_where_a_format_can(tmp_path):
    volume = {f: write_specimen(SPEC, tmp_path / f, f).volume for f in FORMATS}
    with tifffile.TiffFile(volume["tiff"] / "slice_00000.tif") as page:
        assert page.imagej_metadata["spacing"] == 1.25
        assert page.imagej_metadata["unit"] == "um"
        n, d = page.pages[0].tags["XResolution"].value
        assert d / n == pytest.approx(1.25)
    with h5py.File(volume["hdf5"]) as file:
        assert file["entry/data/data"].attrs["voxel_size_um"].tolist() == [1.25] * 3
        assert file["entry/data/z"].attrs["units"] == "um"
        assert file["entry/data/z"][1] == 1.25
        assert file["entry/data"].attrs["NX_class"] == "NXdata"
    side = yaml.safe_load((tmp_path / "raw/volume.raw.yaml").read_text())
    assert side["voxel_um"] == [1.25] * 3
    assert side["shape"] == [40, 66, 70]
    ome = zarr.open_group(volume["zarr"], mode="r").attrs["ome"]
    dataset = ome["multiscales"][0]["datasets"][0]
    assert dataset["coordinateTransformations"] == [{"type": "scale", "scale": [1.25] * 3}]
    assert SimpleITK.ReadImage(volume["nrrd"]).GetSpacing() == pytest.approx([0.00125] * 3)


@pytest.mark.parametrize("tile_shape", [None, (32, 32, 32), (24, 40, 56)])
@pytest.mark.parametrize("n_threads", [1, 3])
def test_truth_lies_beside_the_volume(tmp_path, tile_shape, n_threads, wanted):
    progress = []
    files = write_specimen(
        SPEC,
        tmp_path / "scan",
        "raw",
        tile_shape=tile_shape,
        with_phases=True,
        on_progress=lambda done, total: progress.append((done, total)),
        n_threads=n_threads,
    )
    np.testing.assert_array_equal(read_volume("raw", files.volume), wanted.grey)
    phases = zarr.open_group(files.phases, mode="r")["0"]
    assert phases.shards is not None
    np.testing.assert_array_equal(phases[:], wanted.phases)
    assert pq.read_table(files.truth).num_rows == files.n_bodies > 0
    counts = np.bincount(wanted.phases.ravel(), minlength=256)[:4]
    assert list(files.census.n_voxels.values()) == counts.tolist()
    stated = json.loads((files.folder / "truth.json").read_text())
    assert stated["n_voxels"] == files.census.n_voxels
    assert stated["volume_fractions"] == files.census.fractions
    n_voxels = wanted.grey.size
    assert progress[-1] == (n_voxels, n_voxels)
    assert progress == sorted(progress)


def test_the_metadata_are_those_that_a_scan_may_state(tmp_path):
    spec = SpecimenSpec((32, 32, 32), 1.25, seed=17, temper="T6")
    files = write_specimen(spec, tmp_path / "scan", "npy")
    metadata, source = read_metadata(files.scan_yaml.read_text(), "scan.yaml")
    assert metadata.specimen == "sim-17"
    assert metadata.temper == "T6"
    assert metadata.beam_energy_kev == 60.0
    assert metadata.alloy == "CC-319R"
    assert len(metadata.heat_treatment) == 4
    assert source == {"voxel_um": [1.25] * 3}


def test_destinations_that_are_taken_are_refused(tmp_path):
    taken = tmp_path / "taken"
    taken.mkdir()
    (taken / "notes.txt").write_text("mine")
    with pytest.raises(UsageError, match="not an empty folder"):
        write_specimen(SPEC, taken)
    with pytest.raises(UsageError, match="not an empty folder"):
        write_specimen(SPEC, taken / "notes.txt")
    assert [p.name for p in tmp_path.rglob("*")] == ["taken", "notes.txt"]

    empty = tmp_path / "deep" / "empty"
    empty.mkdir(parents=True)
    assert write_specimen(SPEC, empty, "npy").volume.exists()


def test_unknown_formats_and_too_little_disk_are_refused(tmp_path):
    with pytest.raises(UsageError, match="jpeg"):
        write_specimen(SPEC, tmp_path / "scan", "jpeg")
    with pytest.raises(UsageError, match="n_threads"):
        write_specimen(SPEC, tmp_path / "scan", n_threads=0)
    huge = SpecimenSpec((16_384, 16_384, 16_384), 1.0, seed=1)
    with pytest.raises(UsageError, match="GB are free"):
        write_specimen(huge, tmp_path / "scan")
    assert list(tmp_path.iterdir()) == []


def test_a_failure_leaves_nothing_behind(tmp_path):
    def stop(done, total):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_specimen(SPEC, tmp_path / "scan", tile_shape=(8, 66, 70), on_progress=stop)
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StoreError, match="could not be written"):
        write_specimen(SPEC, tmp_path / "file" / "scan")
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


@pytest.mark.limits
def test_memory_does_not_grow_with_the_volume(tmp_path):
    def peak_bytes(size_vx):
        spec = SpecimenSpec(size_vx, 1.0, seed=2)
        tracemalloc.start()
        try:
            write_specimen(spec, tmp_path / "-".join(map(str, size_vx)), "raw")
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    write_specimen(SPEC, tmp_path / "warm", "raw")
    small = peak_bytes((64, 256, 512))
    assert peak_bytes((192, 256, 512)) < 1.1 * small
    assert peak_bytes((64, 512, 512)) < 1.1 * small
    assert small < 200e6


def test_the_largest_tiles_stay_small():
    for form in FORMATS:
        tile = writer.default_tile_shape(form, (4096, 4096, 4096))
        assert np.prod(tile) <= 8 * 2**20
