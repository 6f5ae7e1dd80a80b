"""Folders of objects, and what is said when the storage does not give them."""

import math

import pytest

from pipeline.errors import NotFoundError, StoreError, UsageError
from pipeline.stores.places import at_hand, need_disk, open_place, open_workspace, size_of


@pytest.fixture(scope="module")
def folder(storage):
    """Return a folder of three objects."""
    address = storage.bucket("folders")
    for key in ("a/b/0/x", "a/b/one.txt", "a/bc/two.txt"):
        storage.client.put_object(Bucket="folders", Key=key, Body=key.encode())
    return open_place(address + "//a/")


def test_a_folder_of_objects_is_read_like_a_folder(folder) -> None:
    assert str(folder) == "s3://folders/a"
    assert [inner.name for inner in folder.iterdir()] == ["b", "bc"]
    assert [str(inner) for inner in (folder / "b").iterdir()] == [
        "s3://folders/a/b/0",
        "s3://folders/a/b/one.txt",
    ]
    assert [inner.name for inner in (folder / "b").glob("[0-9]*")] == ["0"]
    assert (folder / "b").is_dir()
    assert not (folder / "b").is_file()
    assert not (folder / "c").is_dir()
    one = folder / "b/one.txt"
    assert one.is_file()
    assert one.read_text() == one.open().read().decode() == "a/b/one.txt"
    assert (size_of(one), size_of(folder / "none")) == (11, None)
    with pytest.raises(FileNotFoundError):
        (folder / "none").read_bytes()


def test_small_files_come_to_hand_and_errors_name_their_true_place(folder) -> None:
    with at_hand(folder, "b") as here:
        found = sorted(str(p.relative_to(here)) for p in here.rglob("*") if p.is_file())
        assert found == ["b/0/x", "b/one.txt"]
    assert not here.exists()
    with at_hand(folder, "b", "*.txt") as here:
        assert [p.name for p in here.rglob("*") if p.is_file()] == ["one.txt"]
    with (
        pytest.raises(NotFoundError, match="no job in s3://folders/a/b/jobs"),
        at_hand(folder, "b") as here,
    ):
        raise NotFoundError(f"no job in {here}/b/jobs.")


def test_what_writes_refuses_an_address_however_it_is_spelt(folder) -> None:
    for place in (folder, open_place("s3://folders/a")):
        with pytest.raises(UsageError, match=r"^s3://folders/a lies in object storage.*atomic"):
            need_disk(place)


def test_each_trouble_is_told_in_its_own_words(storage, monkeypatch) -> None:
    def told() -> str:
        with pytest.raises((StoreError, NotFoundError)) as caught:
            open_workspace("s3://folders-of-none/census")
        assert "\n" not in str(caught.value)
        return str(caught.value)

    assert "there is no such bucket" in told()
    storage.bucket("folders-of-none")
    assert "there is no workspace at s3://folders-of-none/census" in told()
    storage.check_keys(after=0)
    try:
        assert "refuses these credentials" in told()
    finally:
        storage.check_keys(after=math.inf)
    with monkeypatch.context() as patch:
        patch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
        assert "does not answer" in told()
        assert "AWS_ENDPOINT_URL" in told()
    with monkeypatch.context() as patch:
        patch.delenv("AWS_ACCESS_KEY_ID")
        patch.delenv("AWS_SECRET_ACCESS_KEY")
        # Where a machine of a cloud would answer; nobody does here.
        patch.setenv("AWS_METADATA_ENDPOINT", "http://127.0.0.1:9/169.254.169.254")
        assert "holds no credentials" in told()


def test_without_its_library_an_address_is_refused(monkeypatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "obstore.store", None)
    with pytest.raises(UsageError, match=r"pip install 'castcensus\[s3\]'"):
        open_place("s3://folders/a")
