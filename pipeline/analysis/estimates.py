"""One number of a scan with its doubt: value, interval, what it rests on, and why it is absent."""

from __future__ import annotations

import math
from dataclasses import dataclass

LEVEL = 0.95
"""Two-sided level of every interval."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A statistic of one phase of a scan.

    Parameters
    ----------
    phase : str
        Phase it is about.
    quantity : str
        What it is, with its unit as suffix where it has one.
    unit : str
        Unit of value, low and high; "1" for ratios.
    method : str
        How it was found, with its source.
    value : float or None
        The number; None where it cannot be told, and then `note` says why.
    low, high : float or None
        Ends of the 95 % interval; None where there is none.
    n : int
        How many independent pieces (blocks, particles, maxima) it rests on.
    note : str
        Warnings, or why there is no number.
    reference : str
        Second phase of a pair; empty for others.
    at : float or None
        Abscissa where the quantity is a curve: a rank, a class, an edge.

    Examples
    --------
    >>> Estimate("pore", "porosity", "1", "made up", math.nan, note="none").value is None
    True
    """

    phase: str
    quantity: str
    unit: str
    method: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    n: int = 0
    note: str = ""
    reference: str = ""
    at: float | None = None

    def __post_init__(self) -> None:
        # A number that is not finite is no number: it leaves as an absent one.  Ten digits are
        # more than any of them carries, and hide how a machine's library rounds a logarithm.
        for name in ("value", "low", "high", "at"):
            number = getattr(self, name)
            if number is not None:
                finite = math.isfinite(number)
                object.__setattr__(self, name, float(f"{number:.10g}") if finite else None)
        if self.value is None:
            object.__setattr__(self, "low", None)
            object.__setattr__(self, "high", None)
            if not self.note:
                raise ValueError(f"{self.quantity} of {self.phase} is absent without a reason")
