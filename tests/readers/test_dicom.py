from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import (
    CTImageStorage,
    EnhancedCTImageStorage,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLosslessSV1,
    JPEGLSLossless,
    MediaStorageDirectoryStorage,
    RLELossless,
    generate_uid,
)

from pipeline.errors import SourceError
from pipeline.model.grid import Box
from pipeline.readers import ReadOptions, open_source

SERIES = generate_uid()
NUMBERS = list(range(1, 8))


def base(path: Path, plane, syntax=ExplicitVRLittleEndian, *, series=SERIES, sop=CTImageStorage):
    """Return a file of 16-bit (or 8-bit) pixels, without geometry."""
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = syntax
    meta.MediaStorageSOPClassUID = sop
    meta.MediaStorageSOPInstanceUID = generate_uid()
    ds = FileDataset(
        str(path),
        {},
        file_meta=meta,
        preamble=b"\0" * 128,
        is_implicit_VR=syntax.is_implicit_VR,
        is_little_endian=syntax.is_little_endian,
    )
    ds.SOPClassUID, ds.SOPInstanceUID = sop, meta.MediaStorageSOPInstanceUID
    ds.SeriesInstanceUID, ds.Modality = series, "CT"
    ds.PatientName = "Bracket^07"
    ds.Rows, ds.Columns = plane.shape[-2:]
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    bits = plane.dtype.itemsize * 8
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = bits, bits, bits - 1
    ds.PixelRepresentation = int(plane.dtype.kind == "i")
    order = ">" if syntax == ExplicitVRBigEndian else "<"
    stored = plane.astype(plane.dtype.newbyteorder(order)).tobytes()
    ds.PixelData = stored + b"\0" * (len(stored) % 2)
    ds["PixelData"].VR = "OB" if bits == 8 else "OW"
    return ds


def save(ds, path: Path) -> Path:
    ds.save_as(path, enforce_file_format=True)
    return path


def write_series(
    folder: Path,
    volume,
    *,
    syntax=ExplicitVRLittleEndian,
    step_mm=0.004,
    change=lambda ds, k: None,
    suffix=".dcm",
):
    """Write a series whose names are in another order than its planes."""
    folder.mkdir(exist_ok=True)
    for k, plane in enumerate(volume):
        path = folder / f"{(k * 5) % len(volume):03d}{suffix}"
        ds = base(path, plane, syntax)
        ds.InstanceNumber = k + 1
        ds.ImageOrientationPatient = [1, 0, 0, 0, 1, 0]
        ds.ImagePositionPatient = [0, 0, f"{-1 + step_mm * k:.6f}"]
        ds.PixelSpacing = ["0.002", "0.001"]
        ds.RescaleSlope, ds.RescaleIntercept = 1, 0
        change(ds, k)
        save(ds, path)
    return folder


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16"])
@pytest.mark.parametrize(
    "syntax",
    [ExplicitVRLittleEndian, ImplicitVRLittleEndian, ExplicitVRBigEndian],
    ids=lambda uid: uid.name,
)
def test_series(tmp_path, make_volume, check_source, dtype, syntax) -> None:
    volume = make_volume(dtype)
    source = open_source(str(write_series(tmp_path / "scan", volume, syntax=syntax)))
    check_source(source, volume)
    assert source.header.format == "dicom"
    assert source.header.voxel_um == pytest.approx((4.0, 2.0, 1.0), rel=1e-9)
    assert source.header.voxel_origin == "file"
    assert "Bracket" not in str(source.header)
    option = open_source(str(tmp_path / "scan"), ReadOptions(voxel_um=(1.0, 1.0, 1.0))).header
    assert (option.voxel_um, option.voxel_origin) == ((1.0, 1.0, 1.0), "option")


@pytest.mark.parametrize("suffix", [".dcm", "", ".IMA", ".0001"])
def test_names_and_an_index_beside_the_slices(tmp_path, make_volume, check_source, suffix) -> None:
    volume = make_volume()
    folder = write_series(tmp_path / "scan", volume, suffix=suffix)
    ds = base(folder / "DICOMDIR", volume[0], sop=MediaStorageDirectoryStorage)
    for name in ("Rows", "Columns", "PixelData"):
        del ds[name]
    save(ds, folder / "DICOMDIR")
    (folder / "notes.txt").write_text("calibrated")
    check_source(open_source(str(folder)), volume)


def test_planes_are_ordered_along_the_normal_not_by_number(
    tmp_path, make_volume, check_source
) -> None:
    volume = make_volume()

    def tilt(ds, k) -> None:
        # Rows along y, columns along z: the normal is x.  Numbers run the other way.
        ds.ImageOrientationPatient = [0, 1, 0, 0, 0, 1]
        ds.ImagePositionPatient = [f"{0.1 + 0.003 * k:.4f}", 5, 7]
        ds.InstanceNumber = 100 - k

    source = open_source(str(write_series(tmp_path / "scan", volume, change=tilt)))
    check_source(source, volume)
    assert source.header.voxel_um == pytest.approx((3.0, 2.0, 1.0), rel=1e-9)


