import hashlib

import pytest

from pipeline.errors import SourceError
from pipeline.readers.filesource import BLOCK_BYTES, sha256_files


def test_checksum_is_that_of_the_contents_in_order(tmp_path) -> None:
    contents = [b"a" * (BLOCK_BYTES + 3), b"", b"bc"]
    paths = [tmp_path / str(k) for k in range(3)]
    for path, content in zip(paths, contents, strict=True):
        path.write_bytes(content)
    wanted = hashlib.sha256(b"".join(contents)).hexdigest()
    assert sha256_files(paths) == f"sha256:{wanted}"
    assert sha256_files(paths[::-1]) != f"sha256:{wanted}"


def test_named_checksum_tells_moved_boundaries(tmp_path) -> None:
    (tmp_path / "a").write_bytes(b"xy")
    (tmp_path / "b").write_bytes(b"z")
    paths = [tmp_path / "a", tmp_path / "b"]
    before = sha256_files(paths, ["a", "b"])
    record = b"a\0" + (2).to_bytes(8, "little") + b"xy" + b"b\0" + (1).to_bytes(8, "little") + b"z"
    assert before == f"sha256:{hashlib.sha256(record).hexdigest()}"
    (tmp_path / "a").write_bytes(b"x")
    (tmp_path / "b").write_bytes(b"yz")
    assert sha256_files(paths, ["a", "b"]) != before


def test_missing_file_is_named(tmp_path) -> None:
    with pytest.raises(SourceError, match="gone"):
        sha256_files([tmp_path / "gone"])
