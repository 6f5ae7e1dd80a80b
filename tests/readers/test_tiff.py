import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.errors import SourceError
from pipeline.model.grid import Box
from pipeline.readers import ReadOptions, open_source

DTYPES = ["uint8", "int16", "uint16", "float32"]


def write_slices(folder: Path, volume, **how) -> list[Path]:
    folder.mkdir()
    paths = [folder / f"slice_{z}.tif" for z in range(len(volume))]
    for path, plane in zip(paths, volume, strict=True):
        tifffile.imwrite(path, plane, photometric="minisblack", **how)
    return paths


@pytest.mark.parametrize("dtype", DTYPES)
@pytest.mark.parametrize("byteorder", "<>")
@pytest.mark.parametrize(
    "how",
    [
        {},
        {"rowsperstrip": 3},
        {"compression": "zlib", "rowsperstrip": 4},
        {"compression": "zlib", "predictor": True},
        {"compression": "lzw", "tile": (16, 16)},
        {"tile": (16, 16)},
        {"bigtiff": True},
    ],
    ids=lambda how: "-".join(how) or "plain",
)
def test_folder(tmp_path, make_volume, check_source, dtype, byteorder, how) -> None:
    volume = make_volume(dtype, (12, 21, 37))
    write_slices(tmp_path / "scan", volume, byteorder=byteorder, **how)
    source = open_source(str(tmp_path / "scan"))
    check_source(source, volume)
    assert source.header.format == "tiff-folder"
    assert source.header.voxel_um is None
    assert source.header.voxel_origin == "none"


@pytest.mark.parametrize("dtype", DTYPES)
@pytest.mark.parametrize("byteorder", "<>")
@pytest.mark.parametrize(
    "how",
    [
        {},
        {"bigtiff": True},
        {"contiguous": False},
        {"metadata": None},
        {"compression": "zlib", "rowsperstrip": 5},
        {"compression": "zlib", "tile": (16, 32), "predictor": True},
    ],
    ids=lambda how: "-".join(how) or "plain",
)
def test_multi_page(tmp_path, make_volume, check_source, dtype, byteorder, how) -> None:
    volume = make_volume(dtype, (5, 21, 37))
    path = tmp_path / "scan.tif"
    tifffile.imwrite(path, volume, photometric="minisblack", byteorder=byteorder, **how)
    check_source(open_source(str(path)), volume)


def test_imagej_stack_of_one_directory(tmp_path, make_volume, check_source) -> None:
    # ImageJ writes stacks over 4 GiB with one directory for all planes; this one is made small.
    volume = make_volume("uint16", (9, 10, 11))
    path = tmp_path / "scan.tif"
    description = "ImageJ=1.53t\nimages=9\nslices=9\nunit=um\nspacing=4.0\n"
    tifffile.imwrite(path, volume[0], byteorder=">", description=description, metadata=None)
    with tifffile.TiffFile(path) as tif:
        offset = tif.pages[0].dataoffsets[0]
    head = path.read_bytes()[:offset]
    path.write_bytes(head + volume.astype(">u2").tobytes())
    check_source(open_source(str(path)), volume)
    path.write_bytes(head + volume.astype(">u2").tobytes()[:-100])
    with pytest.raises(SourceError, match="truncated"):
        open_source(str(path))


def test_pages_written_one_by_one(tmp_path, make_volume, check_source) -> None:
    volume = make_volume("uint16", (6, 10, 11))
    path = tmp_path / "scan.tif"
    with tifffile.TiffWriter(path) as writer:
        for plane in volume:
            writer.write(plane, contiguous=False, metadata=None)
    check_source(open_source(str(path)), volume)


def test_a_mixed_folder_of_byte_orders_and_compressions(tmp_path, make_volume, check_source):
    volume = make_volume("int16", (4, 10, 11))
    write_slices(tmp_path / "scan", volume)
    for z, how in ((1, {"byteorder": ">"}), (2, {"compression": "zlib"})):
        tifffile.imwrite(tmp_path / f"scan/slice_{z}.tif", volume[z], **how)
    check_source(open_source(str(tmp_path / "scan")), volume)


def test_folder_ignores_other_files(tmp_path, make_volume, check_source) -> None:
    volume = make_volume()
    write_slices(tmp_path / "scan", volume)
    (tmp_path / "scan/acquisition.log").write_text("60 kV")
    (tmp_path / "scan/.hidden.tif").write_bytes(b"x")
    check_source(open_source(str(tmp_path / "scan")), volume)


def test_checksum_follows_contents_and_order_not_names(tmp_path, make_volume) -> None:
    volume = make_volume()
    paths = write_slices(tmp_path / "a", volume)
    first = open_source(str(tmp_path / "a")).checksum()
    shutil.copytree(tmp_path / "a", tmp_path / "b")
    for path in sorted((tmp_path / "b").iterdir()):
        path.rename(path.with_name(path.name.replace("slice_", "plane_00")))
    assert open_source(str(tmp_path / "b")).checksum() == first
    paths[0].rename(tmp_path / "swap")
    paths[1].rename(paths[0])
    (tmp_path / "swap").rename(paths[1])
    assert open_source(str(tmp_path / "a")).checksum() != first


