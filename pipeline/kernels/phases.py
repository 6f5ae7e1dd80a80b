"""The phase of voxels on edges: which two phases meet there, and which of them a voxel is.

A scan is blurred.  A bright copper-rich particle in the dark matrix passes through the grey of the
iron-rich phase, and plain thresholds wrap it in a shell that is not there; a pore beside a bright
phase gets a skin of matrix in the same way.  Here a voxel looks along its steepest ascent, two
voxels down and two voxels up.  Where the phases at both ends enclose its own, only those two meet
at this edge, and the voxel goes to the nearer one: the threshold is midway between their pure
levels, where a blurred straight edge crosses.

Blur and noise filters also move curved edges towards the centre of curvature, by half their
variance times the curvature, and so eat small round bodies.  Where the two phases differ by much
more than the noise, the decision is taken on a sharpened grey, which moves the edge back: the
voxel minus a multiple of its discrete Laplacian, zero on a straight edge.

Where edges bend or two bright bodies nearly touch, the steepest ascent ends in the edge itself, and
films of the phase between are left.  Such a voxel keeps its phase only if an even patch of that
phase lies within two voxels; otherwise it goes to one of the phases on its two sides.

All arithmetic is in whole numbers over 7x7x7 voxels: a voxel gets the same phase in any tile.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.errors import UsageError
from pipeline.model.plan import EDGE_REACH_VX
from pipeline.model.recipe import OUTSIDE

Ints = npt.NDArray[np.int64]
Phases = npt.NDArray[np.uint8]

# Decisions are taken on 18 times the grey, to which each step of sharpening adds 1.5 times what the
# voxel stands above the mean of its 3x3x3 neighbourhood: 18 * 1.5 (g - mean) = 27 g - sum.
_UNITS = 18
# Contrast over the standard deviation of noise from which one and two steps of sharpening gain more
# than they cost; measured at blurs of 0.4 to 1.2 voxels, see tests/benchmarks/segmentation.py.
_CLEAR_SD = (20.0, 35.0)
# A median of 3x3x3 voxels eats more of a curved edge than blur alone does.
_CLEAR_SD_MEDIAN = (20.0, 35.0, 50.0, 70.0)
# An intermediate phase this even over 3x3x3 voxels is no passing edge: in shares of the contrast
# between the phases on its two sides.
_EVEN_SHARE = 0.3
# An edge that can move a voxel differs at least by this share of its contrast over two voxels.
_STEEP_SHARE = 0.22
_NEVER = 1 << 40


@dataclass(frozen=True, slots=True)
class EdgeRule:
    """Tables of the rule for pairs of phases; from `plan_edges`.

    Parameters
    ----------
    cuts : numpy.ndarray
        int64 (n, n): 18 times the grey from which a voxel between phases (i, j), i < j, is j.
    sharpened : numpy.ndarray
        int64 (n, n): steps of sharpening before that pair is decided.
    even : numpy.ndarray
        int64 (n,): an even neighbourhood of this phase keeps it, up to this range of grey.
    steep : numpy.ndarray
        int64 (256,): a voxel of this phase is looked at from this difference of grey on.
    film : numpy.ndarray
        bool (256,): whether this phase wants an even patch nearby where it lies between others.
    """

    cuts: Ints
    sharpened: Ints
    even: Ints
    steep: Ints
    film: npt.NDArray[np.bool_]


def plan_edges(
    thresholds: Sequence[int],
    levels: Sequence[float | None],
    noise_sd: float,
    matrix: int | None = None,
    denoised: str = "",
) -> EdgeRule:
    """Derive the tables of the edge rule.

    Parameters
    ----------
    thresholds : sequence of int
        Ascending thresholds, one fewer than phases.
    levels : sequence of float or None
        Pure level of every phase, dark to bright; None where a phase was not found.
    noise_sd : float
        Standard deviation of grey in the matrix, after denoising.
    matrix : int, optional
        Phase that is everywhere, and whose films between others are real.
    denoised : str, optional
        Filter that the grey went through; a median wants more sharpening.

    Returns
    -------
    EdgeRule
        Tables for `refine_edges`.

    Raises
    ------
    UsageError
        If there is not one threshold fewer than levels.

    Examples
    --------
    >>> rule = plan_edges((150, 300, 600), (100, 200, 400, 800), 5.0)
    >>> (rule.cuts // 18).tolist()[1], rule.sharpened.tolist()[1]
    ([0, 0, 300, 500], [0, 0, 2, 2])
    """
    n = len(levels)
    if len(thresholds) != n - 1:
        raise UsageError(f"{n} phases want {n - 1} thresholds, got {len(thresholds)}.")
    pure = _filled_levels(thresholds, levels)
    cuts, sharpened = np.zeros((n, n), np.int64), np.zeros((n, n), np.int64)
    steep = np.full(256, _NEVER, np.int64)
    clear_sd = _CLEAR_SD_MEDIAN if denoised == "median" else _CLEAR_SD
    for i in range(n):
        for j in range(i + 1, n):
            at = float(thresholds[i]) if j == i + 1 else 0.5 * (pure[i] + pure[j])
            cuts[i, j] = math.ceil(_UNITS * at)
            contrast = pure[j] - pure[i]
            found = levels[i] is not None and levels[j] is not None
            if found:
                sharpened[i, j] = sum(contrast > sd * noise_sd for sd in clear_sd)
            # Between neighbours only sharpening moves a voxel.
            if sharpened[i, j] or j > i + 1:
                limit = max(1, round(_STEEP_SHARE * contrast))
                steep[i : j + 1] = np.minimum(steep[i : j + 1], limit)
    even = np.full(n, -1, np.int64)
    for p in range(1, n - 1):
        even[p] = round(_EVEN_SHARE * (pure[p + 1] - pure[p - 1]))
    film = np.zeros(256, np.bool_)
    film[1 : n - 1] = True
    if matrix is not None:
        film[matrix] = False
    return EdgeRule(cuts, sharpened, even, steep, film)


def _filled_levels(thresholds: Sequence[int], levels: Sequence[float | None]) -> list[float]:
    """Return ascending levels; a phase without one gets the nearest place that its cut allows."""
    first = next((i for i, level in enumerate(levels) if level is not None), 0)
    pure: list[float] = []
    for i, level in enumerate(levels):
        if level is not None:
            pure.append(float(level))
        elif i < first:
            pure.append(float(thresholds[i]) - 1.0)
        else:
            pure.append(float(thresholds[i - 1]))
    return pure


def refine_edges(grey: npt.NDArray[np.uint16], plain: Phases, rule: EdgeRule) -> Phases:
    """Decide the voxels on edges by the two phases that meet there.

    Parameters
    ----------
    grey : numpy.ndarray
        uint16 (z, y, x) with `EDGE_REACH_VX` voxels of halo on every side.
    plain : numpy.ndarray
        uint8 of the same shape: phase map by thresholds, `OUTSIDE` outside the specimen.
    rule : EdgeRule
        From `plan_edges`.

    Returns
    -------
    numpy.ndarray
        uint8 phase map without the halo.

    Raises
    ------
    UsageError
        If arrays do not fit each other or hold no voxel inside the halo.
    """
    if grey.dtype != np.uint16 or plain.dtype != np.uint8 or grey.shape != plain.shape:
        raise UsageError(
            f"edges want uint16 grey and uint8 phases of one shape, got {grey.dtype} {grey.shape} "
            f"and {plain.dtype} {plain.shape}."
        )
    if min(grey.shape) <= 2 * EDGE_REACH_VX:
        raise UsageError(f"edges want more voxels than their halo, got {grey.shape}.")
    out = np.empty([n - 2 * EDGE_REACH_VX for n in grey.shape], np.uint8)
    _refine(
        np.ascontiguousarray(grey),
        np.ascontiguousarray(plain),
        rule.cuts,
        rule.sharpened,
        rule.even,
        rule.steep,
        rule.film,
        out,
    )
    return out


@njit(nogil=True, cache=True)
def _refine(
    grey: npt.NDArray[np.uint16],
    plain: Phases,
    cuts: Ints,
    sharpened: Ints,
    even: Ints,
    steep: Ints,
    film: npt.NDArray[np.bool_],
    out: Phases,
) -> None:
    nz, ny, nx = out.shape
    r = EDGE_REACH_VX
    steepest = np.empty(nx, np.uint16)
    any_of = np.empty((ny + 4, nx + 4), np.uint8)
    all_of = np.empty((ny + 4, nx + 4), np.uint8)
    mixed = np.empty(nx, np.bool_)
    for z in range(nz):
        for y in range(ny + 4):
            _join_planes(plain, z + r, y + r - 2, any_of[y], all_of[y])
        for y in range(ny):
            _mark_mixed(any_of, all_of, y, mixed)
            _steepest(
                grey[z + r, y + r],
                grey[z + r - 1, y + r],
                grey[z + r + 1, y + r],
                grey[z + r, y + r - 1],
                grey[z + r, y + r + 1],
                steepest,
            )
            for x in range(nx):
                p = plain[z + r, y + r, x + r]
                # With one phase within two voxels there is no other to go to: most voxels.
                if mixed[x]:
                    if steepest[x] >= steep[p] and p != OUTSIDE:
                        p = _decide(grey, plain, z + r, y + r, x + r, p, cuts, sharpened, even)
                    if film[p]:
                        p = _part_film(grey, plain, z + r, y + r, x + r, p, cuts, sharpened, even)
                out[z, y, x] = p


@njit(nogil=True, cache=True)
def _join_planes(plain: Phases, z: int, y: int, any_of: Phases, all_of: Phases) -> None:
    """Write the bits that any, and that all, of five voxels one above the other have; a row."""
    start = EDGE_REACH_VX - 2
    first = plain[z - 2, y]
    for x in range(any_of.size):
        any_of[x] = all_of[x] = first[x + start]
    for dz in range(-1, 3):
        row = plain[z + dz, y]
        for x in range(any_of.size):
            any_of[x] |= row[x + start]
            all_of[x] &= row[x + start]


@njit(nogil=True, cache=True)
def _mark_mixed(any_of: Phases, all_of: Phases, y: int, mixed: npt.NDArray[np.bool_]) -> None:
    """Mark the voxels of a row with more than one phase in the 5x5x5 voxels about them."""
    either, both = any_of[y].copy(), all_of[y].copy()
    for dy in range(1, 5):
        more, fewer = any_of[y + dy], all_of[y + dy]
        for x in range(either.size):
            either[x] |= more[x]
            both[x] &= fewer[x]
    for x in range(mixed.size):
        one = either[x] | either[x + 1] | either[x + 2] | either[x + 3] | either[x + 4]
        same = both[x] & both[x + 1] & both[x + 2] & both[x + 3] & both[x + 4]
        mixed[x] = one != same


@njit(nogil=True, cache=True)
def _steepest(
    here: npt.NDArray[np.uint16],
    above: npt.NDArray[np.uint16],
    below: npt.NDArray[np.uint16],
    before: npt.NDArray[np.uint16],
    after: npt.NDArray[np.uint16],
    steepest: npt.NDArray[np.uint16],
) -> None:
    """Write the largest difference between opposite neighbours; a row in vector instructions."""
    r = EDGE_REACH_VX
    for x in range(steepest.size):
        z = _apart(above[x + r], below[x + r])
        y = _apart(before[x + r], after[x + r])
        d = _apart(here[x + r - 1], here[x + r + 1])
        d = d if d > y else y
        steepest[x] = d if d > z else z


@njit(nogil=True, cache=True)
def _apart(a: np.uint16, b: np.uint16) -> np.uint16:
    return np.uint16(a - b) if a > b else np.uint16(b - a)


@njit(nogil=True, cache=True)
def _step(slope: int, largest: int) -> int:
    """Return the slope on a scale where the largest is 2 voxels, rounded half away from zero."""
    if slope >= 0:
        return (4 * slope + largest) // (2 * largest)
    return -((-4 * slope + largest) // (2 * largest))


@njit(nogil=True, cache=True)
def _decide(
    grey: npt.NDArray[np.uint16],
    plain: Phases,
    z: int,
    y: int,
    x: int,
    p: np.uint8,
    cuts: Ints,
    sharpened: Ints,
    even: Ints,
) -> Any:
    total = 0
    low, high = 65535, 0
    gz = gy = gx = 0
    for dz in range(-1, 2):
        for dy in range(-1, 2):
            row: Any = grey[z + dz, y + dy]
            a: Any = np.int64(row[x - 1])
            b: Any = np.int64(row[x])
            c: Any = np.int64(row[x + 1])
            wz, wy = 2 - abs(dz), 2 - abs(dy)
            smooth = a + 2 * b + c
            total += a + b + c
            gz += dz * wy * smooth
            gy += dy * wz * smooth
            gx += wz * wy * (c - a)
            low = min(low, a, b, c)
            high = max(high, a, b, c)
    if high - low < even[p]:
        return p
    largest = max(abs(gz), abs(gy), abs(gx))
    if largest == 0:
        return p
    sz, sy, sx = _step(gz, largest), _step(gy, largest), _step(gx, largest)
    dark = plain[z - sz, y - sy, x - sx]
    bright = plain[z + sz, y + sy, x + sx]
    if dark == OUTSIDE or bright == OUTSIDE or not (dark <= p <= bright and dark < bright):
        return p
    here = np.int64(grey[z, y, x])
    value = _UNITS * here + sharpened[dark, bright] * (27 * here - total)
    return bright if value >= cuts[dark, bright] else dark


@njit(nogil=True, cache=True)
def _is_even(grey: npt.NDArray[np.uint16], z: int, y: int, x: int, limit: int) -> bool:
    """Return whether grey over 3x3x3 voxels differs by less than `limit`."""
    low, high = np.int64(65535), np.int64(0)
    for dz in range(-1, 2):
        for dy in range(-1, 2):
            row: Any = grey[z + dz, y + dy]
            for dx in range(-1, 2):
                g: Any = np.int64(row[x + dx])
                low, high = min(low, g), max(high, g)
        if high - low >= limit:
            return False
    return True


@njit(nogil=True, cache=True)
def _sides(plain: Phases, z: int, y: int, x: int, p: np.uint8) -> tuple[Any, Any]:
    """Return the next darker and the next brighter phase within two voxels; -1 and 255 for none."""
    dark, bright = np.int64(-1), np.int64(OUTSIDE)
    for dz in range(-2, 3):
        for dy in range(-2, 3):
            for dx in range(-2, 3):
                q: Any = np.int64(plain[z + dz, y + dy, x + dx])
                if q < p:
                    dark = max(dark, q)
                elif q > p:
                    bright = min(bright, q)
    return dark, bright


@njit(nogil=True, cache=True)
def _even_near(
    grey: npt.NDArray[np.uint16], plain: Phases, z: int, y: int, x: int, p: np.uint8, limit: int
) -> bool:
    """Return whether an even patch about a voxel of phase `p` lies within two voxels."""
    for dz in range(-2, 3):
        for dy in range(-2, 3):
            for dx in range(-2, 3):
                if plain[z + dz, y + dy, x + dx] == p and _is_even(
                    grey, z + dz, y + dy, x + dx, limit
                ):
                    return True
    return False


@njit(nogil=True, cache=True)
def _part_film(
    grey: npt.NDArray[np.uint16],
    plain: Phases,
    z: int,
    y: int,
    x: int,
    p: np.uint8,
    cuts: Ints,
    sharpened: Ints,
    even: Ints,
) -> Any:
    """Return `p` where an even patch of it is near, else the phase of the side that is nearer."""
    if _is_even(grey, z, y, x, even[p]):
        return p
    dark, bright = _sides(plain, z, y, x, p)
    if dark < 0 or bright == OUTSIDE or _even_near(grey, plain, z, y, x, p, even[p]):
        return p
    here = np.int64(grey[z, y, x])
    total = np.int64(0)
    for dz in range(-1, 2):
        for dy in range(-1, 2):
            for dx in range(-1, 2):
                total += np.int64(grey[z + dz, y + dy, x + dx])
    value = _UNITS * here + sharpened[dark, bright] * (27 * here - total)
    return np.uint8(bright) if value >= cuts[dark, bright] else np.uint8(dark)
