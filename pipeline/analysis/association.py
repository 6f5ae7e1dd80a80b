"""Whether bodies of one phase lie at those of another more often than by chance.

Two null models.  *Independent overlay*: the subject was put down without regard to the other phase,
so beside its surface the other phase has the share that it has of all that is not subject; this
holds exactly, whatever the shapes.  *Random shifts*: the subject as it is, moved as a whole about
the torus of the volume, which keeps the texture of both phases and breaks only their relation.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from pipeline.analysis.blocks import sum_shifted
from pipeline.analysis.estimates import LEVEL
from pipeline.analysis.sampling import touching_sums

Counts = NDArray[np.int64]
Reals = NDArray[np.float64]

N_SHIFTS = 199
"""Random shifts of a test: the least p-value is 1 / 200 on each side."""

FEWEST_SHIFTS = 39


@dataclass(frozen=True, slots=True)
class Attraction:
    """How many times as often as chance two phases meet.

    Parameters
    ----------
    ratio : float
        Observed over expected: 1 for independent phases.
    low, high : float or None
        Ends of its 95 % interval.
    p_value : float or None
        Two-sided; None where it cannot be told.
    observed, expected : float
        The two numbers.
    n : int
        Blocks, or shifts.
    """

    ratio: float
    low: float | None
    high: float | None
    p_value: float | None
    observed: float
    expected: float
    n: int


def contact_ratio(contacts: Counts, voxels: Counts, subject: int, other: int) -> Attraction | None:
    """Return the share of a phase's surface that faces another, over that of an independent one.

    Parameters
    ----------
    contacts : ndarray of int64, shape (z, y, x, n_phases, n_phases)
        Faces between voxels of two phases by block.
    voxels : ndarray of int64, shape (z, y, x, n_phases)
        Voxels of each phase by the same blocks, wide enough that only neighbours are alike.
    subject, other : int
        Positions of the two phases.

    Returns
    -------
    Attraction or None
        None where one of the phases is absent, or they never touch (then the ratio is 0 without
        any interval: an `Attraction` with ratio 0 is returned if both are there).

    Notes
    -----
    Expected is V_other / (1 - V_subject).  The error of the logarithm of the ratio follows from
    the blocks' scatter, as in `pipeline.analysis.sampling.estimate_share`.
    """
    both = contacts + np.swapaxes(contacts, -1, -2)
    meet = both[..., subject, other]
    surface = both[..., subject, :].sum(-1)
    searched = voxels.sum(-1)
    around = searched - voxels[..., subject]
    parts = (meet, surface, around, voxels[..., other])
    sums = [int(part.sum()) for part in parts]
    if sums[1] == 0 or sums[3] == 0:
        return None
    observed, expected = sums[0] / sums[1], sums[3] / sums[2]
    n = int((searched > 0).sum())
    if sums[0] == 0:
        return Attraction(0.0, None, None, None, observed, expected, n)
    shares = [part / total for part, total in zip(parts, sums, strict=True)]
    residual = shares[0] - shares[1] + shares[2] - shares[3]
    ratio = observed / expected
    error = _log_error(residual, searched / int(searched.sum()))
    if error is None:
        return Attraction(ratio, None, None, None, observed, expected, n)
    sd, freedom = error
    t = float(stats.t.ppf(0.5 + LEVEL / 2, freedom))
    p_value = float(2.0 * stats.t.sf(abs(math.log(ratio)) / sd, freedom)) if sd > 0.0 else None
    half = min(t * sd, 600.0)
    low, high = ratio * math.exp(-half), ratio * math.exp(half)
    return Attraction(ratio, low, high, p_value, observed, expected, n)


def _log_error(residual: Reals, m: Reals) -> tuple[float, float] | None:
    near = 1.0 - float((m * touching_sums(m)).sum())
    apart = 1.0 - float((m * m).sum())
    if near <= 1e-9 or apart <= 0.0:
        return None
    squares = m * m
    freedom = float(squares.sum()) ** 2 / float((squares * touching_sums(squares)).sum())
    plain = float((residual * residual).sum()) / apart
    variance = max(plain, float((residual * touching_sums(residual)).sum()) / near)
    return math.sqrt(variance), max(freedom, 1.0)


def draw_shifts(voxels: Counts, n: int = N_SHIFTS) -> Counts:
    """Return shifts of a torus of blocks, at random but the same for the same counts.

    Parameters
    ----------
    voxels : ndarray of int64, shape (z, y, x, n_phases)
        Voxels of each phase by block: what the seed is derived from.
    n : int
        Shifts wanted.

    Returns
    -------
    ndarray of int64, shape (at most n, 3)
        Different shifts of more than one block along some axis.
    """
    shape = voxels.shape[:3]
    near = [[min(i, m - i) <= 1 for i in range(m)] for m in shape]
    far = ~(
        np.array(near[0])[:, None, None] & np.array(near[1])[:, None] & np.array(near[2])
    ).reshape(-1)
    places = np.flatnonzero(far)
    digest = hashlib.sha256(repr(shape).encode() + voxels.astype("<i8").tobytes()).digest()
    rng = np.random.Generator(np.random.PCG64(int.from_bytes(digest[:8], "little")))
    chosen = places if places.size <= n else rng.choice(places, n, replace=False)
    return np.stack(np.unravel_index(chosen, shape), axis=1).astype(np.int64)


def meeting_ratio(voxels: Counts, shifts: Counts, subject: int, other: int) -> Attraction | None:
    """Return how dense another phase is in the blocks of the subject, over that after shifts.

    Parameters
    ----------
    voxels : ndarray of int64, shape (z, y, x, n_phases)
        Voxels of each phase by block.
    shifts : ndarray of int64, shape (n, 3)
        From `draw_shifts`.
    subject, other : int
        Positions of the two phases.

    Returns
    -------
    Attraction or None
        Observed: share of the other phase among the voxels that are not subject, in blocks that
        hold any subject.  Expected: the mean of the same over blocks that the shifted subject
        would hold.  None where a phase is absent or there are fewer than `FEWEST_SHIFTS` shifts.
    """
    held = voxels[..., subject] > 0
    if len(shifts) < FEWEST_SHIFTS or not held.any() or not voxels[..., other].any():
        return None
    hits = voxels[..., other]
    free = voxels.sum(-1) - voxels[..., subject]
    place = np.argwhere(held)
    ones = np.ones(len(place), np.int64)
    every = _with_none(shifts)
    return _compare(sum_shifted(hits, place, ones, every), sum_shifted(free, place, ones, every))


def distance_ratio(
    voxels: Counts, shifts: Counts, block_um: tuple[float, float, float], subject: int, other: int
) -> Attraction | None:
    """Return how far a phase lies from the blocks of another, over that after shifts.

    Parameters
    ----------
    voxels : ndarray of int64, shape (z, y, x, n_phases)
        Voxels of each phase by block.
    shifts : ndarray of int64, shape (n, 3)
        From `draw_shifts`.
    block_um : tuple of float
        Edges of a block in um.
    subject, other : int
        Positions of the two phases.

    Returns
    -------
    Attraction or None
        Observed: mean distance in um of the subject's voxels from the nearest block that holds the
        other phase (0 inside one).  Expected: its mean after shifts.  A ratio under 1 means near.
        None as for `meeting_ratio`, or where every block holds the other phase.

    Notes
    -----
    A subject that was put down over the other phase hides what it covers, so that independent
    phases seem about 1 % too far apart; `meeting_ratio` and `contact_ratio` are free of that.
    """
    held = voxels[..., subject] > 0
    target = voxels[..., other] > 0
    if len(shifts) < FEWEST_SHIFTS or not held.any() or not target.any() or target.all():
        return None
    distance = ndimage.distance_transform_edt(~target, sampling=block_um)
    inside = (voxels.sum(-1) > 0).astype(np.int64)
    place, weight = np.argwhere(held), voxels[..., subject][held]
    every = _with_none(shifts)
    far = sum_shifted(distance * inside, place, weight, every)
    return _compare(far, sum_shifted(inside, place, weight, every))


def _with_none(shifts: Counts) -> Counts:
    """Return the shifts after the one that leaves all in place."""
    return np.concatenate([np.zeros((1, 3), np.int64), shifts])


def _compare(sums: Counts | Reals, room: Counts) -> Attraction | None:
    """Set a mean over blocks, sums over room, beside the same of the blocks shifted."""
    observed = float(sums[0] / room[0]) if room[0] else None
    wide = room[1:] > 0
    known = sums[1:][wide] / room[1:][wide]
    if observed is None or known.size < FEWEST_SHIFTS:
        return None
    expected = float(known.mean())
    if expected <= 0.0:
        return None
    more, less = int((known >= observed).sum()), int((known <= observed).sum())
    p_value = min(1.0, 2.0 * (1 + min(more, less)) / (1 + known.size))
    least, most = (float(q) for q in np.quantile(known, [(1 - LEVEL) / 2, (1 + LEVEL) / 2]))
    # Over the ends of what chance gives, not over its mean.
    low = observed / most if most > 0.0 else None
    high = observed / least if least > 0.0 else None
    return Attraction(observed / expected, low, high, p_value, observed, expected, int(known.size))