# Bad input


def test_missing_slice_in_the_middle_is_named(tmp_path, make_volume) -> None:
    paths = write_slices(tmp_path / "scan", make_volume())
    paths[3].unlink()
    with pytest.raises(SourceError, match="slice_3") as caught:
        open_source(str(tmp_path / "scan"))
    assert caught.value.remedy
    assert caught.value.exit_code == 2


@pytest.mark.parametrize("other", [np.zeros((11, 12), "uint16"), np.zeros((11, 13), "uint8")])
@pytest.mark.parametrize("z", [3, 6])
def test_slice_of_other_shape_or_dtype_is_named(tmp_path, make_volume, other, z) -> None:
    paths = write_slices(tmp_path / "scan", make_volume())
    tifffile.imwrite(paths[z], other)
    with pytest.raises(SourceError, match=rf"slice_{z}\.tif is 11 x 1[23] .*wanted 11 x 13 uint16"):
        open_source(str(tmp_path / "scan"))


@pytest.mark.parametrize("how", [{}, {"compression": "zlib"}, {"rowsperstrip": 2}])
@pytest.mark.parametrize("keep", [0.0, 0.02, 0.6, 0.99])
def test_truncated_slice_is_named(tmp_path, make_volume, how, keep) -> None:
    paths = write_slices(tmp_path / "scan", make_volume("uint16", (5, 40, 50)), **how)
    stored = paths[2].read_bytes()
    paths[2].write_bytes(stored[: int(keep * len(stored))])
    with pytest.raises(SourceError, match=r"slice_2\.tif"):
        open_source(str(tmp_path / "scan"))


def test_slice_of_colour_or_of_several_pages_is_named(tmp_path, make_volume) -> None:
    paths = write_slices(tmp_path / "scan", make_volume())
    tifffile.imwrite(paths[2], np.zeros((11, 13, 3), "uint8"), photometric="rgb")
    with pytest.raises(SourceError, match=r"slice_2\.tif is no grey-scale image: 3 samples"):
        open_source(str(tmp_path / "scan"))
    tifffile.imwrite(paths[2], np.zeros((4, 11, 13), "uint16"), photometric="minisblack")
    with pytest.raises(SourceError, match=r"slice_2\.tif holds 4 pages"):
        open_source(str(tmp_path / "scan"))


def test_slice_that_vanishes_or_shrinks_after_opening(tmp_path, make_volume) -> None:
    volume = make_volume()
    paths = write_slices(tmp_path / "scan", volume)
    source = open_source(str(tmp_path / "scan"))
    paths[4].write_bytes(paths[4].read_bytes()[:-50])
    with pytest.raises(SourceError, match="early"):
        source.read(Box((0, 0, 0), volume.shape))
    paths[4].unlink()
    with pytest.raises(SourceError, match=r"slice_4\.tif"):
        source.read(Box((0, 0, 0), volume.shape))
    with pytest.raises(SourceError, match=r"slice_4\.tif"):
        source.checksum()


@pytest.mark.parametrize("keep", [0.01, 0.5, 0.97, 0.999])
@pytest.mark.parametrize("how", [{}, {"compression": "zlib"}, {"metadata": None}])
def test_truncated_multi_page(tmp_path, make_volume, how, keep) -> None:
    path = tmp_path / "scan.tif"
    tifffile.imwrite(path, make_volume("uint16", (8, 30, 40)), photometric="minisblack", **how)
    stored = path.read_bytes()
    path.write_bytes(stored[: int(keep * len(stored))])
    with pytest.raises(SourceError, match=r"scan\.tif"):
        open_source(str(path))


@pytest.mark.parametrize("keep", [0.3, 0.5, 0.7, 0.9])
def test_truncated_chain_of_pages(tmp_path, make_volume, keep) -> None:
    path = tmp_path / "scan.tif"
    with tifffile.TiffWriter(path) as writer:
        for plane in make_volume("uint16", (8, 30, 40)):
            writer.write(plane, contiguous=False, metadata=None)
    stored = path.read_bytes()
    path.write_bytes(stored[: int(keep * len(stored))])
    with pytest.raises(SourceError, match=r"scan\.tif"):
        open_source(str(path))


@pytest.mark.parametrize(
    ("shape", "how", "says"),
    [
        ((11, 13), {}, "2 axes"),
        ((5, 11, 13, 3), {"photometric": "rgb"}, "colour"),
        ((2, 5, 11, 13), {"photometric": "minisblack"}, "4 axes"),
        ((2, 11, 13), {"imagej": True, "metadata": {"axes": "CYX"}}, "channels"),
    ],
)
def test_what_is_no_volume(tmp_path, shape, how, says) -> None:
    path = tmp_path / "scan.tif"
    dtype = "uint8" if shape[-1] == 3 else "uint16"
    tifffile.imwrite(path, np.ones(shape, dtype), **how)
    with pytest.raises(SourceError, match=says):
        open_source(str(path))


