"""What a specimen's particles are like: means and quantiles of each descriptor.

A specimen is one sampling unit: its particles become a handful of numbers before anything is
compared, however many they are.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.model.records import Table

Reals = NDArray[np.float64]

N_PLACES = 39
SHARES = np.arange(1, N_PLACES + 1) / (N_PLACES + 1)
"""Equally spaced shares at which quantile functions are kept: 2.5 to 97.5 %."""

NAMED_SHARES = {"q10": 3, "q50": 19, "q90": 35}
"""Quantiles that are compared on their own, by their place in `SHARES`."""

_NO_DESCRIPTOR = re.compile(
    r"scan_id|job|phase|particle_id|n_voxels.*|bbox_.*|mean_curvature_integral_um|centroid_.*|.*_[zyx](_um)?"
)
"""Keys, places and directions: what says where a particle lies, not what it is like; and the
integral of mean curvature, which is mean_caliper_um times 2 pi."""

ABOUT_EDGES = frozenset({"touches_mask_edge", "is_open"})
"""Flags that say whether the specimen's edge cuts a particle: told of those it cuts, too."""

_UNITS = {"um": "um", "um2": "um2", "um3": "um3", "deg": "deg", "vx": "vx", "mm3": "1/mm3"}


def unit_of(name: str) -> str:
    """Return the unit that a column's name states, 1 for ratios and counts.

    Examples
    --------
    >>> unit_of("feret_max_um"), unit_of("sphericity")
    ('um', '1')
    """
    return _UNITS.get(name.rpartition("_")[2], "1")


def list_descriptors(table: Table) -> tuple[list[str], list[str]]:
    """Return the columns of a table of particles that describe them.

    Returns
    -------
    numbers : list of str
        Columns whose distributions are compared.
    flags : list of str
        Columns whose shares are.
    """
    names = [c for c in table.columns if not _NO_DESCRIPTOR.fullmatch(c.name)]
    numbers = [c.name for c in names if pa.types.is_floating(c.type) or pa.types.is_integer(c.type)]
    return numbers, [c.name for c in names if pa.types.is_boolean(c.type)]


@dataclass(frozen=True, slots=True)
class Profile:
    """One descriptor of one phase of one specimen.

    Parameters
    ----------
    n : int
        Particles that have a value.
    mean : float
        Their mean.
    quantiles : ndarray of float64, shape (39,)
        At `SHARES`, linear between ranks.
    """

    n: int
    mean: float
    quantiles: Reals


def profile_values(values: Reals) -> Profile | None:
    """Return the profile of values; None where there is none.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        One for each particle, NaN where it has none.

    Returns
    -------
    Profile or None
        Mean and quantiles.

    Examples
    --------
    >>> found = profile_values(np.array([3.0, np.nan, 1.0]))
    >>> found.n, found.mean, float(found.quantiles[19])
    (2, 2.0, 2.0)
    """
    ordered = np.sort(values)
    # Values that are not finite stand last.
    n = int(np.searchsorted(ordered, np.inf))
    if n == 0:
        return None
    ordered = ordered[:n]
    place = (n - 1) * SHARES
    below = place.astype(np.intp)
    low = ordered[below]
    high = ordered[np.minimum(below + 1, n - 1)]
    return Profile(n, float(ordered.mean()), low + (place - below) * (high - low))


def profile_particles(
    rows: pa.Table,
    numbers: Iterable[str],
    flags: Iterable[str],
    phases: Sequence[str],
    with_border: bool = False,
) -> dict[tuple[str, str], Profile]:
    """Return the profiles of a specimen's particles.

    Parameters
    ----------
    rows : pyarrow.Table
        Columns phase, touches_border, touches_mask_edge and the descriptors, a row a particle.
    numbers, flags : iterable of str
        Names of descriptors.
    phases : sequence of str
        Phases wanted.
    with_border : bool
        Whether particles count that the border of the volume or the specimen's edge cuts.

    Returns
    -------
    dict of (phase, descriptor) to Profile
        Without those that have no value.  The quantiles of a flag are empty.
    """
    codes = rows["phase"].combine_chunks().dictionary_encode()
    names = codes.dictionary.to_pylist()
    index = codes.indices.to_numpy(zero_copy_only=False)
    inside = index
    if not with_border:
        index = np.where(_as_reals(rows["touches_border"]) > 0.0, -1, index)
        inside = np.where(_as_reals(rows["touches_mask_edge"]) > 0.0, -1, index)
    there = [name for name in phases if name in names]
    seen, members = (
        {name: np.flatnonzero(of == names.index(name)) for name in there} for of in (index, inside)
    )
    found: dict[tuple[str, str], Profile] = {}
    for name in numbers:
        values = _as_reals(rows[name])
        for phase, chosen in members.items():
            profile = profile_values(values[chosen])
            if profile is not None:
                found[phase, name] = profile
    for name in flags:
        values = _as_reals(rows[name])
        for phase, chosen in (seen if name in ABOUT_EDGES else members).items():
            known = values[chosen][np.isfinite(values[chosen])]
            if len(known):
                found[phase, name] = Profile(len(known), float(known.mean()), np.empty(0))
    return found


def _as_reals(column: pa.ChunkedArray) -> Reals:
    """Return a column as float64 with NaN for what is absent."""
    return np.asarray(pc.cast(column, pa.float64()).to_numpy(), np.float64)