@pytest.mark.parametrize(
    ("stored", "bits", "slope", "intercept", "wanted"),
    [
        ("uint16", 12, 1, -1024, "int16"),
        ("int16", 16, 1, 0, "int16"),
        ("int16", 12, 1, -500, "int16"),
        ("uint8", 8, 1, -10, "int16"),
        ("uint16", 16, 1, 0, "uint16"),
        ("uint16", 16, 1, -1024, "float32"),
        ("uint16", 16, 0.5, 0, "float32"),
        ("int16", 16, 2, 10, "float32"),
        ("uint16", 12, 1, 0.25, "float32"),
    ],
)
def test_rescale(tmp_path, make_volume, check_source, stored, bits, slope, intercept, wanted):
    volume = make_volume(stored) >> np.dtype(stored).itemsize * 8 - bits
    volume = volume.astype(stored)

    def scale(ds, k) -> None:
        ds.BitsStored, ds.HighBit = bits, bits - 1
        ds.RescaleSlope, ds.RescaleIntercept = slope, intercept

    source = open_source(str(write_series(tmp_path / "scan", volume, change=scale)))
    check_source(source, (volume * float(slope) + intercept).astype(wanted))


def test_rescale_of_each_plane(tmp_path, make_volume, check_source) -> None:
    volume = make_volume()

    def scale(ds, k) -> None:
        ds.RescaleSlope = 1 + k

    factors = np.arange(1, 8, dtype=np.float64)[:, None, None]
    source = open_source(str(write_series(tmp_path / "scan", volume, change=scale)))
    check_source(source, (volume * factors).astype("float32"))


def test_bits_above_the_value_do_not_count(tmp_path, make_volume, check_source) -> None:
    value = make_volume("int16") >> 4

    def mark(ds, k) -> None:
        ds.BitsStored, ds.HighBit = 12, 11

    dirty = (value & 0x0FFF | 0x5000).astype("int16")
    check_source(open_source(str(write_series(tmp_path / "scan", dirty, change=mark))), value)


ENCODERS = {
    JPEGLosslessSV1: imagecodecs.ljpeg_encode,
    JPEGLSLossless: imagecodecs.jpegls_encode,
    JPEG2000Lossless: lambda plane: imagecodecs.jpeg2k_encode(
        plane, level=0, codecformat="j2k", reversible=True
    ),
}


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16"])
@pytest.mark.parametrize("syntax", [*ENCODERS, RLELossless], ids=lambda uid: uid.name)
def test_encoded_series(tmp_path, make_volume, check_source, dtype, syntax) -> None:
    volume = make_volume(dtype)

    def encode(ds, k) -> None:
        if syntax == RLELossless:
            ds.compress(RLELossless, encoding_plugin="pydicom", generate_instance_uid=False)
            return
        plane = volume[k].view(f"u{volume.itemsize}")
        ds.file_meta.TransferSyntaxUID = syntax
        ds.PixelData = encapsulate([ENCODERS[syntax](plane)])
        ds["PixelData"].VR = "OB"

    source = open_source(str(write_series(tmp_path / "scan", volume, change=encode)))
    check_source(source, volume)
    assert source.header.attributes["encoding"]


def enhanced(path: Path, volume, order, syntax=ExplicitVRLittleEndian):
    """Return an enhanced CT image whose frames are stored in another order."""
    ds = base(path, volume[order], syntax, sop=EnhancedCTImageStorage)
    ds.NumberOfFrames = len(order)
    measures, plane, value = Dataset(), Dataset(), Dataset()
    measures.PixelSpacing = ["0.002", "0.001"]
    measures.SliceThickness = "0.009"
    plane.ImageOrientationPatient = [1, 0, 0, 0, 1, 0]
    value.RescaleSlope, value.RescaleIntercept, value.RescaleType = 1, 0, "US"
    shared = Dataset()
    shared.PixelMeasuresSequence = [measures]
    shared.PlaneOrientationSequence = [plane]
    shared.PixelValueTransformationSequence = [value]
    ds.SharedFunctionalGroupsSequence = [shared]
    groups = []
    for k in order:
        own, position, content = Dataset(), Dataset(), Dataset()
        position.ImagePositionPatient = [0, 0, f"{0.004 * k:.3f}"]
        content.InStackPositionNumber = int(k) + 1
        own.PlanePositionSequence, own.FrameContentSequence = [position], [content]
        groups.append(own)
    ds.PerFrameFunctionalGroupsSequence = groups
    return ds


