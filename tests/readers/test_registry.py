import pickle
import subprocess
import sys

import h5py
import numpy as np
import pytest
import SimpleITK as sitk  # noqa: N813
import tifffile
import zarr

from pipeline.errors import SourceError
from pipeline.model.grid import Box
from pipeline.phantom.specimen import SpecimenSpec
from pipeline.phantom.writer import write_specimen
from pipeline.readers import ReadOptions, open_source


def refused(spec: object, options: ReadOptions | None = None) -> SourceError:
    with pytest.raises(SourceError) as caught:
        open_source(str(spec), options or ReadOptions())
    assert caught.value.remedy
    assert caught.value.exit_code == 2
    return caught.value


def test_missing_path(tmp_path) -> None:
    assert "gone" in refused(tmp_path / "gone").what
    assert "gone.h5" in refused(f"{tmp_path / 'gone.h5'}:/data").what


def test_empty_folder_and_folder_without_slices(tmp_path) -> None:
    assert "is empty" in refused(tmp_path).what
    (tmp_path / "notes.txt").write_text("x")
    assert "notes.txt" in refused(tmp_path).what
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((4, 5), "u2"))
    assert "single slice" in refused(tmp_path).what


@pytest.mark.parametrize("name", ["scan.xyz", "scan", "scan.tif.bak"])
def test_unknown_format(tmp_path, name) -> None:
    (tmp_path / name).write_bytes(b"123")
    error = refused(tmp_path / name)
    assert "unknown format" in error.what
    assert ".nrrd" in error.what


@pytest.mark.parametrize("suffix", [".tif", ".h5", ".mha", ".nrrd", ".nii", ".nii.gz", ".npy"])
def test_empty_file(tmp_path, suffix) -> None:
    (tmp_path / f"scan{suffix}").touch()
    assert "is empty" in refused(tmp_path / f"scan{suffix}").what


@pytest.mark.parametrize(
    "options",
    [
        ReadOptions(shape=(3, 4, 5)),
        ReadOptions(dtype="uint16"),
        ReadOptions(byte_order="big"),
        ReadOptions(offset_bytes=4),
    ],
)
def test_options_of_raw_files_are_refused_elsewhere(tmp_path, make_volume, options) -> None:
    np.save(tmp_path / "scan.npy", make_volume())
    assert "cannot be stated" in refused(tmp_path / "scan.npy", options).what
    (tmp_path / "folder").mkdir()
    assert "cannot be stated" in refused(tmp_path / "folder", options).what


@pytest.mark.parametrize("voxel", [(0.0, 1.0, 1.0), (1.0, -1.0, 1.0), (1.0, 1.0, float("nan"))])
def test_voxel_size_that_is_not_positive(tmp_path, make_volume, voxel) -> None:
    np.save(tmp_path / "scan.npy", make_volume())
    assert "not positive" in refused(tmp_path / "scan.npy", ReadOptions(voxel_um=voxel)).what


def test_suffixes_in_capitals(tmp_path, make_volume, check_source) -> None:
    volume = make_volume()
    with h5py.File(tmp_path / "SCAN.H5", "w") as file:
        file["data"] = volume
    check_source(open_source(f"{tmp_path / 'SCAN.H5'}:/data"), volume)
    tifffile.imwrite(tmp_path / "SCAN.TIFF", volume, photometric="minisblack")
    check_source(open_source(str(tmp_path / "SCAN.TIFF")), volume)


def test_file_with_a_colon_in_its_name(tmp_path, make_volume, check_source) -> None:
    volume = make_volume()
    with h5py.File(tmp_path / "a.h5:b.h5", "w") as file:
        file["data"] = volume
    check_source(open_source(str(tmp_path / "a.h5:b.h5")), volume)


def test_a_pickled_source_reads_in_another_process(tmp_path, make_volume) -> None:
    volume = make_volume()
    with h5py.File(tmp_path / "scan.h5", "w") as file:
        file["data"] = volume
    code = (
        "import pickle, sys; from pipeline.model.grid import Box;"
        "source = pickle.loads(sys.stdin.buffer.read());"
        "print(int(source.read(Box((0, 0, 0), source.header.shape)).sum()))"
    )
    source = open_source(str(tmp_path / "scan.h5"))
    done = subprocess.run(
        [sys.executable, "-c", code], input=pickle.dumps(source), capture_output=True, check=True
    )
    assert int(done.stdout) == int(volume.sum())


def test_folder_of_one_volume_opens_as_that_volume(tmp_path, make_volume, check_source) -> None:
    volume = make_volume()
    made = write_specimen(
        SpecimenSpec((64, 64, 64), 2.0, seed=3), tmp_path / "made", format="hdf5", with_phases=True
    )
    by_name = open_source(str(made.volume))
    wanted = by_name.read(Box((0, 0, 0), by_name.header.shape))
    source = open_source(str(tmp_path / "made"))
    check_source(source, wanted)
    assert source.header.voxel_um == (2.0, 2.0, 2.0)
    assert source.checksum() == by_name.checksum()

    alone = tmp_path / "alone"
    alone.mkdir()
    tifffile.imwrite(alone / "scan.tif", volume, photometric="minisblack")
    check_source(open_source(str(alone)), volume)


@pytest.mark.parametrize("suffix", [".npy", ".mhd", ".zarr", ".raw"])
def test_formats_of_the_one_volume(tmp_path, make_volume, check_source, suffix) -> None:
    volume = make_volume()
    path = tmp_path / f"scan{suffix}"
    if suffix == ".npy":
        np.save(path, volume)
    elif suffix == ".mhd":
        sitk.WriteImage(sitk.GetImageFromArray(volume), str(path))
        assert (tmp_path / "scan.raw").is_file()
    elif suffix == ".zarr":
        zarr.create_array(path, data=volume)
    else:
        path.write_bytes(volume.astype("<u2").tobytes())
        assert "scan.raw" in refused(tmp_path).what
        (tmp_path / "scan.raw.yaml").write_text(
            "shape: [7, 11, 13]\ndtype: uint16\nbyte_order: little\n"
        )
    (tmp_path / "scan.yaml").write_text("operator: A\n")
    check_source(open_source(str(tmp_path)), volume)


def test_several_volumes_in_a_folder_are_listed(tmp_path, make_volume) -> None:
    np.save(tmp_path / "a.npy", make_volume())
    with h5py.File(tmp_path / "b.h5", "w") as file:
        file["data"] = make_volume()
    error = refused(tmp_path)
    assert "2 volumes: a.npy, b.h5" in error.what
    assert str(tmp_path / "a.npy") in error.remedy
