import gzip
import hashlib
import struct
from pathlib import Path

import numpy as np
import pytest
import SimpleITK as sitk  # noqa: N813

from pipeline.errors import SourceError
from pipeline.model.grid import Box
from pipeline.readers import ReadOptions, open_source
from pipeline.readers.flat import FlatSource
from pipeline.readers.image import WholeImageSource

SUFFIXES = [".mha", ".mhd", ".nrrd", ".nhdr", ".nii", ".nii.gz"]


def write_image(path: Path, volume, *, compress: bool = False, spacing_mm=(0.001, 0.002, 0.004)):
    """Write with SimpleITK; the spacing is in its order (x, y, z)."""
    image = sitk.GetImageFromArray(volume)
    image.SetSpacing(spacing_mm)
    sitk.WriteImage(image, str(path), compress)
    return path


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "float32"])
@pytest.mark.parametrize("suffix", SUFFIXES)
@pytest.mark.parametrize("compress", [False, True])
def test_images(tmp_path, make_volume, check_source, dtype, suffix, compress) -> None:
    volume = make_volume(dtype)
    path = write_image(tmp_path / f"scan{suffix}", volume, compress=compress)
    source = open_source(str(path))
    check_source(source, volume)
    assert source.header.voxel_um == pytest.approx((4.0, 2.0, 1.0), rel=1e-12)
    assert source.header.voxel_origin == "file"
    whole = suffix == ".nii.gz" or (compress and suffix != ".nii")
    assert isinstance(source, WholeImageSource if whole else FlatSource)
    assert ("resident_bytes" in source.header.attributes) == whole
    option = open_source(str(path), ReadOptions(voxel_um=(1.0, 2.0, 3.0))).header
    assert (option.voxel_um, option.voxel_origin) == ((1.0, 2.0, 3.0), "option")


def meta_text(volume, extra: str, data: str) -> str:
    nz, ny, nx = volume.shape
    names = {"uint8": "UCHAR", "int16": "SHORT", "uint16": "USHORT", "float32": "FLOAT"}
    return (
        f"ObjectType = Image\nNDims = 3\nDimSize = {nx} {ny} {nz}\n{extra}"
        f"ElementType = MET_{names[volume.dtype.name]}\nElementDataFile = {data}\n"
    )


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "float32"])
@pytest.mark.parametrize("data", ["LOCAL", "scan.raw"])
def test_metaimage_of_high_byte_first(tmp_path, make_volume, check_source, dtype, data) -> None:
    volume = make_volume(dtype)
    extra = "BinaryData = True\nBinaryDataByteOrderMSB = True\n"
    stored = volume.astype(volume.dtype.newbyteorder(">")).tobytes()
    head = meta_text(volume, extra, data).encode()
    path = tmp_path / "scan.mhd"
    path.write_bytes(head + (stored if data == "LOCAL" else b""))
    if data != "LOCAL":
        (tmp_path / data).write_bytes(stored)
    source = open_source(str(path))
    check_source(source, volume)
    np.testing.assert_array_equal(sitk.GetArrayFromImage(sitk.ReadImage(str(path))), volume)
    # No spacing is stated: SimpleITK says 1, which must not pass for one millimetre.
    assert source.header.voxel_um is None


@pytest.mark.parametrize("dtype", ["int16", "uint16", "float32"])
@pytest.mark.parametrize("detached", [False, True])
def test_nrrd_of_big_endian(tmp_path, make_volume, check_source, dtype, detached) -> None:
    volume = make_volume(dtype)
    nz, ny, nx = volume.shape
    kind = {"int16": "int16", "uint16": "uint16", "float32": "float"}[dtype]
    head = f"NRRD0004\n# made by hand\ntype: {kind}\ndimension: 3\nsizes: {nx} {ny} {nz}\n"
    head += "endian: big\nencoding: raw\n"
    stored = volume.astype(volume.dtype.newbyteorder(">")).tobytes()
    path = tmp_path / ("scan.nhdr" if detached else "scan.nrrd")
    if detached:
        path.write_text(head + "data file: scan.raw\n")
        (tmp_path / "scan.raw").write_bytes(stored)
    else:
        path.write_bytes(head.encode() + b"\n" + stored)
    source = open_source(str(path))
    check_source(source, volume)
    np.testing.assert_array_equal(sitk.GetArrayFromImage(sitk.ReadImage(str(path))), volume)
    assert source.header.voxel_um is None