def test_multi_frame_file(tmp_path, make_volume, check_source) -> None:
    volume = make_volume("int16")
    path = save(
        enhanced(tmp_path / "scan.dcm", volume, [3, 0, 6, 1, 2, 5, 4]), tmp_path / "scan.dcm"
    )
    for spec in (path, tmp_path):
        source = open_source(str(spec))
        check_source(source, volume)
        assert source.header.voxel_um == pytest.approx((4.0, 2.0, 1.0), rel=1e-9)
    path.rename(tmp_path / "scan")
    check_source(open_source(str(tmp_path / "scan")), volume)


def test_multi_frame_file_encoded(tmp_path, make_volume, check_source) -> None:
    volume, order = make_volume(), [3, 0, 6, 1, 2, 5, 4]
    ds = enhanced(tmp_path / "scan.dcm", volume, order)
    ds.file_meta.TransferSyntaxUID = JPEGLSLossless
    ds.PixelData = encapsulate([imagecodecs.jpegls_encode(volume[k]) for k in order])
    ds["PixelData"].VR = "OB"
    check_source(open_source(str(save(ds, tmp_path / "scan.dcm"))), volume)


def test_volume_in_several_multi_frame_files(tmp_path, make_volume, check_source) -> None:
    volume = make_volume()
    for name, order in (("a.dcm", [6, 4, 5]), ("b.dcm", [0, 1, 2, 3])):
        save(enhanced(tmp_path / name, volume, order), tmp_path / name)
    check_source(open_source(str(tmp_path)), volume)


def test_float_pixels(tmp_path, make_volume, check_source) -> None:
    volume = make_volume("float32")

    def put(ds, k) -> None:
        del ds.PixelData
        ds.FloatPixelData = volume[k].astype("<f4").tobytes()
        ds.BitsAllocated = 32
        for name in ("BitsStored", "HighBit", "PixelRepresentation"):
            del ds[name]

    source = open_source(str(write_series(tmp_path / "scan", volume.astype("uint16"), change=put)))
    check_source(source, volume)


def test_without_positions_numbers_count_and_thickness_is_no_distance(
    tmp_path, make_volume, check_source
) -> None:
    volume = make_volume()

    def strip(ds, k) -> None:
        del ds.ImagePositionPatient
        ds.SliceThickness = "0.005"

    source = open_source(str(write_series(tmp_path / "a", volume, change=strip)))
    check_source(source, volume)
    assert source.header.voxel_um is None

    def state(ds, k) -> None:
        strip(ds, k)
        ds.SpacingBetweenSlices = "0.005"

    header = open_source(str(write_series(tmp_path / "b", volume, change=state))).header
    assert header.voxel_um == pytest.approx((5.0, 2.0, 1.0))
    (tmp_path / "b" / f"{(3 * 5) % 7:03d}.dcm").unlink()
    with pytest.raises(SourceError, match="lacks 1 planes: numbers 4"):
        open_source(str(tmp_path / "b"))


def test_no_pixel_spacing_no_voxel_size(tmp_path, make_volume) -> None:
    def strip(ds, k) -> None:
        del ds.PixelSpacing

    folder = write_series(tmp_path / "scan", make_volume(), change=strip)
    assert open_source(str(folder)).header.voxel_um is None


def test_positions_written_to_few_places(tmp_path, make_volume, check_source) -> None:
    volume = make_volume()

    def write(ds, k) -> None:
        # 2.5 um apart, written to micrometres: 0.000, 0.003, 0.005, 0.008, ...
        ds.ImagePositionPatient = [0, 0, f"{(25 * k + 5) // 10 / 1000:.3f}"]

    folder = write_series(tmp_path / "scan", volume, change=write)
    source = open_source(str(folder))
    check_source(source, volume)
    assert source.header.voxel_um[0] == pytest.approx(2.5, rel=0.01)
    (folder / f"{(3 * 5) % 7:03d}.dcm").unlink()
    with pytest.raises(SourceError, match=r"lacks planes|unevenly spaced"):
        open_source(str(folder))


def refused(tmp_path, volume, says, change=lambda ds, k: None, **how) -> SourceError:
    with pytest.raises(SourceError, match=says) as caught:
        open_source(str(write_series(tmp_path / "scan", volume, change=change, **how)))
    assert caught.value.remedy
    return caught.value


@pytest.mark.parametrize("lost", [[1], [2, 3], [5]])
def test_a_gap_is_found_by_position(tmp_path, make_volume, lost) -> None:
    folder = write_series(tmp_path / "scan", make_volume())
    for k in lost:
        (folder / f"{(k * 5) % 7:03d}.dcm").unlink()
    before, after = (f"{(k * 5) % 7:03d}.dcm" for k in (lost[0] - 1, lost[-1] + 1))
    with pytest.raises(SourceError, match=f"{len(lost)} between {before} and {after}") as caught:
        open_source(str(folder))
    assert "0.004 mm apart" in caught.value.what


