from pathlib import Path

import h5py
import hdf5plugin
import numpy as np
import pytest

from pipeline.errors import SourceError
from pipeline.model.grid import Box
from pipeline.readers import ReadOptions, open_source

ZSTD = dict(hdf5plugin.Zstd())


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "float32"])
@pytest.mark.parametrize("byte_order", "<>")
@pytest.mark.parametrize(
    "how",
    [{}, {"chunks": (3, 4, 5), "compression": "gzip"}, {"chunks": (7, 11, 2), **ZSTD}],
    ids=["plain", "gzip", "zstd"],
)
def test_only_dataset_is_found(tmp_path, make_volume, check_source, dtype, byte_order, how) -> None:
    volume = make_volume(dtype)
    path = tmp_path / "scan.h5"
    with h5py.File(path, "w") as file:
        file.create_dataset(
            "a/b/data", data=volume, dtype=f"{byte_order}{volume.dtype.str[1:]}", **how
        )
        file["a/profile"] = np.arange(5)
    source = open_source(str(path))
    check_source(source, volume)
    assert source.header.location == f"{path}:/a/b/data"
    assert source.header.format == "hdf5"
    assert source.header.voxel_um is None


def write_two(path: Path, first, second) -> Path:
    with h5py.File(path, "w") as file:
        file["raw/data"] = first
        file["reconstruction/data"] = second
    return path


def test_several_datasets_are_listed_with_the_remedy(tmp_path, make_volume, check_source) -> None:
    first, second = make_volume("uint16"), make_volume("float32")
    path = write_two(tmp_path / "scan.h5", first, second)
    with pytest.raises(SourceError, match="2 datasets of three axes") as caught:
        open_source(str(path))
    assert "/raw/data (7, 11, 13) uint16" in caught.value.what
    assert "/reconstruction/data (7, 11, 13) float32" in caught.value.what
    assert "scan.h5:/raw/data" in caught.value.remedy
    check_source(open_source(f"{path}:/raw/data"), first)
    check_source(open_source(f"{path}:reconstruction/data"), second)
    check_source(open_source(f"{path}:/reconstruction"), second)


def test_no_volume_lists_what_there_is(tmp_path) -> None:
    path = tmp_path / "scan.h5"
    with h5py.File(path, "w") as file:
        file["image"] = np.zeros((4, 5), "u2")
        file["movie"] = np.zeros((2, 3, 4, 5), "u2")
    with pytest.raises(SourceError, match="no dataset of three axes") as caught:
        open_source(str(path))
    assert "/image (4, 5) uint16, /movie (2, 3, 4, 5) uint16" in caught.value.what
    for name, says in (("image", "2 axes"), ("movie", "4 axes")):
        with pytest.raises(SourceError, match=says):
            open_source(f"{path}:/{name}")
    with h5py.File(path, "w"):
        pass
    with pytest.raises(SourceError, match="it holds: nothing"):
        open_source(str(path))


def test_path_that_is_not_there(tmp_path, make_volume) -> None:
    path = write_two(tmp_path / "scan.h5", make_volume(), make_volume())
    with pytest.raises(SourceError, match="nothing at /entry/data") as caught:
        open_source(f"{path}:/entry/data")
    assert "/raw/data" in caught.value.remedy


@pytest.mark.parametrize("dtype", ["float64", "int32", "bool", "complex64"])
def test_other_types_are_refused(tmp_path, dtype) -> None:
    path = tmp_path / "scan.h5"
    with h5py.File(path, "w") as file:
        file["data"] = np.zeros((3, 4, 5), dtype)
    with pytest.raises(SourceError, match=f"holds {dtype} voxels"):
        open_source(f"{path}:/data")


@pytest.mark.parametrize("keep", [0.0, 0.1, 0.5, 0.95])
def test_truncated_file(tmp_path, make_volume, keep) -> None:
    path = write_two(tmp_path / "scan.h5", make_volume(), make_volume())
    stored = path.read_bytes()
    path.write_bytes(stored[: int(keep * len(stored))])
    with pytest.raises(SourceError, match=r"scan\.h5"):
        open_source(f"{path}:/raw/data")


