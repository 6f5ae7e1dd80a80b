import json
import zlib
from pathlib import Path

import numpy as np
import pytest
import zarr

from pipeline.errors import SourceError
from pipeline.model.grid import Box
from pipeline.readers import ReadOptions, open_source


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "float32"])
@pytest.mark.parametrize("byte_order", "<>")
@pytest.mark.parametrize("version", [2, 3])
def test_plain_array(tmp_path, make_volume, check_source, dtype, byte_order, version) -> None:
    volume = make_volume(dtype)
    folder = tmp_path / "scan.zarr"
    if version == 2:
        array = zarr.create_array(
            folder,
            shape=volume.shape,
            dtype=volume.dtype.newbyteorder(byte_order),
            chunks=(3, 4, 5),
            zarr_format=2,
        )
    else:
        endian = "little" if byte_order == "<" else "big"
        array = zarr.create_array(
            folder,
            shape=volume.shape,
            dtype=dtype,
            chunks=(2, 4, 5),
            shards=(4, 8, 10),
            serializer=zarr.codecs.BytesCodec(endian=endian),
        )
    array[...] = volume
    source = open_source(str(folder))
    check_source(source, volume)
    assert source.header.voxel_um is None
    array.attrs["voxel_size"] = [3.0, 2.0, 1.0]
    array.attrs["units"] = "micrometer"
    assert open_source(str(folder)).header.voxel_um == (3.0, 2.0, 1.0)
    option = open_source(str(folder), ReadOptions(voxel_um=(1.0, 1.0, 1.0))).header
    assert (option.voxel_um, option.voxel_origin) == ((1.0, 1.0, 1.0), "option")


def write_ome(
    folder: Path, volume, *, version: str = "0.5", lead: str = "", unit="micrometer", scale=None
):
    """Write a two-level OME-Zarr image; `lead` names axes of one place before z, y, x."""
    group = zarr.create_group(folder, zarr_format=3 if version == "0.5" else 2)
    stored = volume[(None,) * len(lead)]
    for level, data in enumerate((stored, stored[..., ::2, ::2, ::2])):
        group.create_array(f"s{level}", data=data)
    types = {"t": "time", "c": "channel"}
    axes = [{"name": a, "type": types.get(a, "space")} for a in (*lead, "z", "y", "x")]
    for axis in axes:
        if axis["type"] == "space" and unit:
            axis["unit"] = unit
    scale = scale or [3.0, 2.0, 1.0]
    ones = [1.0] * len(lead)
    datasets = [
        {
            "path": f"s{level}",
            "coordinateTransformations": [
                {"type": "scale", "scale": ones + [s * 2**level for s in scale]},
                {"type": "translation", "translation": [0.0] * len(axes)},
            ],
        }
        for level in range(2)
    ]
    scales = [{"version": version, "axes": axes, "datasets": datasets}]
    group.attrs.update(
        {"ome": {"version": "0.5", "multiscales": scales}}
        if version == "0.5"
        else {"multiscales": scales}
    )
    return group


@pytest.mark.parametrize("version", ["0.4", "0.5"])
@pytest.mark.parametrize("lead", ["", "c", "tc"])
def test_ome_image_at_its_finest_level(tmp_path, make_volume, check_source, version, lead) -> None:
    volume = make_volume("int16")
    write_ome(tmp_path / "scan.zarr", volume, version=version, lead=lead)
    source = open_source(str(tmp_path / "scan.zarr"))
    check_source(source, volume)
    assert source.header.voxel_um == (3.0, 2.0, 1.0)
    assert source.header.voxel_origin == "file"


@pytest.mark.parametrize(
    ("unit", "um"), [("millimeter", 1e3), ("nanometer", 1e-3), ("angstrom", 1e-4)]
)
def test_units_of_the_axes(tmp_path, make_volume, unit, um) -> None:
    write_ome(tmp_path / "scan.zarr", make_volume(), unit=unit)
    assert open_source(str(tmp_path / "scan.zarr")).header.voxel_um == (3 * um, 2 * um, um)


def test_no_unit_no_voxel_size(tmp_path, make_volume) -> None:
    write_ome(tmp_path / "scan.zarr", make_volume(), unit="")
    assert open_source(str(tmp_path / "scan.zarr")).header.voxel_um is None