def test_mixed_series_are_refused_with_their_uids(tmp_path, make_volume) -> None:
    other = generate_uid()

    def mix(ds, k) -> None:
        ds.SeriesInstanceUID = other if k == 2 else SERIES

    error = refused(tmp_path, make_volume(), "holds 2 series", mix)
    assert f"{SERIES} (6 files)" in error.what
    assert f"{other} (1 files)" in error.what


def bump(name, value, at=3):
    def change(ds, k) -> None:
        if k == at:
            setattr(ds, name, value)

    return change


def wider(ds, k) -> None:
    if k == 3:
        ds.Columns, ds.PixelData = 14, b"\0" * 2 * 11 * 14


@pytest.mark.parametrize(
    ("says", "change"),
    [
        ("two planes at one place", bump("ImagePositionPatient", [0, 0, "-0.992000"])),
        ("unevenly spaced", bump("ImagePositionPatient", [0, 0, "-0.989000"])),
        ("different direction", bump("ImageOrientationPatient", [0, 1, 0, 0, 0, 1])),
        ("different pixel spacing", bump("PixelSpacing", ["0.002", "0.002"])),
        ("11 x 14 pixels", wider),
        ("of 12 bits", bump("BitsStored", 12)),
        ("is no grey-scale image: 1 samples", bump("PhotometricInterpretation", "PALETTE COLOR")),
        ("no readable DICOM", bump("RescaleSlope", 0)),
        ("by a table", bump("ModalityLUTSequence", [Dataset()])),
        ("pixels of 32 bits", bump("BitsAllocated", 32)),
    ],
)
def test_what_is_no_volume(tmp_path, make_volume, says, change) -> None:
    if "of 12 bits" in says:
        fixed = change

        def change(ds, k) -> None:
            fixed(ds, k)
            ds.HighBit = ds.BitsStored - 1

    refused(tmp_path, make_volume(), says, change)


def test_lossy_baseline_is_refused_by_name(tmp_path, make_volume) -> None:
    def encode(ds, k) -> None:
        ds.file_meta.TransferSyntaxUID = JPEGBaseline8Bit
        ds.PixelData = encapsulate([imagecodecs.jpeg8_encode(make_volume("uint8")[k])])
        ds["PixelData"].VR = "OB"

    refused(tmp_path, make_volume("uint8"), "JPEG Baseline", encode)


def test_single_slice_by_name_and_alone_in_its_folder(tmp_path, make_volume) -> None:
    folder = write_series(tmp_path / "scan", make_volume())
    with pytest.raises(SourceError, match="is one slice") as caught:
        open_source(str(folder / "000.dcm"))
    assert str(folder) in caught.value.remedy
    for path in sorted(folder.iterdir())[1:]:
        path.unlink()
    with pytest.raises(SourceError, match="single slice"):
        open_source(str(folder))


@pytest.mark.parametrize("keep", [0.0, 0.2, 0.8, 0.99])
def test_truncated_slice_is_named(tmp_path, make_volume, keep) -> None:
    folder = write_series(tmp_path / "scan", make_volume())
    path = folder / "003.dcm"
    stored = path.read_bytes()
    path.write_bytes(stored[: int(keep * len(stored))])
    with pytest.raises(SourceError, match=r"003\.dcm"):
        open_source(str(folder))


def test_damaged_encoding_is_an_error_not_zeros(tmp_path, make_volume) -> None:
    volume = make_volume()

    def encode(ds, k) -> None:
        ds.compress(RLELossless, encoding_plugin="pydicom", generate_instance_uid=False)
        if k == 3:
            short = imagecodecs.packbits_encode(volume[k].tobytes()[:100])
            header = np.array([2, 64, 64 + len(short)] + [0] * 13, "<u4").tobytes()
            ds.PixelData = encapsulate([header + short + short])

    source = open_source(str(write_series(tmp_path / "scan", volume, change=encode)))
    np.testing.assert_array_equal(source.read(Box((0, 0, 0), (3, 11, 13))), volume[:3])
    with pytest.raises(SourceError, match="cannot be read"):
        source.read(Box((0, 0, 0), (4, 11, 13)))


def test_checksum_follows_the_planes_not_the_names(tmp_path, make_volume) -> None:
    folder = write_series(tmp_path / "scan", make_volume())
    before = open_source(str(folder)).checksum()
    (folder / "000.dcm").rename(folder / "zzz.dcm")
    assert open_source(str(folder)).checksum() == before
