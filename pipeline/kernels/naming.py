"""Names for grey levels by what phases attenuate, rather than by their rank from the matrix.

Grey is affine in attenuation: contrasts with the matrix stand to each other as differences of
attenuation do.  Where air is seen, or a pore of known attenuation, it fixes the scale.  Levels are
given to phases by ratios, of which those of cast alloys are about 3: beam hardening, partial
volume and an energy that is known by a fifth move a level by much less.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

# Two phases of one side whose contrasts with the matrix differ by less are not told apart.
_LEAST_RATIO = 1.3
# As many levels as phases are named by rank, whatever the scale, where their contrasts stand to
# each other as expected within this factor.
_FITTING_RATIO = 1.4


@dataclass(frozen=True, slots=True)
class Guide:
    """What is known of the phases beside the histogram.

    Parameters
    ----------
    attenuations : tuple of float
        Linear attenuation of every phase, dark to bright, in one unit.
    air : float or None
        Grey level of air around the specimen; None where none is seen.
    """

    attenuations: tuple[float, ...]
    air: float | None = None


@dataclass(frozen=True, slots=True)
class Level:
    """A pure level that was seen.

    Parameters
    ----------
    grey : float
        The level.
    sd : float or None
        Spread about it; None for a shoulder of the histogram.
    rank : tuple of (int, float)
        Orders candidates: modes before shoulders, then by voxels.
    """

    grey: float
    sd: float | None
    rank: tuple[int, float]


@dataclass(frozen=True, slots=True)
class Side:
    """Levels of the phases on one side of the matrix, nearest first.

    Parameters
    ----------
    levels : list of (Level or None)
        None for an absent phase.
    expected : list of float or None
        Their contrasts with the matrix, as far as these are known.
    guided : bool
        Whether attenuation named them.
    notes : list of str
        What the choice met.
    """

    levels: list[Level | None]
    expected: list[float] | None
    guided: bool
    notes: list[str]

    @property
    def n_found(self) -> int:
        """How many phases were found."""
        return sum(level is not None for level in self.levels)


def name_side(
    seen: Sequence[Level],
    mean: float,
    positions: Sequence[int],
    guide: Guide | None,
    matrix: int,
    greys: Sequence[float] | None,
) -> Side:
    """Give the levels seen on one side of the matrix to its phases: by attenuation, else by rank.

    Parameters
    ----------
    seen : sequence of Level
        Nearest first, on a scale on which this side is the bright one.
    mean : float
        The matrix on that scale.
    positions : sequence of int
        Phases of the side, nearest first.
    guide : Guide or None
        What is known beside the histogram.
    matrix : int
        Position of the matrix.
    greys : sequence of float or None
        From `expect_greys`.

    Returns
    -------
    Side
        A level or None for each of the phases.
    """
    n, n_modes = len(positions), sum(level.sd is not None for level in seen)
    named, expected = None, None
    if guide is not None:
        mu = guide.attenuations
        sign = 1.0 if positions and positions[0] > matrix else -1.0
        if greys is not None:
            expected = [sign * (greys[p] - greys[matrix]) for p in positions]
        named = name_levels(
            [level.grey - mean for level in seen],
            [level.rank for level in seen],
            expected,
            [sign * (mu[p] - mu[matrix]) for p in positions],
        )
    if named is not None:
        levels = [None if i is None else seen[i] for i in named]
        notes = _describe_choice(n_modes, [p for p in levels if p])
        return Side(levels, expected, True, notes)
    best = sorted(seen, key=lambda level: level.rank, reverse=True)[:n]
    notes = _describe_choice(n_modes, best)
    by_rank = sorted(best, key=lambda level: level.grey)
    return Side([*by_rank, *[None] * (n - len(by_rank))], None, False, notes)


def _describe_choice(n_modes: int, taken: Sequence[Level]) -> list[str]:
    notes = []
    if n_modes > len(taken):
        notes.append(f"{n_modes} modes beside the matrix, the {len(taken)} largest were taken")
    notes += [f"level {abs(p.grey):.0f} is a shoulder, not a mode" for p in taken if p.sd is None]
    return notes


def expect_greys(
    guide: Guide, matrix: int, mean: float, dark: Sequence[float]
) -> tuple[float, ...] | None:
    """Return the grey that each phase should have.

    Parameters
    ----------
    guide : Guide
        Attenuations, and the grey of air if it is seen.
    matrix : int
        Position of the matrix.
    mean : float
        Grey of the matrix.
    dark : sequence of float
        Levels found darker than the matrix.  Where no air is seen, the only one of the only darker
        phase takes its place.

    Returns
    -------
    tuple of float or None
        None where nothing fixes the scale.

    Examples
    --------
    >>> expect_greys(Guide((0.0, 1.0, 2.5), air=100.0), 1, 300.0, [])
    (100.0, 300.0, 600.0)
    >>> expect_greys(Guide((0.0, 1.0, 2.5)), 1, 300.0, [120.0])
    (120.0, 300.0, 570.0)
    """
    mu = guide.attenuations
    if guide.air is not None:
        known, grey = 0.0, guide.air
    elif matrix == 1 and len(dark) == 1:
        known, grey = mu[0], float(dark[0])
    else:
        return None
    if mu[matrix] <= known or mean <= grey:
        return None
    scale = (mean - grey) / (mu[matrix] - known)
    return tuple(mean + scale * (value - mu[matrix]) for value in mu)


def name_levels(
    found: Sequence[float],
    ranks: Sequence[tuple[int, float]],
    expected: Sequence[float] | None,
    ratios: Sequence[float],
) -> list[int | None] | None:
    """Give the levels of one side of the matrix to its phases.

    Parameters
    ----------
    found : sequence of float
        Contrasts of levels with the matrix, ascending and positive.
    ranks : sequence of (int, float)
        How well each is seen: of several that fit a phase it gets the best.
    expected : sequence of float or None
        Contrasts of the phases on the same scale, nearest first; None without a scale.
    ratios : sequence of float
        The same on any scale.

    Returns
    -------
    list of (int or None), or None
        For each phase which level is its; None for a phase that is absent, and None altogether
        where attenuation does not tell the phases apart or there is no scale.

    Examples
    --------
    >>> name_levels([310.0], [(1, 900.0)], [100.0, 320.0], [1.0, 3.2])
    [None, 0]
    >>> name_levels([200.0, 630.0], [(1, 50.0), (1, 9.0)], [100.0, 320.0], [1.0, 3.2])
    [0, 1]
    """
    n = len(ratios)
    if min(ratios, default=0.0) <= 0.0 or any(
        b < _LEAST_RATIO * a for a, b in itertools.pairwise(ratios)
    ):
        return None
    best = sorted(range(len(found)), key=lambda i: ranks[i], reverse=True)[:n]
    best.sort()
    if len(best) == n and _fit([found[i] for i in best], ratios):
        return list(best)
    if expected is None:
        return None
    named: list[int | None] = [None] * n
    for i, contrast in enumerate(found):
        nearest = min(range(n), key=lambda p: abs(math.log(contrast / expected[p])))
        held = named[nearest]
        if held is None or ranks[i] > ranks[held]:
            named[nearest] = i
    return named


def _fit(found: Sequence[float], ratios: Sequence[float]) -> bool:
    """Return whether contrasts stand to each other as expected."""
    return all(
        1 / _FITTING_RATIO < (b / a) / (d / c) < _FITTING_RATIO
        for (a, b), (c, d) in zip(
            itertools.pairwise(found), itertools.pairwise(ratios), strict=True
        )
    )
