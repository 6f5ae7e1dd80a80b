"""NeXus and data-exchange files as their definitions and writers lay them out."""

from pathlib import Path

import h5py
import numpy as np
import pytest

from pipeline.errors import SourceError
from pipeline.readers import open_source

ANGLES = np.linspace(0.0, 180.0, 6, endpoint=False)
STEPS_MM = {"z": 0.004, "y": 0.002, "x": 0.001}


def write_raw_entry(file) -> None:
    """Write an NXtomo entry: projections in the detector, linked from an NXdata group."""
    entry = file.create_group("entry_raw")
    entry.attrs["NX_class"] = "NXentry"
    entry["definition"] = "NXtomo"
    detector = entry.create_group("instrument/detector")
    detector["data"] = np.ones((6, 7, 13), "uint16")
    detector["image_key"] = np.zeros(6, "int32")
    data = entry.create_group("data")
    data.attrs["NX_class"], data.attrs["signal"] = "NXdata", "data"
    data["data"] = h5py.SoftLink("/entry_raw/instrument/detector/data")
    data["rotation_angle"] = ANGLES


def write_tomoproc(path: Path, volume, *, order: str = "zyx", raw: bool = True, shape_of=None):
    """Write an NXtomoproc entry; its coordinates x, y, z stand beside the data, unnamed."""
    with h5py.File(path, "w") as file:
        if raw:
            write_raw_entry(file)
        entry = file.create_group("entry")
        entry.attrs["NX_class"] = "NXentry"
        entry["definition"] = "NXtomoproc"
        made = entry.create_group("reconstruction")
        made.attrs["NX_class"] = "NXprocess"
        made["program"] = "any"
        data = entry.create_group("data")
        data.attrs["NX_class"] = "NXdata"
        data["data"] = volume
        for name, n in zip(order, volume.shape, strict=True):
            data[name] = STEPS_MM[name] * np.arange(n)
            data[name].attrs["units"] = "mm"
    return path


@pytest.mark.parametrize("raw", [False, True])
@pytest.mark.parametrize(("order", "wanted"), [("zyx", (4.0, 2.0, 1.0)), ("xyz", (1.0, 2.0, 4.0))])
def test_tomoproc(tmp_path, make_volume, check_source, raw, order, wanted) -> None:
    volume = make_volume()
    path = write_tomoproc(tmp_path / "scan.nxs", volume, order=order, raw=raw)
    for spec in (f"{path}", f"{path}:/entry/data/data", f"{path}:/entry"):
        source = open_source(spec)
        check_source(source, volume)
        assert source.header.location == f"{path}:/entry/data/data"
        assert source.header.voxel_um == pytest.approx(wanted, rel=1e-9)


def test_coordinates_that_fit_both_orders_are_no_voxel_size(tmp_path, make_volume) -> None:
    cube = make_volume(shape=(7, 11, 7))
    path = write_tomoproc(tmp_path / "scan.nxs", cube)
    assert open_source(str(path)).header.voxel_um is None
    with h5py.File(path, "r+") as file:
        file["entry/data"].attrs["axes"] = ["x", "y", "z"]
    assert open_source(str(path)).header.voxel_um == pytest.approx((1.0, 2.0, 4.0))
    with h5py.File(path, "r+") as file:
        del file["entry/data/x"].attrs["units"]
    assert open_source(str(path)).header.voxel_um is None


@pytest.mark.parametrize("linked", [False, True])
def test_reconstruction_of_an_entry(tmp_path, make_volume, check_source, linked) -> None:
    volume = make_volume("float32")
    with h5py.File(tmp_path / "scan.nxs", "w") as file:
        write_raw_entry(file)
        file["entry_raw/reconstruction/data"] = volume
        file["entry_raw/reconstruction"].attrs["voxel_size"] = "2.5 um"
        if linked:
            file["entry_raw/definition"][()] = "NXtomoproc"
            plotted = file.create_group("entry_raw/plot")
            plotted.attrs["NX_class"] = "NXdata"
            plotted["data"] = h5py.SoftLink("/entry_raw/reconstruction/data")
    source = open_source(str(tmp_path / "scan.nxs"))
    check_source(source, volume)
    if not linked:
        assert source.header.voxel_um == (2.5, 2.5, 2.5)


def test_two_reconstructions_are_listed(tmp_path, make_volume) -> None:
    path = write_tomoproc(tmp_path / "scan.nxs", make_volume())
    with h5py.File(path, "r+") as file:
        second = file.create_group("second")
        second.attrs["NX_class"] = "NXentry"
        second["reconstruction/data"] = make_volume()
    with pytest.raises(SourceError, match="2 datasets of three axes") as caught:
        open_source(str(path))
    assert "/second/reconstruction/data" in caught.value.what
    assert "/entry_raw" not in caught.value.what