def write_nexus(path: Path, volume, *, old: bool = False, default: bool = True) -> Path:
    """Write a NeXus file whose volume is plotted by an NXdata group that links to it."""
    with h5py.File(path, "w") as file:
        entry = file.create_group("entry")
        entry.attrs["NX_class"] = "NXentry"
        entry["raw"] = np.zeros((3, 4, 5), "uint16")
        entry["flat"] = np.zeros((3, 4, 5), "uint16")
        entry["tomogram"] = volume
        data = entry.create_group("data")
        data.attrs["NX_class"] = "NXdata"
        data["data"] = h5py.SoftLink("/entry/tomogram")
        if old:
            entry["tomogram"].attrs["signal"] = 1
        else:
            data.attrs["signal"] = "data"
        if default:
            file.attrs["default"] = "entry"
            entry.attrs["default"] = np.bytes_("data")
        data.attrs["axes"] = ["z", "y", "x"]
        for name, n, step in zip("zyx", volume.shape, (0.004, 0.002, 0.001), strict=True):
            data[name] = -1.0 + step * np.arange(n)
            data[name].attrs["units"] = "mm"
    return path


@pytest.mark.parametrize("old", [False, True])
@pytest.mark.parametrize("default", [False, True])
def test_nexus_is_followed(tmp_path, make_volume, check_source, old, default) -> None:
    volume = make_volume("float32")
    path = write_nexus(tmp_path / "scan.nxs", volume, old=old, default=default)
    source = open_source(str(path))
    check_source(source, volume)
    assert source.header.voxel_um == pytest.approx((4.0, 2.0, 1.0), rel=1e-9)
    check_source(open_source(f"{path}:/entry"), volume)


def test_uneven_axis_is_no_voxel_size(tmp_path, make_volume) -> None:
    path = write_nexus(tmp_path / "scan.nxs", make_volume())
    with h5py.File(path, "r+") as file:
        file["entry/data/y"][3] += 0.0005
    assert open_source(str(path)).header.voxel_um is None


@pytest.mark.parametrize(
    ("where", "attributes", "wanted"),
    [
        ("a/data", {"element_size_um": [4.0, 2.0, 1.0]}, (4.0, 2.0, 1.0)),
        ("a", {"voxel_size": 0.65, "voxel_size_units": "um"}, (0.65, 0.65, 0.65)),
        ("/", {"pixel_size": [3.0, 2.0, 1.0], "units": b"nm"}, (0.003, 0.002, 0.001)),
        ("a/data", {"voxel_size": 0.65}, None),
    ],
)
def test_attributes_state_the_voxel_size(tmp_path, make_volume, where, attributes, wanted) -> None:
    path = tmp_path / "scan.h5"
    with h5py.File(path, "w") as file:
        file["a/data"] = make_volume()
        file[where].attrs.update(attributes)
    assert open_source(str(path)).header.voxel_um == wanted
    header = open_source(str(path), ReadOptions(voxel_um=(9.0, 8.0, 7.0))).header
    assert (header.voxel_um, header.voxel_origin) == ((9.0, 8.0, 7.0), "option")


def test_virtual_dataset_and_its_missing_file(tmp_path, make_volume, check_source) -> None:
    volume = make_volume()
    parts = [tmp_path / "part0.h5", tmp_path / "part1.h5"]
    layout = h5py.VirtualLayout(volume.shape, "uint16")
    for path, planes in zip(parts, (slice(0, 4), slice(4, 7)), strict=True):
        with h5py.File(path, "w") as file:
            file["data"] = volume[planes]
        layout[planes] = h5py.VirtualSource(path.name, "data", shape=volume[planes].shape)
    with h5py.File(tmp_path / "scan.h5", "w") as file:
        file.create_virtual_dataset("data", layout)
    source = open_source(str(tmp_path / "scan.h5"))
    check_source(source, volume)
    before = source.checksum()
    with h5py.File(parts[1], "r+") as file:
        file["data"][0, 0, 0] += 1
    assert open_source(str(tmp_path / "scan.h5")).checksum() != before
    parts[1].unlink()
    with pytest.raises(SourceError, match=r"part1\.h5"):
        open_source(str(tmp_path / "scan.h5"))


def test_damaged_chunk_is_an_error(tmp_path, make_volume) -> None:
    path = tmp_path / "scan.h5"
    volume = make_volume()
    with h5py.File(path, "w") as file:
        how = {"chunks": volume.shape, "fletcher32": True}
        offset = file.create_dataset("data", data=volume, **how).id.get_chunk_info(0).byte_offset
    stored = bytearray(path.read_bytes())
    stored[offset + 5] ^= 0xFF
    path.write_bytes(stored)
    source = open_source(str(path))
    with pytest.raises(SourceError, match="cannot be read"):
        source.read(Box((0, 0, 0), volume.shape))
