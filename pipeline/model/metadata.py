"""What a person states about a scan: the typed columns that make groups of scans queryable."""

from __future__ import annotations

import re
from typing import Any

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.errors import UsageError

_SCAN_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")


class ScanMetadata(BaseModel):
    """Facts about a specimen and its scan; None where nobody stated them."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    specimen: str | None = None
    condition: str | None = None
    alloy: str | None = None
    temper: str | None = None
    heat_treatment: tuple[str, ...] | None = None
    tube_kv: float | None = Field(default=None, gt=0, le=1000)
    tube_power_w: float | None = Field(default=None, gt=0)
    beam_energy_kev: float | None = Field(default=None, gt=0, le=1000)
    operator: str | None = None
    tags: tuple[str, ...] | None = None


def check_scan_id(scan_id: str) -> str:
    """Return a scan id that can name a folder and a partition, or refuse it.

    Raises
    ------
    UsageError
        If it is empty, too long or has other characters than letters, digits, ``. _ -``.
    """
    if not _SCAN_ID.fullmatch(scan_id):
        raise UsageError(
            f"scan id {scan_id!r} does not fit: wanted 1 to 100 letters, digits, '.', '_' or '-', "
            "starting with a letter or digit.",
            "Choose another --scan.",
        )
    return scan_id


def read_metadata(text: str, origin: str) -> tuple[ScanMetadata, dict[str, Any]]:
    """Read the YAML file that lies beside a volume.

    Parameters
    ----------
    text : str
        The YAML document; besides the fields of `ScanMetadata` it may hold ``voxel_um``.
    origin : str
        Where it came from, for messages.

    Returns
    -------
    metadata : ScanMetadata
        The facts.
    source_values : dict
        ``voxel_um`` if stated: it belongs to the source, not to the specimen.

    Raises
    ------
    UsageError
        If the document is not a mapping or a value does not fit.
    """
    try:
        values = yaml.safe_load(text) or {}
    except yaml.YAMLError as error:
        raise UsageError(f"{origin} is not valid YAML: {error}.") from None
    if not isinstance(values, dict):
        raise UsageError(f"{origin} holds {type(values).__name__}, wanted a mapping.")
    source_values = {key: values.pop(key) for key in ("voxel_um",) if key in values}
    return check_metadata(values, origin), source_values


def check_metadata(values: dict[str, Any], origin: str) -> ScanMetadata:
    """Validate stated facts.

    Raises
    ------
    UsageError
        If a key is unknown or a value does not fit.
    """
    try:
        return ScanMetadata.model_validate(values)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(p) for p in first["loc"])
        raise UsageError(
            f"{origin}: {where}: {first['msg']}, got {first['input']!r}.",
            "Known facts: " + ", ".join(ScanMetadata.model_fields) + ".",
        ) from None
