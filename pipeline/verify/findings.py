"""Findings: how far one quantity lies from its reference, and whether that is near enough."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Finding:
    """One quantity against one reference.

    Parameters
    ----------
    quantity : str
        What was compared.
    reference : str
        Library and version, or the formula.
    n_compared : int
        Values compared.
    difference : float
        Largest difference met, in `unit`; NaN where values cannot be compared at all.
    tolerance : float
        Largest difference that is accepted.
    unit : str
        ``relative``, or the unit of an absolute difference.
    items : str
        What was counted: particles, voxels, phases.
    volumes : tuple of str
        Trials that it was seen on.
    """

    quantity: str
    reference: str
    n_compared: int
    difference: float
    tolerance: float
    unit: str
    items: str = "particles"
    volumes: tuple[str, ...] = ()

    @property
    def passed(self) -> bool:
        """Whether something was compared and the difference is accepted."""
        return self.n_compared > 0 and bool(self.difference <= self.tolerance)


def compare_values(
    quantity: str,
    reference: str,
    got: Any,
    wanted: Any,
    tolerance: float,
    unit: str,
    items: str = "particles",
) -> Finding:
    """Return the finding for two sets of values in the same order.

    Parameters
    ----------
    quantity, reference : str
        See `Finding`.
    got, wanted : array_like
        Values of the same shape; their first axis counts the items.
    tolerance : float
        Largest difference accepted.
    unit : str
        ``relative`` compares with the magnitude of `wanted`, everything else is absolute.
    items : str
        What is counted.

    Returns
    -------
    Finding
        Its difference is NaN where the shapes differ.

    Examples
    --------
    >>> compare_values("volume", "by hand", [8.0, 2.0], [8.0, 2.5], 0.1, "relative").difference
    0.2
    """
    a, b = _numbers(got), _numbers(wanted)
    if a.shape != b.shape:
        return Finding(quantity, reference, max(len(a), len(b)), np.nan, tolerance, unit, items)
    gap = np.abs(a - b)
    if unit == "relative":
        gap = np.divide(gap, np.abs(b), out=np.where(gap > 0, np.inf, 0.0), where=b != 0)
    # A NaN on one side only must not pass as no difference.
    worst = float(gap.max()) if gap.size else 0.0
    return Finding(quantity, reference, len(a), worst, tolerance, unit, items)


def gather_findings(findings: Iterable[tuple[str, Finding]]) -> list[Finding]:
    """Return one finding a quantity and reference, from findings of single volumes.

    Parameters
    ----------
    findings : iterable of (str, Finding)
        Name of the volume and what was found on it.

    Returns
    -------
    list of Finding
        In the order of first appearance, kinds of one quantity together; values add up, the
        largest difference counts.
    """
    gathered: dict[tuple[str, str], Finding] = {}
    for volume, finding in findings:
        key = (finding.quantity, finding.reference)
        known = gathered.get(key)
        if known is None:
            gathered[key] = replace(finding, volumes=(volume,))
            continue
        volumes = known.volumes if volume in known.volumes else (*known.volumes, volume)
        gathered[key] = replace(
            known,
            n_compared=known.n_compared + finding.n_compared,
            # numpy's maximum keeps a NaN, Python's may lose it.
            difference=float(np.maximum(known.difference, finding.difference)),
            volumes=volumes,
        )
    families = list(dict.fromkeys(quantity.split(",")[0] for quantity, _ in gathered))
    return sorted(gathered.values(), key=lambda f: families.index(f.quantity.split(",")[0]))


def _numbers(values: Any) -> NDArray[np.float64]:
    return np.atleast_1d(np.asarray(values, np.float64))