def test_projections_alone_are_refused(tmp_path) -> None:
    path = tmp_path / "scan.nxs"
    with h5py.File(path, "w") as file:
        write_raw_entry(file)
        file.attrs["default"] = "entry_raw"
        file["entry_raw"].attrs["default"] = "data"
    with pytest.raises(SourceError, match="holds projections") as caught:
        open_source(str(path))
    assert "Reconstruct" in caught.value.remedy


def write_exchange(path: Path, volume, *, axes="z:y:x", fields=(), raw: bool = False) -> Path:
    """Write a data-exchange file; fields are (path, value, units or None)."""
    with h5py.File(path, "w") as file:
        file["implements"] = "exchange:measurement:process"
        file["exchange/data"] = volume
        file["exchange/data"].attrs["description"] = "reconstruction"
        if axes:
            file["exchange/data"].attrs["axes"] = axes
        if raw:
            file["exchange/data_white"] = np.ones((2, *volume.shape[1:]), "uint16")
            file["exchange/data_dark"] = np.ones((2, *volume.shape[1:]), "uint16")
            file["exchange/theta"] = np.linspace(0, 180, len(volume))
        for name, value, units in fields:
            file[f"measurement/instrument/{name}"] = value
            if units:
                file[f"measurement/instrument/{name}"].attrs["units"] = units
    return path


def test_exchange_reconstruction_beside_other_volumes(tmp_path, make_volume, check_source) -> None:
    volume = make_volume("float32")
    path = write_exchange(tmp_path / "scan.h5", volume)
    with h5py.File(path, "r+") as file:
        file["process/mask"] = np.ones((3, 4, 5), "uint8")
    source = open_source(str(path))
    check_source(source, volume)
    assert source.header.location == f"{path}:/exchange/data"
    assert source.header.voxel_um is None


@pytest.mark.parametrize("axes", ["theta:y:x", "y:theta:x", ""])
def test_exchange_projections_are_refused(tmp_path, make_volume, axes) -> None:
    path = write_exchange(tmp_path / "scan.h5", make_volume(), axes=axes, raw=True)
    with pytest.raises(SourceError, match="holds projections") as caught:
        open_source(str(path))
    assert "/exchange/data (7, 11, 13) uint16" in caught.value.what
    if axes:
        with pytest.raises(SourceError, match="holds projections"):
            open_source(f"{path}:/exchange/data")


def test_exchange_reconstruction_beside_its_projections(
    tmp_path, make_volume, check_source
) -> None:
    volume = make_volume("float32", (7, 13, 13))
    path = write_exchange(tmp_path / "scan.h5", make_volume(), axes="theta:y:x", raw=True)
    with h5py.File(path, "r+") as file:
        file["exchange_1/data"] = volume
    source = open_source(str(path))
    check_source(source, volume)
    assert source.header.location == f"{path}:/exchange_1/data"


ACTUAL = [
    ("detector/actual_pixel_size_x", 1.2e-6, "m"),
    ("detector/actual_pixel_size_y", 2e-6, "m"),
]
OBJECTIVE = "detection_system/objective/resolution"


@pytest.mark.parametrize(
    ("fields", "wanted"),
    [
        (ACTUAL, (2.0, 1.2, 1.2)),
        (ACTUAL[:1], None),
        ([("detector/actual_pixel_size", np.array([650.0]), "nm")], (0.65, 0.65, 0.65)),
        ([(OBJECTIVE, 0.69, "microns")], (0.69, 0.69, 0.69)),
        ([(OBJECTIVE, "0.69", "um/pixel")], (0.69, 0.69, 0.69)),
        # Without a unit; the detector's own pixel, before magnification; a contradiction.
        ([(OBJECTIVE, 0.69, None)], None),
        ([(OBJECTIVE, 0.69, "lp/mm")], None),
        ([(OBJECTIVE, "high", "um")], None),
        ([("detector/pixel_size_x", 6.7e-6, "m"), ("detector/pixel_size_y", 6.7e-6, "m")], None),
        ([*ACTUAL, (OBJECTIVE, 2.4, "um")], None),
        (
            [("detector/actual_pixel_size", 1.2e-6, "m"), (OBJECTIVE, 1.2, "um")],
            (1.2, 1.2, 1.2),
        ),
    ],
)
def test_exchange_voxel_size(tmp_path, make_volume, fields, wanted) -> None:
    path = write_exchange(tmp_path / "scan.h5", make_volume(), fields=fields)
    got = open_source(str(path)).header
    assert got.voxel_um == (None if wanted is None else pytest.approx(wanted, rel=1e-9))
    assert got.voxel_origin == ("none" if wanted is None else "file")


def test_exchange_attribute_of_the_dataset_goes_first(tmp_path, make_volume) -> None:
    path = write_exchange(tmp_path / "scan.h5", make_volume(), fields=ACTUAL)
    with h5py.File(path, "r+") as file:
        file["exchange/data"].attrs["pixel size"] = 9.0
        file["exchange/data"].attrs["voxel_size_um"] = 3.0
    assert open_source(str(path)).header.voxel_um == (3.0, 3.0, 3.0)
