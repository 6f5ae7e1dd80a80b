from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import SourceError
from pipeline.readers.slicenames import ordered_slices

FOLDER = Path("scan")


def test_natural_order_without_leading_zeros() -> None:
    names = [f"Slice{n}.tif" for n in (2, 10, 1, 11, 9, 8, 3, 4, 5, 6, 7)]
    assert ordered_slices(FOLDER, names) == [f"Slice{n}.tif" for n in range(1, 12)]


@given(
    n=st.integers(3, 40),
    first=st.integers(0, 2000),
    step=st.integers(1, 5),
    width=st.integers(0, 6),
    data=st.data(),
)
def test_a_lost_slice_is_named(n: int, first: int, step: int, width: int, data: st.DataObject):
    names = [f"a7_{first + k * step:0{width}d}.tif" for k in range(n)]
    assert ordered_slices(FOLDER, data.draw(st.permutations(names))) == names
    if n >= 4:
        lost = data.draw(st.integers(1, n - 2))
        with pytest.raises(SourceError, match=names[lost].removesuffix(".tif")) as caught:
            ordered_slices(FOLDER, names[:lost] + names[lost + 1 :])
        assert "1 of" in caught.value.what


def test_many_missing_slices_are_counted() -> None:
    names = [f"s{n:03d}.tif" for n in range(100) if n < 10 or n > 30]
    with pytest.raises(SourceError, match=r"lacks 21 of 100 slices: s010, s011.* and 16 more"):
        ordered_slices(FOLDER, names)


@pytest.mark.parametrize(
    ("names", "says"),
    [
        (["a_1.tif", "a_2.tif", "preview.tif"], "preview.tif"),
        (["a.tif", "b.tif"], "names do not belong"),
        (["a_1.tif", "a_01.tif", "a_2.tif"], "more than one series"),
        (["r1_1.tif", "r1_2.tif", "r2_1.tif", "r2_2.tif"], "more than one series"),
        (["a1.tif", "a1.tiff"], "no number"),
    ],
)
def test_what_is_no_single_series(names: list[str], says: str) -> None:
    with pytest.raises(SourceError, match=says):
        ordered_slices(FOLDER, names)