def test_scale_of_the_multiscale_multiplies(tmp_path, make_volume) -> None:
    group = write_ome(tmp_path / "scan.zarr", make_volume())
    ome = group.attrs["ome"]
    ome["multiscales"][0]["coordinateTransformations"] = [{"type": "scale", "scale": [1, 1, 0.5]}]
    group.attrs["ome"] = ome
    assert open_source(str(tmp_path / "scan.zarr")).header.voxel_um == (3.0, 2.0, 0.5)


def test_several_times_are_refused(tmp_path, make_volume) -> None:
    folder = tmp_path / "scan.zarr"
    group = write_ome(folder, make_volume(), lead="t")
    del group["s0"]
    group.create_array("s0", data=np.zeros((2, 3, 4, 5), "uint16"))
    with pytest.raises(SourceError, match="4 axes"):
        open_source(str(folder))


def test_axes_in_another_order_are_refused(tmp_path, make_volume) -> None:
    group = write_ome(tmp_path / "scan.zarr", make_volume())
    ome = group.attrs["ome"]
    ome["multiscales"][0]["axes"].reverse()
    group.attrs["ome"] = ome
    with pytest.raises(SourceError, match="axes x, y, z, wanted z, y, x"):
        open_source(str(tmp_path / "scan.zarr"))


def test_group_of_one_array_and_of_several(tmp_path, make_volume, check_source) -> None:
    volume = make_volume()
    folder = tmp_path / "scan.zarr"
    group = zarr.create_group(folder)
    with pytest.raises(SourceError, match="holds 0 arrays"):
        open_source(str(folder))
    group.create_array("a", data=volume)
    group.create_array("profile", data=np.zeros(5))
    group.attrs["voxel_um"] = 2.0
    source = open_source(str(folder))
    check_source(source, volume)
    assert source.header.voxel_um == (2.0, 2.0, 2.0)
    group.create_array("b", data=volume + 1)
    with pytest.raises(SourceError, match=r"2 arrays of three axes: . .7, 11, 13., .") as caught:
        open_source(str(folder))
    assert caught.value.remedy
    check_source(open_source(str(folder / "b")), volume + 1)


@pytest.mark.parametrize(
    ("stored", "says"),
    [
        (np.zeros((4, 5), "uint16"), "2 axes"),
        (np.zeros((1, 2, 4, 5), "uint16"), "4 axes"),
        (np.zeros((3, 4, 5)), "float64"),
    ],
)
def test_what_is_no_volume(tmp_path, stored, says) -> None:
    zarr.create_array(tmp_path / "scan.zarr", data=stored)
    with pytest.raises(SourceError, match=says):
        open_source(str(tmp_path / "scan.zarr"))


@pytest.mark.parametrize("text", ["", "{", "[]", '{"zarr_format": 3}', '{"zarr_format": 9}'])
def test_unreadable_metadata(tmp_path, text) -> None:
    (tmp_path / "scan.zarr").mkdir()
    (tmp_path / "scan.zarr/zarr.json").write_text(text)
    with pytest.raises(SourceError, match=r"scan\.zarr"):
        open_source(str(tmp_path / "scan.zarr"))


@pytest.mark.parametrize(
    "attributes",
    [
        {"multiscales": [{}]},
        {"multiscales": [{"datasets": []}]},
        {"multiscales": [{"datasets": [{"path": "gone"}]}]},
        {"multiscales": ["text"]},
    ],
)
def test_broken_multiscales(tmp_path, attributes) -> None:
    zarr.create_group(tmp_path / "scan.zarr", attributes={"ome": attributes})
    with pytest.raises(SourceError, match=r"scan\.zarr"):
        open_source(str(tmp_path / "scan.zarr"))


def test_damaged_chunk_is_an_error(tmp_path, make_volume) -> None:
    volume = make_volume()
    folder = tmp_path / "scan.zarr"
    zarr.create_array(
        folder, data=volume, chunks=volume.shape, compressors=[zarr.codecs.Crc32cCodec()]
    )
    chunk = folder / "c/0/0/0"
    stored = bytearray(chunk.read_bytes())
    stored[5] ^= 0xFF
    chunk.write_bytes(stored)
    source = open_source(str(folder))
    with pytest.raises(SourceError, match="cannot be read"):
        source.read(Box((0, 0, 0), volume.shape))