@pytest.mark.parametrize("dtype", ["int8", "uint32", "float64", "bool"])
def test_other_types_are_refused(tmp_path, dtype) -> None:
    path = tmp_path / "scan.tif"
    tifffile.imwrite(path, np.ones((5, 11, 13), dtype), photometric="minisblack")
    with pytest.raises(SourceError, match=f"holds {dtype} voxels"):
        open_source(str(path))


def test_pages_of_several_shapes_are_refused(tmp_path) -> None:
    path = tmp_path / "scan.tif"
    with tifffile.TiffWriter(path) as writer:
        for shape in ((11, 13), (11, 13), (11, 12), (11, 13)):
            writer.write(np.ones(shape, "uint16"), contiguous=False, metadata=None)
    with pytest.raises(SourceError, match="page 2 11 x 12"):
        open_source(str(path))


# Voxel size


def test_imagej_stack_states_its_voxel_size(tmp_path, make_volume) -> None:
    path = tmp_path / "scan.tif"
    tifffile.imwrite(
        path,
        make_volume(),
        imagej=True,
        resolution=(1 / 2.0, 1 / 4.0),
        metadata={"spacing": 8.0, "unit": "um", "axes": "ZYX"},
    )
    header = open_source(str(path)).header
    assert header.voxel_um == (8.0, 4.0, 2.0)
    assert header.voxel_origin == "file"
    header = open_source(str(path), ReadOptions(voxel_um=(1.0, 1.0, 1.0))).header
    assert header.voxel_um == (1.0, 1.0, 1.0)
    assert header.voxel_origin == "option"


@pytest.mark.parametrize(("unit", "um"), [("mm", 1e3), ("\\u00B5m", 1.0), ("nm", 1e-3)])
def test_folder_with_stated_spacing(tmp_path, make_volume, unit, um) -> None:
    metadata = {"spacing": 4.0, "unit": unit}
    how = {"resolution": (0.5, 0.5), "resolutionunit": "NONE"}
    write_slices(tmp_path / "scan", make_volume(), metadata=metadata, **how)
    assert open_source(str(tmp_path / "scan")).header.voxel_um == (4 * um, 2 * um, 2 * um)


@pytest.mark.parametrize(
    ("tag", "unit", "wanted"),
    [
        ("CENTIMETER", "um", (3.0, 2.0, 2.0)),
        ("INCH", "inch", (76200.0, 5.08, 5.08)),
        ("INCH", "um", None),
    ],
)
def test_plane_resolution_has_its_own_unit(tmp_path, make_volume, tag, unit, wanted) -> None:
    path = tmp_path / "scan.tif"
    tifffile.imwrite(
        path,
        make_volume(),
        photometric="minisblack",
        resolution=(5000, 5000),
        resolutionunit=tag,
        metadata={"spacing": 3.0, "unit": unit},
    )
    assert open_source(str(path)).header.voxel_um == wanted


def test_plane_resolution_alone_gives_no_voxel_size(tmp_path, make_volume) -> None:
    how = {"resolution": (5000, 5000), "resolutionunit": "CENTIMETER"}
    write_slices(tmp_path / "scan", make_volume(), **how)
    header = open_source(str(tmp_path / "scan")).header
    assert header.voxel_um is None
    with pytest.raises(SourceError, match="states no voxel size"):
        header.require_voxel_um()


def test_ome_states_its_voxel_size(tmp_path, make_volume) -> None:
    path = tmp_path / "scan.ome.tif"
    stated = {"PhysicalSizeX": 650.0, "PhysicalSizeXUnit": "nm", "PhysicalSizeY": 0.7}
    metadata = {"axes": "ZYX", **stated}
    tifffile.imwrite(path, make_volume(), ome=True, photometric="minisblack", metadata=metadata)
    assert open_source(str(path)).header.voxel_um is None
    metadata |= {"PhysicalSizeZ": 0.001, "PhysicalSizeZUnit": "mm"}
    tifffile.imwrite(path, make_volume(), ome=True, photometric="minisblack", metadata=metadata)
    assert open_source(str(path)).header.voxel_um == (1.0, 0.7, 0.65)


@pytest.mark.parametrize("unit", ["pixel", ""])
def test_pixels_are_no_length(tmp_path, make_volume, unit) -> None:
    path = tmp_path / "scan.tif"
    metadata = {"spacing": 1.0, "unit": unit, "axes": "ZYX"}
    tifffile.imwrite(path, make_volume(), imagej=True, resolution=(1, 1), metadata=metadata)
    assert open_source(str(path)).header.voxel_um is None


def test_a_slice_that_changed_since_it_was_opened_is_read_again(tmp_path, make_volume) -> None:
    volume = make_volume("uint16", (3, 5, 7))
    paths = write_slices(tmp_path / "scan", volume)
    assert open_source(str(tmp_path / "scan")).header.shape == (3, 5, 7)
    tifffile.imwrite(paths[1], volume[1, :, :6], photometric="minisblack")
    with pytest.raises(SourceError, match=r"5 x 6 uint16, wanted 5 x 7"):
        open_source(str(tmp_path / "scan"))
