"""Values that files and options state, checked: mappings, models, sizes in bytes."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ValidationError

from pipeline.errors import UsageError

_SIZE = re.compile(r"(\d+(?:\.\d+)?)\s*([kMGT]?i?)B?", re.IGNORECASE)
_POWERS = {"": 1, "k": 10**3, "m": 10**6, "g": 10**9, "t": 10**12}
_BINARY = {"ki": 1 << 10, "mi": 1 << 20, "gi": 1 << 30, "ti": 1 << 40}

Parsed = TypeVar("Parsed", bound=BaseModel)


def parse_bytes(text: str | int) -> int:
    """Return the bytes that a size such as ``2GiB`` or ``500MB`` states.

    Raises
    ------
    UsageError
        If it is no such size.

    Examples
    --------
    >>> parse_bytes("2GiB"), parse_bytes("500 MB"), parse_bytes(4096)
    (2147483648, 500000000, 4096)
    """
    match = _SIZE.fullmatch(str(text).strip())
    unit = match[2].lower() if match else ""
    factor = {**_POWERS, **_BINARY}.get(unit)
    size = int(float(match[1]) * factor) if match and factor else 0
    if size <= 0:
        raise UsageError(f"{text!r} is no size in bytes.", "Write it as 2GiB, 800MiB or 1.5GB.")
    return size


def read_mapping(text: str, origin: str) -> dict[str, Any]:
    """Return the mapping that a YAML document holds.

    Raises
    ------
    UsageError
        If it holds none.
    """
    try:
        values = yaml.safe_load(text) or {}
    except yaml.YAMLError as error:
        raise UsageError(f"{origin} is not valid YAML: {error}.") from None
    if not isinstance(values, dict):
        raise UsageError(f"{origin} holds {type(values).__name__}, wanted a mapping.")
    return values


def validated(model: type[Parsed], values: Mapping[str, Any], origin: str) -> Parsed:
    """Return values as a model.

    Raises
    ------
    UsageError
        If a key is unknown or a value does not fit.
    """
    try:
        return model.model_validate(values)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(p) for p in first["loc"]) or "its keys"
        raise UsageError(
            f"{origin} does not validate: {where}: {first['msg']}, got {first['input']!r}.",
            "Known keys: " + ", ".join(model.model_fields) + ".",
        ) from None
