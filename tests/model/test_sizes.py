import pytest

from pipeline.errors import UsageError
from pipeline.model.sizes import parse_bytes


@pytest.mark.parametrize(
    ("text", "n_bytes"),
    [("1", 1), ("3 B", 3), ("500MB", 500 * 10**6), ("2gib", 2 << 30), ("1.5 KiB", 1536), (7, 7)],
)
def test_sizes(text, n_bytes):
    assert parse_bytes(text) == n_bytes


@pytest.mark.parametrize(
    "text", ["", "big", "GiB", "0", "-3MB", "2 parsecs", "1e9", "1XB", "nan", "5i", "0.2"]
)
def test_size_that_cannot_be_meant_is_refused(text):
    with pytest.raises(UsageError, match="no size"):
        parse_bytes(text)
