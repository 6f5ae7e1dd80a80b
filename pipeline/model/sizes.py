"""Sizes in bytes as people write them."""

from __future__ import annotations

import re

from pipeline.errors import UsageError

_SIZE = re.compile(r"(\d+(?:\.\d+)?)\s*([KMGT]?)(I?)B?", re.IGNORECASE)
_POWERS = {"": 0, "K": 1, "M": 2, "G": 3, "T": 4}


def parse_bytes(text: str | int) -> int:
    """Return the bytes of a size; kB, MB, GB are powers of 1000 and KiB, MiB, GiB of 1024.

    Parameters
    ----------
    text : str or int
        Such as ``2GiB``, ``500 MB`` or 4096.

    Returns
    -------
    int
        Bytes, at least 1.

    Raises
    ------
    UsageError
        If it is no such size.

    Examples
    --------
    >>> parse_bytes("1.5GB"), parse_bytes("2 MiB"), parse_bytes(4096)
    (1500000000, 2097152, 4096)
    """
    match = _SIZE.fullmatch(str(text).strip())
    size = 0
    # "5i" has a mark of powers of 1024 but no power.
    if match and (match[2] or not match[3]):
        size = int(float(match[1]) * (1024 if match[3] else 1000) ** _POWERS[match[2].upper()])
    if size <= 0:
        raise UsageError(f"{text!r} is no size in bytes.", "Write it as 2GiB, 800MiB or 1.5GB.")
    return size