def test_nifti_of_big_endian(tmp_path, make_volume, check_source) -> None:
    volume = make_volume("int16")
    path = write_image(tmp_path / "little.nii", volume)
    stored = path.read_bytes()
    swapped = bytearray(stored[:352])
    for offset, form in ((0, "i"), (40, "8h"), (68, "4h"), (76, "8f"), (108, "3f"), (252, "2h")):
        n = struct.calcsize(f"<{form}")
        values = struct.unpack(f"<{form}", stored[offset : offset + n])
        swapped[offset : offset + n] = struct.pack(f">{form}", *values)
    swapped[252:344] = bytes(92)  # no orientation
    big = tmp_path / "big.nii"
    big.write_bytes(bytes(swapped) + volume.astype(">i2").tobytes())
    source = open_source(str(big))
    check_source(source, volume)
    assert source.header.voxel_um == pytest.approx((4.0, 2.0, 1.0), rel=1e-12)


@pytest.mark.parametrize(
    ("code", "wanted"), [(0, None), (1, 1e6), (2, 1e3), (3, 1.0), (2 + 8, 1e3)]
)
def test_units_of_nifti(tmp_path, make_volume, code, wanted) -> None:
    spacing = (1 / 64, 2 / 64, 3 / 64)
    path = write_image(tmp_path / "scan.nii", make_volume(), spacing_mm=spacing)
    stored = bytearray(path.read_bytes())
    stored[123] = code
    path.write_bytes(stored)
    header = open_source(str(path)).header
    assert header.voxel_um == (wanted and tuple(wanted * edge for edge in reversed(spacing)))


def test_scaled_nifti_is_read_in_scaled_values(tmp_path, make_volume, check_source) -> None:
    volume = make_volume("uint8")
    path = write_image(tmp_path / "scan.nii", volume)
    stored = bytearray(path.read_bytes())
    stored[112:120] = struct.pack("<2f", 0.5, 3.0)
    path.write_bytes(stored)
    check_source(open_source(str(path)), (volume * np.float32(0.5) + np.float32(3.0)))


@pytest.mark.parametrize(("unit", "um"), [("um", 1.0), ("cm", 1e4), ("?", 1e3)])
def test_distance_units_of_metaimage(tmp_path, make_volume, unit, um) -> None:
    volume = make_volume("uint8")
    extra = f"BinaryData = True\nDistanceUnits = {unit}\nElementSpacing = 1 2 4\n"
    path = tmp_path / "scan.mha"
    path.write_bytes(meta_text(volume, extra, "LOCAL").encode() + volume.tobytes())
    assert open_source(str(path)).header.voxel_um == (4 * um, 2 * um, um)


@pytest.mark.parametrize(
    ("lines", "wanted"),
    [
        ("spacings: 0.001 0.002 0.004\n", (4.0, 2.0, 1.0)),
        ('spacings: 1 2 4\nunits: "um" "um" "um"\n', (4.0, 2.0, 1.0)),
        (
            'space dimension: 3\nspace units: "um" "um" "um"\n'
            "space directions: (0,1,0) (2,0,0) (0,0,4)\n",
            (4.0, 2.0, 1.0),
        ),
        ("spacings: nan nan nan\n", None),
    ],
)
def test_spacings_of_nrrd(tmp_path, make_volume, lines, wanted) -> None:
    volume = make_volume("uint8")
    nz, ny, nx = volume.shape
    head = f"NRRD0004\ntype: uint8\ndimension: 3\nsizes: {nx} {ny} {nz}\nencoding: raw\n{lines}\n"
    path = tmp_path / "scan.nrrd"
    path.write_bytes(head.encode() + volume.tobytes())
    assert open_source(str(path)).header.voxel_um == wanted


@pytest.mark.parametrize("data", ["LIST\nplane0.raw\nplane1.raw", "plane%03d.raw 0 6 1"])
def test_metaimage_spread_over_files_is_refused(tmp_path, make_volume, data) -> None:
    path = tmp_path / "scan.mhd"
    path.write_text(meta_text(make_volume(), "BinaryData = True\n", data))
    with pytest.raises(SourceError, match="several files"):
        open_source(str(path))


