"""Elements by their symbols: number, molar mass, mass attenuation.

The tables are those that the package `xraydb` brings as an SQLite file of documented layout.  They
are read from it directly: loading the package takes 0.7 s, most of it for parts that are not needed
here, and a plan is wanted in less.  A test holds every number to the package's own.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UsageError

CURVES = (
    ("photoabsorption", "log_photoabsorption"),
    ("scattering", "log_coherent_scatter"),
    ("scattering", "log_incoherent_scatter"),
)
"""Tables and columns whose sum is the total attenuation."""


@dataclass(frozen=True, slots=True)
class Curve:
    """One kind of attenuation as a cubic spline in logarithms; an edge is a repeated energy.

    Parameters
    ----------
    log_ev, log_cm2_g, bend : (n,) float64
        Energies, coefficients and their second derivatives.
    """

    log_ev: NDArray[np.float64]
    log_cm2_g: NDArray[np.float64]
    bend: NDArray[np.float64]

    def read(self, log_ev: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return coefficients in cm2/g."""
        low = np.maximum(np.searchsorted(self.log_ev, log_ev, "left") - 1, 0)
        high = np.minimum(np.searchsorted(self.log_ev, log_ev, "right"), self.log_ev.size - 1)
        step = self.log_ev[high] - self.log_ev[low]
        a, b = (self.log_ev[high] - log_ev) / step, (log_ev - self.log_ev[low]) / step
        bent = (a * a - 1) * a * self.bend[low] + (b * b - 1) * b * self.bend[high]
        return np.exp(a * self.log_cm2_g[low] + b * self.log_cm2_g[high] + (step * step / 6) * bent)


@dataclass(frozen=True, slots=True)
class Element:
    """What is tabulated of an element.

    Parameters
    ----------
    number : int
        Atomic number.
    molar_mass_g : float
        Molar mass in g.
    curves : tuple of Curve
        Photoelectric absorption, coherent and incoherent scatter.
    """

    number: int
    molar_mass_g: float
    curves: tuple[Curve, ...]

    def mass_attenuations_cm2_g(self, energies_kev: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return total mass attenuation coefficients at photon energies."""
        log_ev = np.log(energies_kev * 1000.0)
        total = self.curves[0].read(log_ev)
        for curve in self.curves[1:]:
            total += curve.read(log_ev)
        return total


@cache
def find_element(symbol: str) -> Element:
    """Return what is tabulated of an element.

    Parameters
    ----------
    symbol : str
        Such as ``Al``.

    Returns
    -------
    Element
        Its numbers.

    Raises
    ------
    UsageError
        If the tables do not hold it.

    Examples
    --------
    >>> find_element("Cu").number
    29
    """
    spec = find_spec("xraydb")
    tables = Path(str(spec and spec.origin)).with_name("xraydb.sqlite")
    with closing(sqlite3.connect(f"{tables.as_uri()}?mode=ro", uri=True)) as base:
        asked = "SELECT atomic_number, molar_mass FROM elements WHERE element = ?"
        row = base.execute(asked, (symbol,)).fetchone()
        curves = [_read_curve(base, symbol, *names) for names in CURVES]
    if row is None or None in curves:
        raise UsageError(
            f"the attenuation of element {symbol} is not tabulated.",
            "Leave it out of the material.",
        )
    return Element(int(row[0]), float(row[1]), tuple(curve for curve in curves if curve))


def _read_curve(base: sqlite3.Connection, symbol: str, table: str, column: str) -> Curve | None:
    asked = f"SELECT log_energy, {column}, {column}_spline FROM {table} WHERE element = ?"  # noqa: S608 - our own names
    row = base.execute(asked, (symbol,)).fetchone()
    return None if row is None else Curve(*(np.array(json.loads(text)) for text in row))