def test_checksum_covers_names_and_contents(tmp_path, make_volume) -> None:
    folder = tmp_path / "scan.zarr"
    array = zarr.create_array(folder, data=make_volume(), chunks=(7, 11, 7))
    source = open_source(str(folder))
    before = source.checksum()
    array[0, 0, 0] ^= np.uint16(1)
    changed = source.checksum()
    assert changed != before
    (folder / "c/0/0/1").rename(folder / "c/0/0/2")
    assert source.checksum() not in {before, changed}


def write_ome_04(folder: Path, volume, *, collection: bool = False) -> Path:
    """Write an OME-Zarr 0.4 image byte by byte, as its specification and that of Zarr 2 say."""
    image = folder / "0" if collection else folder
    chunks = (1, 1, 4, 6, 8)
    axes = [{"name": "t", "type": "time"}, {"name": "c", "type": "channel"}]
    axes += [{"name": a, "type": "space", "unit": "micrometer"} for a in "zyx"]
    levels = [
        {
            "path": str(level),
            "coordinateTransformations": [
                {"type": "scale", "scale": [1, 1, 3.0, 2.0 * 2**level, 1.0 * 2**level]}
            ],
        }
        for level in range(2)
    ]
    for level, data in enumerate((volume, volume[:, ::2, ::2])):
        place = image / str(level)
        place.mkdir(parents=True)
        shape = (1, 1, *data.shape)
        stated = {
            "zarr_format": 2,
            "shape": shape,
            "chunks": chunks,
            "dtype": ">u2",
            "compressor": {"id": "zlib", "level": 1},
            "fill_value": 0,
            "filters": None,
            "order": "C",
            "dimension_separator": "/",
        }
        (place / ".zarray").write_text(json.dumps(stated))
        padded = np.zeros([-(-n // c) * c for n, c in zip(data.shape, chunks[2:], strict=True)])
        padded[tuple(slice(0, n) for n in data.shape)] = data
        for z, y, x in np.ndindex(*(n // c for n, c in zip(padded.shape, chunks[2:], strict=True))):
            part = padded[4 * z : 4 * z + 4, 6 * y : 6 * y + 6, 8 * x : 8 * x + 8].astype(">u2")
            chunk = place / "0" / "0" / str(z) / str(y) / str(x)
            chunk.parent.mkdir(parents=True, exist_ok=True)
            chunk.write_bytes(zlib.compress(part.tobytes(), 1))
    (image / ".zgroup").write_text('{"zarr_format": 2}')
    scales = {"multiscales": [{"version": "0.4", "axes": axes, "datasets": levels}]}
    (image / ".zattrs").write_text(json.dumps(scales))
    if collection:
        (folder / ".zgroup").write_text('{"zarr_format": 2}')
        (folder / ".zattrs").write_text('{"bioformats2raw.layout": 3}')
    return folder


@pytest.mark.parametrize("collection", [False, True])
def test_version_04_as_its_specification_says(
    tmp_path, make_volume, check_source, collection
) -> None:
    volume = make_volume()
    folder = write_ome_04(tmp_path / "scan.zarr", volume, collection=collection)
    source = open_source(str(folder))
    check_source(source, volume)
    assert source.header.voxel_um == (3.0, 2.0, 1.0)
    damaged = next(p for p in folder.rglob("0/0/0/0/0") if p.is_file())
    damaged.write_bytes(damaged.read_bytes()[:20])
    with pytest.raises(SourceError, match="cannot be read"):
        source.read(Box((0, 0, 0), (1, 1, 1)))


def test_collection_of_several_images_names_them(tmp_path, make_volume) -> None:
    folder = write_ome_04(tmp_path / "scan.zarr", make_volume(), collection=True)
    write_ome_04(folder / "1", make_volume())
    with pytest.raises(SourceError, match="groups: 0, 1"):
        open_source(str(folder))
    assert open_source(str(folder / "1")).header.voxel_um == (3.0, 2.0, 1.0)
