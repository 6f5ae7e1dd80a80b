import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import SourceError
from pipeline.model.grid import Box
from pipeline.model.header import VolumeHeader
from pipeline.readers.flat import FlatSource

SHAPE = (4, 6, 9)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data(), order=st.sampled_from("<>"), offset=st.integers(0, 9))
def test_every_box_equals_a_slice(tmp_path, data, order, offset) -> None:
    volume = np.arange(np.prod(SHAPE), dtype="uint16").reshape(SHAPE)
    path = tmp_path / "volume"
    path.write_bytes(b"\0" * offset + volume.astype(f"{order}u2").tobytes())
    header = VolumeHeader(str(path), "raw", SHAPE, "uint16", None, path.stat().st_size)
    source = FlatSource(header, path, offset, order)
    start = [data.draw(st.integers(0, n)) for n in SHAPE]
    stop = [data.draw(st.integers(a, n)) for a, n in zip(start, SHAPE, strict=True)]
    box = Box(tuple(start), tuple(stop))
    np.testing.assert_array_equal(source.read(box), volume[box.slices])


def test_a_file_cut_after_opening_is_an_error_not_zeros(tmp_path) -> None:
    path = tmp_path / "volume"
    path.write_bytes(bytes(216))
    header = VolumeHeader(str(path), "raw", (6, 6, 6), "uint8", None, 216)
    source = FlatSource(header, path, 0, "|")
    assert source.read(Box((5, 5, 0), (6, 6, 6))).shape == (1, 1, 6)
    path.write_bytes(bytes(215))
    with pytest.raises(SourceError, match="ends 1 bytes early"):
        source.read(Box((5, 5, 0), (6, 6, 6)))
