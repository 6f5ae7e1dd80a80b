import pickle
import subprocess
import sys

import h5py
import numpy as np
import pytest
import tifffile

from pipeline.errors import SourceError
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
    assert "single TIFF file" in refused(tmp_path).what


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
