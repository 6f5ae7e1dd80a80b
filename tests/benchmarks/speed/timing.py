"""What a measurement is, and how contestants are timed in turns."""

from __future__ import annotations

import resource
import statistics
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured number beside its bar.

    Parameters
    ----------
    name : str
        What was measured.
    value : float
        Median.
    unit : str
        Its unit.
    bar : float or None
        What it is held to.
    least : bool
        True where more is better.
    spread : tuple of float
        Least and greatest of the repeats.
    peak_mib : float or None
        Peak resident memory of the process or of the largest worker.
    note : str
        What else there is to know.
    """

    name: str
    value: float
    unit: str
    bar: float | None = None
    least: bool = True
    spread: tuple[float, float] | None = None
    peak_mib: float | None = None
    note: str = ""

    @property
    def verdict(self) -> str:
        """Met, missed, or nothing where there is no bar."""
        if self.bar is None:
            return ""
        good = self.value >= self.bar if self.least else self.value <= self.bar
        return "met" if good else "missed"

    def as_values(self) -> dict[str, Any]:
        """Return what goes to JSON."""
        return asdict(self) | {"verdict": self.verdict}


@dataclass(slots=True)
class Rates:
    """Repeats of each contestant."""

    seconds: dict[str, list[float]] = field(default_factory=dict)

    def median(self, name: str) -> float:
        """Return the median seconds of a contestant."""
        return statistics.median(self.seconds[name])

    def rate(self, name: str, amount: float) -> tuple[float, tuple[float, float]]:
        """Return amount a second: of the median, and of the slowest and fastest repeat."""
        times = self.seconds[name]
        return amount / self.median(name), (amount / max(times), amount / min(times))


def take_turns(
    contestants: Mapping[str, Callable[[], Any]],
    repeats: int,
    clock: Callable[[], float] = time.perf_counter,
) -> Rates:
    """Time contestants in turns, so that what disturbs the machine meets all of them alike.

    Each runs once before, unclocked: compilation and first touches of memory are nobody's speed.
    """
    rates = Rates({name: [] for name in contestants})
    for work in contestants.values():
        work()
    for _ in range(repeats):
        for name, work in contestants.items():
            start = clock()
            work()
            rates.seconds[name].append(clock() - start)
    return rates


def peak_mib() -> float:
    """Return the peak resident memory of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
