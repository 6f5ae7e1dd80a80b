"""Volumes and checks that the tests of all readers share."""

import pickle
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.model.grid import Box
from pipeline.readers import Source

Check = Callable[[Source, NDArray[Any]], None]


@pytest.fixture
def make_volume() -> Callable[..., NDArray[Any]]:
    """Return a maker of random volumes that use the whole range of their type."""

    def make(dtype: str = "uint16", shape: tuple[int, ...] = (7, 11, 13)) -> NDArray[Any]:
        rng = np.random.default_rng(20240917)
        kind = np.dtype(dtype)
        if kind.kind == "f":
            return rng.normal(size=shape).astype(kind)
        limits = np.iinfo(kind)
        return rng.integers(limits.min, limits.max, shape, dtype=kind, endpoint=True)

    return make


@pytest.fixture
def check_source() -> Check:
    """Return a check that every box of a source, pickled or not, equals a slice of an array."""

    def check(source: Source, volume: NDArray[Any]) -> None:
        header = source.header
        assert isinstance(source, Source)
        assert header.shape == volume.shape
        assert header.dtype == volume.dtype.name
        assert header.n_bytes > 0
        twin = pickle.loads(pickle.dumps(source))
        assert twin.header == header
        rng = np.random.default_rng(7)
        nz, ny, nx = volume.shape
        boxes = [Box((0, 0, 0), volume.shape), Box((nz - 1, ny - 1, nx - 1), volume.shape)]
        boxes += [Box((1, 0, 0), (2, ny, nx)), Box((0, 1, 0), (nz, 2, nx))]
        for _ in range(12):
            a = [int(rng.integers(0, n)) for n in volume.shape]
            b = [int(rng.integers(s + 1, n + 1)) for s, n in zip(a, volume.shape, strict=True)]
            boxes.append(Box(tuple(a), tuple(b)))
        for number, box in enumerate(boxes):
            got = (source, twin)[number % 2].read(box)
            assert got.dtype == np.dtype(header.dtype)
            assert got.dtype.isnative
            assert got.flags.c_contiguous
            np.testing.assert_array_equal(got, volume[box.slices])
        # Once it was read, a source may hold an open file: it must still travel.
        again = pickle.loads(pickle.dumps(source))
        np.testing.assert_array_equal(again.read(boxes[0]), volume)
        checksum = source.checksum()
        assert checksum.startswith("sha256:")
        assert len(checksum) == 7 + 64
        assert twin.checksum() == checksum
        with pytest.raises(IndexError):
            source.read(Box((0, 0, 0), (nz + 1, ny, nx)))

    return check
