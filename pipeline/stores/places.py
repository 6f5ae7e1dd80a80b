"""Places that are no folders on a disk: a workspace in S3-compatible object storage, to be read.

What writes a workspace builds on renames, locks and hard links, which object storage lacks, so such
a place is only read; `pipeline.stores.transfer` fills it.  The endpoint and the credentials are
what the AWS_* variables of the environment say, and are kept nowhere.
"""

from __future__ import annotations

import io
import re
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from pipeline.errors import CastcensusError, NotFoundError, StoreError, UsageError

if TYPE_CHECKING:
    from obstore.store import S3Store

SCHEME = "s3://"

N_AT_ONCE = 8
"""Objects under way at once."""

_ADDRESS = re.compile(r"s3:/+(?P<bucket>[^/]+)/*(?P<key>.*?)/*")
_DENIED = ("PermissionDeniedError", "UnauthenticatedError")


@dataclass(frozen=True, order=True)
class ObjectFolder:
    """All objects whose keys begin alike, met as a folder: the reading half of `pathlib.Path`.

    Parameters
    ----------
    bucket, key : str
        Where it is; the key without slashes at its ends.
    store : obstore.store.S3Store
        The bucket.
    """

    bucket: str
    key: str
    store: S3Store = field(compare=False, repr=False)

    def __str__(self) -> str:
        return f"{SCHEME}{self.bucket}/{self.key}".rstrip("/")

    def __truediv__(self, name: str) -> ObjectFolder:
        return ObjectFolder(self.bucket, f"{self.key}/{name}".strip("/"), self.store)

    @property
    def name(self) -> str:
        """Last part of the key."""
        return self.key.rpartition("/")[2]

    def is_dir(self) -> bool:
        """Tell whether any key begins like this."""
        with answered(self):
            return any(len(some) for some in self.store.list(self.key, chunk_size=1))

    def is_file(self) -> bool:
        """Tell whether there is an object of this key."""
        return size_of(self) is not None

    def iterdir(self) -> Iterator[ObjectFolder]:
        """Yield what lies directly below, folders first."""
        with answered(self):
            found = self.store.list_with_delimiter(self.key)
        for key in [*found["common_prefixes"], *(o["path"] for o in found["objects"])]:
            yield ObjectFolder(self.bucket, key, self.store)

    def glob(self, pattern: str) -> Iterator[ObjectFolder]:
        """Yield what lies directly below and fits a pattern of one part."""
        return (inner for inner in self.iterdir() if fnmatchcase(inner.name, pattern))

    def read_bytes(self) -> bytes:
        """Return the object.

        Raises
        ------
        FileNotFoundError
            If there is none.
        """
        with answered(self):
            return bytes(self.store.get(self.key).bytes())

    def read_text(self, encoding: str = "utf-8") -> str:
        """Return the object as text."""
        return self.read_bytes().decode(encoding)

    def open(self, mode: str = "rb") -> io.BytesIO:
        """Return the object as a file in memory."""
        if mode != "rb":
            raise ValueError(f"objects are only read, not opened as {mode!r}")
        return io.BytesIO(self.read_bytes())


Place: TypeAlias = Path | ObjectFolder
"""Where something lies that is to be read."""


def is_remote(path: Path | str) -> bool:
    """Tell an address in object storage from a path, whatever `pathlib` made of its slashes.

    >>> is_remote("s3://bucket/census"), is_remote(Path("s3://bucket")), is_remote("s3/census")
    (True, True, False)
    """
    return _ADDRESS.fullmatch(str(path)) is not None


def open_place(path: Path | str) -> Place:
    """Return a path as it is, and an address in object storage as a folder of objects.

    Parameters
    ----------
    path : Path or str
        A path, or ``s3://bucket/prefix``; nothing is asked of the storage yet.

    Returns
    -------
    Path or ObjectFolder
        The place.

    Raises
    ------
    UsageError
        If the address does not fit, or the library for object storage is not installed.
    """
    match = _ADDRESS.fullmatch(str(path))
    if match is None:
        return Path(path)
    try:
        from obstore.store import S3Store  # noqa: PLC0415 - an optional extra
    except ImportError:
        raise UsageError(
            f"{path} lies in object storage, for which a library is not installed.",
            "Install it with: pip install 'castcensus[s3]'",
        ) from None
    try:
        store = S3Store(
            match["bucket"],
            # Sent along, so that the storage refuses what was damaged on its way.
            checksum_algorithm="sha256",
            # An endpoint on http:// is one that the user has named.
            client_options={"allow_http": True, "connect_timeout": "5s", "timeout": "120s"},
            retry_config={"max_retries": 3, "retry_timeout": timedelta(seconds=60)},
        )
    except _errors() as error:
        raise UsageError(
            f"{path} cannot be opened: {_first_line(error)}.", "Check the AWS_* variables."
        ) from None
    return ObjectFolder(match["bucket"], re.sub("/+", "/", match["key"]), store)