@pytest.mark.parametrize("data", ["LIST\nplane0.raw\nplane1.raw", "plane%03d.raw 0 6 1"])
def test_nrrd_spread_over_files_is_refused(tmp_path, data) -> None:
    path = tmp_path / "scan.nhdr"
    head = "NRRD0004\ntype: uint8\ndimension: 3\nsizes: 5 4 2\nencoding: raw\n"
    path.write_text(f"{head}data file: {data}\n")
    with pytest.raises(SourceError, match="several files"):
        open_source(str(path))


@pytest.mark.parametrize("suffix", SUFFIXES)
@pytest.mark.parametrize("keep", [0.0, 0.05, 0.6, 0.99])
@pytest.mark.parametrize("compress", [False, True])
def test_truncated(tmp_path, make_volume, suffix, keep, compress) -> None:
    volume = make_volume("uint16", (9, 20, 30))
    path = write_image(tmp_path / f"scan{suffix}", volume, compress=compress)
    beside = [p for p in tmp_path.iterdir() if p != path]
    cut = beside[0] if beside else path
    stored = cut.read_bytes()
    cut.write_bytes(stored[: int(keep * len(stored))])
    # A compressed volume shows its end only when it is decoded.
    with pytest.raises(SourceError, match="scan"):
        open_source(str(path)).read(Box((0, 0, 0), volume.shape))


@pytest.mark.parametrize("suffix", [".mhd", ".nhdr"])
def test_missing_data_file_is_named(tmp_path, make_volume, suffix) -> None:
    path = write_image(tmp_path / f"scan{suffix}", make_volume())
    (tmp_path / "scan.raw").unlink()
    with pytest.raises(SourceError, match=r"scan\.raw"):
        open_source(str(path))


@pytest.mark.parametrize("suffix", [".mha", ".nrrd", ".nii"])
@pytest.mark.parametrize(
    ("image", "says"),
    [
        (np.zeros((4, 5), "uint16"), "2 axes"),
        (np.zeros((3, 4, 5), "float64"), "float64"),
        (np.zeros((3, 4, 5), "int32"), "int32"),
        (np.zeros((3, 4, 5), "int8"), "int8"),
    ],
)
def test_what_is_no_volume(tmp_path, suffix, image, says) -> None:
    path = tmp_path / f"scan{suffix}"
    sitk.WriteImage(sitk.GetImageFromArray(image), str(path))
    with pytest.raises(SourceError, match=says):
        open_source(str(path))


@pytest.mark.parametrize("suffix", [".mha", ".nrrd", ".nii"])
def test_colour_and_time_series_are_refused(tmp_path, suffix) -> None:
    path = tmp_path / f"scan{suffix}"
    colour = sitk.GetImageFromArray(np.zeros((3, 4, 5, 3), "uint8"), isVector=True)
    sitk.WriteImage(colour, str(path))
    with pytest.raises(SourceError, match="3 values a voxel"):
        open_source(str(path))
    series = sitk.JoinSeries([sitk.GetImageFromArray(np.zeros((3, 4, 5), "uint8"))] * 2)
    sitk.WriteImage(series, str(path))
    with pytest.raises(SourceError, match="4 axes"):
        open_source(str(path))


@pytest.mark.parametrize("suffix", SUFFIXES)
@pytest.mark.parametrize("content", [b"not an image at all", bytes(400), b"NRRD0004\n\n"])
def test_other_contents_under_these_suffixes(tmp_path, suffix, content) -> None:
    path = tmp_path / f"scan{suffix}"
    path.write_bytes(gzip.compress(content) if suffix.endswith("gz") else content)
    with pytest.raises(SourceError, match="scan"):
        open_source(str(path))


def test_cast_block(data_folder: Path) -> None:
    # OpenSciVis/engine.nii.gz of neurolabusc/VolumeRenderingData; counts at the Otsu threshold
    # were computed outside this project.
    path = data_folder / "cast-block-ct.nii.gz"
    source = open_source(str(path))
    assert source.header.shape == (128, 256, 256)
    assert source.header.dtype == "uint8"
    assert source.header.voxel_um == (1000.0, 1000.0, 1000.0)
    assert source.checksum() == f"sha256:{hashlib.sha256(path.read_bytes()).hexdigest()}"
    n_above = sum(
        int((source.read(Box((z, 0, 0), (z + 32, 256, 256))) > 68).sum()) for z in range(0, 128, 32)
    )
    assert n_above == 1_177_142
