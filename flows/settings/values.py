"""Values that files and options state, checked: mappings and models."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ValidationError

from pipeline.errors import UsageError
from pipeline.model.sizes import parse_bytes

Parsed = TypeVar("Parsed", bound=BaseModel)


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


def read_bytes(value: object) -> object:
    """Return a size such as ``2GiB`` as bytes, for a validator; anything but text as it is.

    Raises
    ------
    ValueError
        If the text is no size.
    """
    try:
        return parse_bytes(value) if isinstance(value, str) else value
    except UsageError as error:
        raise ValueError(str(error)) from None


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
