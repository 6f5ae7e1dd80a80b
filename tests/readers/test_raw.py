import numpy as np
import pytest
import yaml

from pipeline.errors import SourceError
from pipeline.readers import ReadOptions, open_source


def write_raw(path, volume, byte_order="little", offset_bytes=0, **keys):
    known = byte_order if byte_order in {"little", "big"} else "little"
    stored = volume.astype(volume.dtype.newbyteorder(known))
    path.write_bytes(b"\x55" * max(offset_bytes, 0) + stored.tobytes())
    stated = {
        "shape": list(volume.shape),
        "dtype": volume.dtype.name,
        "byte_order": byte_order,
        "offset_bytes": offset_bytes,
        **keys,
    }
    path.with_name(path.name + ".yaml").write_text(yaml.safe_dump(stated))
    return path


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "float32"])
@pytest.mark.parametrize("byte_order", ["little", "big"])
@pytest.mark.parametrize("offset_bytes", [0, 37])
def test_sidecar(tmp_path, make_volume, check_source, dtype, byte_order, offset_bytes) -> None:
    volume = make_volume(dtype)
    path = write_raw(tmp_path / "scan.raw", volume, byte_order, offset_bytes)
    source = open_source(str(path))
    check_source(source, volume)
    assert source.header.voxel_um is None


def test_options_without_and_before_the_sidecar(tmp_path, make_volume, check_source) -> None:
    volume = make_volume("uint16", (6, 5, 4))
    path = tmp_path / "scan.dat"
    path.write_bytes(b"\0" * 8 + volume.astype(">u2").tobytes())
    options = ReadOptions(
        shape=(6, 5, 4), dtype="uint16", byte_order="big", offset_bytes=8, voxel_um=(3.0, 2.0, 1.0)
    )
    source = open_source(str(path), options)
    check_source(source, volume)
    assert source.header.voxel_um == (3.0, 2.0, 1.0)
    write_raw(path, volume, voxel_um=5.0)
    assert open_source(str(path)).header.voxel_um == (5.0, 5.0, 5.0)
    turned = open_source(str(path), ReadOptions(shape=(4, 5, 6), voxel_um=(1.0, 1.0, 1.0)))
    assert turned.header.voxel_um == (1.0, 1.0, 1.0)
    check_source(turned, volume.reshape(4, 5, 6))


@pytest.mark.parametrize("voxel", [2.0, [4.0, 2.0, 2.0], "2.0 um"])
def test_voxel_size_of_the_sidecar(tmp_path, make_volume, voxel) -> None:
    path = write_raw(tmp_path / "scan.raw", make_volume(), voxel_um=voxel)
    header = open_source(str(path)).header
    assert header.voxel_um == ((4.0, 2.0, 2.0) if isinstance(voxel, list) else (2.0, 2.0, 2.0))
    assert header.voxel_origin == "file"


@pytest.mark.parametrize(("n", "word"), [(-1, "shorter"), (-100, "shorter"), (1, "longer")])
def test_shorter_or_longer_than_the_shape(tmp_path, make_volume, n, word) -> None:
    path = write_raw(tmp_path / "scan.raw", make_volume())
    stored = path.read_bytes()
    wanted = len(stored)
    path.write_bytes(stored[:n] if n < 0 else stored + b"\0" * n)
    with pytest.raises(SourceError, match=f"{word}.*got {wanted + n} bytes, wanted {wanted}"):
        open_source(str(path))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"pixel_type": "u2"}, "unknown key pixel_type"),
        ({"shape": None}, "unknown shape"),
        ({"dtype": None}, "unknown dtype"),
        ({"shape": [11, 13]}, "2 axes"),
        ({"shape": [1, 7, 11, 13]}, "4 axes"),
        ({"shape": "7x11x13"}, "three whole numbers"),
        ({"shape": [7.0, 11, 13]}, "three whole numbers"),
        ({"shape": [0, 11, 13]}, "empty"),
        ({"dtype": "float64"}, "one of uint8"),
        ({"dtype": ["uint16"]}, "one of uint8"),
        ({"byte_order": "middle"}, "little or big"),
        ({"offset_bytes": -1}, "at least 0"),
        ({"voxel_um": [1.0, 2.0]}, "one number or three"),
        ({"voxel_um": 0.0}, "not positive"),
        ({"voxel_um": -2.0}, "not positive"),
    ],
)
def test_bad_descriptions(tmp_path, make_volume, change, says) -> None:
    path = write_raw(tmp_path / "scan.raw", make_volume(), **change)
    with pytest.raises(SourceError, match=says) as caught:
        open_source(str(path))
    assert caught.value.exit_code == 2


@pytest.mark.parametrize("text", ["[1, 2]", "just words", "shape: [1, 2", "\x00"])
def test_sidecar_that_is_no_mapping(tmp_path, make_volume, text) -> None:
    path = write_raw(tmp_path / "scan.raw", make_volume())
    (tmp_path / "scan.raw.yaml").write_text(text)
    with pytest.raises(SourceError, match=r"scan\.raw\.yaml"):
        open_source(str(path))


def test_no_description_names_the_remedy(tmp_path) -> None:
    (tmp_path / "scan.raw").write_bytes(np.zeros(10).tobytes())
    with pytest.raises(SourceError, match="unknown shape and dtype") as caught:
        open_source(str(tmp_path / "scan.raw"))
    assert "scan.raw.yaml" in caught.value.remedy