def open_workspace(path: Path | str) -> Place:
    """Return a workspace that is to be read; one in object storage must be there.

    Raises
    ------
    NotFoundError
        If there is nothing.
    StoreError
        If the storage does not answer, or refuses.
    """
    place = open_place(path)
    if isinstance(place, ObjectFolder) and not (place / "catalogue").is_dir():
        raise NotFoundError(
            f"there is no workspace at {place}.",
            f"Copy one there with: castcensus copy {place} --workspace DIR",
        )
    return place


def need_disk(
    place: Place,
    remedy: str = "Work in a --workspace on a disk, and send it there with: castcensus copy.",
) -> Path:
    """Return a place that is to be written, which must be a path.

    Raises
    ------
    UsageError
        If it lies in object storage.
    """
    if isinstance(place, ObjectFolder) or is_remote(place):
        address = SCHEME + str(place).removeprefix("s3:").lstrip("/")
        raise UsageError(
            f"{address} lies in object storage, where a workspace is only read: counting and "
            "whatever else writes builds on atomic renames, locks and hard links.",
            remedy,
        )
    return place


def report_folder(workspace: Place, *names: str) -> Path:
    """Return the folder for what is written about a workspace, where none was named.

    Raises
    ------
    UsageError
        If the workspace lies in object storage.
    """
    place = need_disk(workspace, "Name a folder on a disk with --output.")
    return place.joinpath("reports", *names)


def size_of(place: Place) -> int | None:
    """Return the bytes of a file or an object; None where there is none."""
    if isinstance(place, ObjectFolder):
        try:
            with answered(place):
                return int(place.store.head(place.key)["size"])
        except FileNotFoundError:
            return None
    return place.stat().st_size if place.is_file() else None


@contextmanager
def at_hand(place: Place, part: str, names: str = "*") -> Iterator[Path]:
    """Give a folder as one on disk for the time of the block, with a part of small files in it.

    Of a folder of objects, what is below the part and has such a name is fetched to a temporary
    folder; an error that names this names the true place instead.
    """
    if isinstance(place, Path):
        yield place
        return
    with tempfile.TemporaryDirectory(prefix="castcensus-") as name:
        folder = Path(name)
        with answered(place):
            found = [item["path"] for some in place.store.list((place / part).key) for item in some]

        def fetch(key: str) -> None:
            path = folder / key.removeprefix(place.key).lstrip("/")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(ObjectFolder(place.bucket, key, place.store).read_bytes())

        with ThreadPoolExecutor(N_AT_ONCE) as pool:
            list(pool.map(fetch, (k for k in found if fnmatchcase(k.rpartition("/")[2], names))))
        try:
            yield folder
        except CastcensusError as error:
            raise type(error)(error.what.replace(name, str(place)), error.remedy) from None


@contextmanager
def answered(place: object) -> Iterator[None]:
    """Word what the storage answers, where it is no object but an error.

    Raises
    ------
    StoreError
        If it refuses, does not answer, or has no such bucket.
    """
    try:
        yield
    except _errors() as error:
        raise _worded(place, error) from None


def _errors() -> tuple[type[Exception], ...]:
    """Return the errors of the library for object storage, where it is in use."""
    library = sys.modules.get("obstore.exceptions")
    return (library.BaseError,) if library else ()


def _first_line(error: Exception) -> str:
    return str(error).strip().partition("\n")[0].rstrip(" .")


def _worded(place: object, error: Exception) -> StoreError:
    text, told = str(error), _first_line(error)
    if isinstance(place, Path):
        return StoreError(f"{place}: {told}.", "Free some disk, or choose another place.")
    if "NoSuchBucket" in text:
        return StoreError(f"{place}: there is no such bucket.", "Check the address.")
    # Without credentials the library asks the machine's own metadata service for some.
    if "/latest/" in text or "169.254." in text:
        return StoreError(
            f"{place}: the environment holds no credentials.",
            "Set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, and AWS_ENDPOINT_URL for storage "
            "other than Amazon's.",
        )
    if type(error).__name__ in _DENIED or "403 Forbidden" in text or "InvalidAccessKey" in text:
        return StoreError(
            f"{place}: the storage refuses these credentials.",
            "Check AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY and what they are allowed.",
        )
    if "error sending request" in text or "timed out" in text:
        return StoreError(
            f"{place}: the storage does not answer: {told}.",
            "Check AWS_ENDPOINT_URL, and whether it can be reached from here.",
        )
    return StoreError(f"{place}: the storage answers: {told}.", "Check the AWS_* variables.")
