import numpy as np
import pytest

from pipeline.errors import SourceError
from pipeline.readers import open_source


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "float32"])
@pytest.mark.parametrize("byte_order", "<>")
@pytest.mark.parametrize("order", "CF")
def test_npy(tmp_path, make_volume, check_source, dtype, byte_order, order) -> None:
    volume = make_volume(dtype)
    stored = np.asarray(volume, dtype=np.dtype(dtype).newbyteorder(byte_order), order=order)
    np.save(tmp_path / "scan.npy", stored)
    source = open_source(str(tmp_path / "scan.npy"))
    check_source(source, volume)
    assert source.header.voxel_um is None


@pytest.mark.parametrize(
    ("stored", "says"),
    [
        (np.zeros((4, 5), "u2"), "2 axes"),
        (np.zeros((1, 4, 5, 6), "u2"), "4 axes"),
        (np.zeros((4, 5, 6)), "float64"),
        (np.zeros((0, 5, 6), "u2"), "empty"),
        (np.zeros((4, 5, 6), complex), "complex128"),
        (np.array([[[None]]]), "object"),
    ],
)
def test_what_is_no_volume(tmp_path, stored, says) -> None:
    np.save(tmp_path / "scan.npy", stored, allow_pickle=True)
    with pytest.raises(SourceError, match=says):
        open_source(str(tmp_path / "scan.npy"))


@pytest.mark.parametrize("change", [lambda b: b[:-1], lambda b: b + b"0", lambda b: b[:20]])
def test_truncated_or_too_long(tmp_path, make_volume, change) -> None:
    path = tmp_path / "scan.npy"
    np.save(path, make_volume())
    path.write_bytes(change(path.read_bytes()))
    with pytest.raises(SourceError, match=r"scan\.npy"):
        open_source(str(path))


def test_other_contents_under_this_suffix(tmp_path) -> None:
    (tmp_path / "scan.npy").write_bytes(b"not an array")
    with pytest.raises(SourceError, match=r"not a readable \.npy"):
        open_source(str(tmp_path / "scan.npy"))
