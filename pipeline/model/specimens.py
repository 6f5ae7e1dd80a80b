"""Results of mechanical tests as people state them: columns, units and ranges checked once."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from pipeline.errors import UsageError

PROPERTIES = (
    "strength_mpa", "yield_mpa", "elongation_percent", "stress_amplitude_mpa",
    "cycles_to_failure", "hardness_hv", "hardness_hbw",
)  # fmt: skip
"""Columns that particles may explain."""


class SpecimenResult(BaseModel):
    """What was measured on one specimen; None where it was not.

    Ranges are those of aluminium castings with room to spare: they catch wrong units.
    """

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, str_strip_whitespace=True
    )

    specimen: str = Field(min_length=1, max_length=200)
    strength_mpa: float | None = Field(default=None, gt=0, le=1500)
    yield_mpa: float | None = Field(default=None, gt=0, le=1500)
    elongation_percent: float | None = Field(default=None, ge=0, le=100)
    stress_amplitude_mpa: float | None = Field(default=None, gt=0, le=1500)
    cycles_to_failure: int | None = Field(default=None, gt=0, le=10**12)
    hardness_hv: float | None = Field(default=None, gt=0, le=1000)
    hardness_hbw: float | None = Field(default=None, gt=0, le=1000)
    fracture_scan: str | None = Field(default=None, max_length=100)
    fracture_z_um: float | None = Field(default=None, ge=0, le=1e7)
    fracture_y_um: float | None = Field(default=None, ge=0, le=1e7)
    fracture_x_um: float | None = Field(default=None, ge=0, le=1e7)
    remark: str | None = Field(default=None, max_length=1000)

    @field_validator("cycles_to_failure", mode="before")
    @classmethod
    def _count(cls, value: object) -> object:
        """Take whole numbers as spreadsheets write them: 1e5, 100000.0."""
        if not isinstance(value, str):
            return value
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not number.is_integer():
            raise ValueError("wants a whole number")
        return int(number)

    @model_validator(mode="after")
    def _whole(self) -> Self:
        origin = (self.fracture_scan, self.fracture_z_um, self.fracture_y_um, self.fracture_x_um)
        n_stated = sum(part is not None for part in origin)
        if n_stated not in (0, 4):
            raise ValueError(
                "a fracture origin wants fracture_scan, fracture_z_um, fracture_y_um and "
                "fracture_x_um together"
            )
        stated = self.yield_mpa is not None and self.strength_mpa is not None
        if stated and self.yield_mpa > self.strength_mpa:  # type: ignore[operator]
            raise ValueError("yield_mpa is above strength_mpa")
        if not n_stated and all(getattr(self, name) is None for name in PROPERTIES):
            raise ValueError("the row states no result")
        return self


@dataclass(frozen=True, slots=True)
class Rejected:
    """A row that cannot be taken.

    Parameters
    ----------
    line : int
        Line of the file, the header being line 1.
    specimen : str
        What the row says, maybe nothing.
    reason : str
        Why, one reason after the other.
    """

    line: int
    specimen: str
    reason: str


def read_results(
    text: str, origin: str, find_fault: Callable[[SpecimenResult], str] = lambda _: ""
) -> tuple[list[SpecimenResult], list[Rejected]]:
    """Read a CSV of mechanical results; cells are separated by commas or semicolons.

    Parameters
    ----------
    text : str
        The file; its first line names columns of `SpecimenResult`.
    origin : str
        Where it came from, for messages.
    find_fault : callable, optional
        Says why a row that fits by itself cannot be taken; empty where it can.

    Returns
    -------
    results : list of SpecimenResult
        Rows that fit.
    rejected : list of Rejected
        Rows that do not, with their lines.

    Raises
    ------
    UsageError
        The header names a column that is unknown or has no unit, or there are no rows.
    """
    head = text.lstrip("\ufeff").splitlines()[:1]
    separator = ";" if head and ";" in head[0] else ","
    reader = csv.reader(io.StringIO(text.lstrip("\ufeff")), delimiter=separator)
    names = [name.strip() for name in next(reader, [])]
    _check_header(names, origin)
    results: dict[str, tuple[int, SpecimenResult]] = {}
    rejected: list[Rejected] = []
    first_of: dict[str, int] = {}
    for cells in reader:
        line = reader.line_num
        values = [cell.strip() for cell in cells]
        if not any(values):
            continue
        row = {n: v for n, v in zip(names, values, strict=False) if v}
        specimen = row.get("specimen", "")
        if len(values) != len(names):
            reason = f"{len(values)} cells, wanted {len(names)}"
        elif specimen in first_of:
            reason = f"specimen {specimen} stands on line {first_of[specimen]} already"
        else:
            found = _check_row(row)
            if isinstance(found, SpecimenResult):
                found = find_fault(found) or found
            if isinstance(found, SpecimenResult):
                results[found.specimen] = (line, found)
                first_of[found.specimen] = line
                continue
            reason = found
        rejected.append(Rejected(line, specimen, reason))
    if not results and not rejected:
        raise UsageError(f"{origin} holds no rows.", "The first line names the columns.")
    return [result for _, result in results.values()], rejected


def _check_header(names: list[str], origin: str) -> None:
    known = list(SpecimenResult.model_fields)
    if "specimen" not in names:
        raise UsageError(
            f"{origin}: the first line names no column specimen, got {', '.join(names) or 'none'}.",
            f"Known columns: {', '.join(known)}.",
        )
    for name in names:
        if names.count(name) > 1:
            raise UsageError(f"{origin}: column {name!r} stands twice.", "Keep one of them.")
        if name in known:
            continue
        stem = name.split("_")[0]
        near = [k for k in known if k.split("_")[0] == stem]
        remedy = f"Wanted {' or '.join(near)}, in that unit." if near else (
            f"Known columns: {', '.join(known)}.")  # fmt: skip
        raise UsageError(f"{origin}: column {name!r} is not known.", remedy)


def _check_row(row: dict[str, str]) -> SpecimenResult | str:
    """Return a row that fits, or why it does not."""
    try:
        return SpecimenResult.model_validate(row)
    except ValidationError as error:
        reasons = []
        for fault in error.errors(include_url=False):
            where = ".".join(str(part) for part in fault["loc"])
            got = f", got {fault['input']!r}" if where else ""
            message = fault["msg"].removeprefix("Value error, ")
            reasons.append(f"{where}: {message}{got}" if where else message)
        return "; ".join(reasons)
