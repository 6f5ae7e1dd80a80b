"""Clean-up of a phase map: opening and closing by balls, holes filled, phase by phase.

Three steps, each from one map: all phases are opened, then all closed, then their holes filled.
Opened voxels return to the background phase; closing and filling take voxels of the background
phase only, and one that several phases claim goes to the darkest of these.  Voxels outside the
specimen never change, are no part of any phase and enclose nothing.

The ball is the set of offsets with dz^2 + dy^2 + dx^2 <= radius^2.  A hole of a phase is a
6-connected set of voxels that are not of the phase, whose box is at most so many voxels long on
every axis, and that meets neither the border of the volume nor the outside of the specimen.  Beyond
the border of the volume its outermost voxels are repeated, as for filters: a body that the border
cuts is not worn down there, and no gap is closed against it.  All of it is whole numbers over a
finite neighbourhood: a voxel gets the same phase in any tile.

Distances are exact squares: the least over shifts along x, then y, then z, each pass one vector
instruction for 16 or 32 voxels of a row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.errors import UsageError
from pipeline.model.recipe import OUTSIDE, Recipe

Marks = npt.NDArray[np.uint8]

RADIUS_MAX = 8.0
"""Largest radius of a ball: squares of distances up to it fit eight bits."""

# States of voxels while holes are sought.
_PHASE, _MAYBE, _OPEN, _SEEN, _HOLE = 0, 1, 2, 3, 4


@dataclass(frozen=True, slots=True)
class CleanUp:
    """What is done to one phase.

    Parameters
    ----------
    position : int
        Value of the phase in the map.
    opening_vx, closing_vx : float
        Radii of the balls; 0 for none.
    fill_holes_vx : int
        Longest edge of the box of a hole that is filled; 0 for none.
    """

    position: int
    opening_vx: float = 0.0
    closing_vx: float = 0.0
    fill_holes_vx: int = 0


def plan_clean_up(recipe: Recipe) -> tuple[CleanUp, ...]:
    """Return what a recipe wants done, dark to bright; empty where it wants nothing."""
    wanted = (
        CleanUp(i, phase.opening_vx, phase.closing_vx, phase.fill_holes_vx)
        for i, phase in enumerate(recipe.phases)
    )
    return tuple(c for c in wanted if c.opening_vx or c.closing_vx or c.fill_holes_vx)


def clean_phases(phases: Marks, wanted: Sequence[CleanUp], background: int, halo_vx: int) -> Marks:
    """Open, close and fill the phases of a map.

    Parameters
    ----------
    phases : numpy.ndarray
        uint8 (z, y, x) with `halo_vx` voxels of halo on every side: phase map, `OUTSIDE` outside
        the specimen.
    wanted : sequence of CleanUp
        Phases in order of their claims.
    background : int
        Phase that gives and takes.
    halo_vx : int
        Voxels that the steps reach; see `pipeline.model.plan.clean_up_halo`.

    Returns
    -------
    numpy.ndarray
        uint8 map without the halo.

    Raises
    ------
    UsageError
        If the map is not uint8, or holds no voxel inside the halo.

    Examples
    --------
    >>> bar = np.zeros((5, 5, 13), np.uint8)
    >>> bar[..., [3, 4, 5, 7, 8, 9]] = 1
    >>> clean_phases(bar, [CleanUp(1, closing_vx=1)], 0, 2)[0, 0]
    array([0, 1, 1, 1, 1, 1, 1, 1, 0], dtype=uint8)
    """
    if phases.dtype != np.uint8 or phases.ndim != 3 or min(phases.shape) <= 2 * halo_vx:
        raise UsageError(
            f"clean-up with a halo of {halo_vx} voxels wants uint8 (z, y, x) of more than "
            f"{2 * halo_vx} voxels an edge, got {phases.dtype} of shape {phases.shape}."
        )
    here = np.ascontiguousarray(phases)
    for phase in wanted:
        if phase.opening_vx:
            # Voxels of different phases do not meet in this step: no copy is needed.
            opened = open_ball(_select(here, phase.position), phase.opening_vx)
            here = _give(here, here, opened, 0, phase.position, background)
    before = here
    for phase in wanted:
        if phase.closing_vx:
            closed = close_ball(_select(before, phase.position), phase.closing_vx)
            here = _give(here, before, closed, 1, background, phase.position)
    before = here
    for phase in wanted:
        if phase.fill_holes_vx:
            holes = mark_holes(before, phase.position, phase.fill_holes_vx)
            here = _give(here, before, holes, 1, background, phase.position)
    return here[tuple(slice(halo_vx, n - halo_vx) for n in here.shape)]


def open_ball(mask: Marks, radius_vx: float) -> Marks:
    """Return the union of the balls that lie inside a set, cut off at the faces of the array.

    Parameters
    ----------
    mask : numpy.ndarray
        uint8 (z, y, x), 0 or 1.
    radius_vx : float
        Radius of the ball, 1 to `RADIUS_MAX`.

    Returns
    -------
    numpy.ndarray
        uint8 set of the same shape, inside the one given.
    """
    return mark_near(mark_near(mask, radius_vx, of=0, far=True), radius_vx)


def close_ball(mask: Marks, radius_vx: float) -> Marks:
    """Return the voxels that no ball free of a set reaches, balls cut off at the array's faces.

    Parameters
    ----------
    mask : numpy.ndarray
        uint8 (z, y, x), 0 or 1.
    radius_vx : float
        Radius of the ball, 1 to `RADIUS_MAX`.

    Returns
    -------
    numpy.ndarray
        uint8 set of the same shape, around the one given.
    """
    return mark_near(mark_near(mask, radius_vx), radius_vx, of=0, far=True)


def mark_near(mask: Marks, radius_vx: float, *, of: int = 1, far: bool = False) -> Marks:
    """Mark voxels within a distance of the nearest one of a value.

    Parameters
    ----------
    mask : numpy.ndarray
        uint8 (z, y, x), 0 or 1.
    radius_vx : float
        The distance, 1 to `RADIUS_MAX`, between centres of voxels.
    of : int
        Value, 0 or 1, of the voxels that distances are taken from.
    far : bool
        Whether to mark the voxels that are farther away instead.

    Returns
    -------
    numpy.ndarray
        uint8 (z, y, x), 0 or 1.

    Raises
    ------
    UsageError
        If the radius does not fit.

    Examples
    --------
    >>> row = np.array([[[0, 0, 0, 1, 0, 0, 0, 0]]], np.uint8)
    >>> mark_near(row, 2.0).ravel()
    array([0, 1, 1, 1, 1, 1, 0, 0], dtype=uint8)
    """
    if not 1.0 <= radius_vx <= RADIUS_MAX:
        raise UsageError(f"a ball has a radius of 1 to {RADIUS_MAX:g} voxels, got {radius_vx}.")
    out = np.empty(mask.shape, np.uint8)
    reach, limit = int(radius_vx), int(radius_vx * radius_vx)
    _mark_near(np.ascontiguousarray(mask), reach, limit, of, int(not far), int(far), out)
    return out


def mark_holes(phases: Marks, position: int, longest_vx: int) -> Marks:
    """Mark the holes of a phase, whatever they hold.

    Parameters
    ----------
    phases : numpy.ndarray
        uint8 (z, y, x): phase map.
    position : int
        The phase.
    longest_vx : int
        Longest edge of the box of a hole.

    Returns
    -------
    numpy.ndarray
        uint8 (z, y, x): 1 in holes.  What meets a face of the array is none.

    Examples
    --------
    >>> shell = np.ones((3, 3, 4), np.uint8)
    >>> shell[1, 1, 1:3] = 0
    >>> int(mark_holes(shell, 1, 2).sum()), int(mark_holes(shell, 1, 1).sum())
    (2, 0)
    """
    state = np.empty(phases.shape, np.uint8)
    # A set that is still whole when it has left its box is not walked further.
    queue = np.empty((longest_vx**3 + 6, 3), np.int32)
    _find_holes(np.ascontiguousarray(phases), position, longest_vx, queue, state)
    return state


@njit(nogil=True, cache=True)
def _select(phases: Marks, position: int) -> Marks:
    mask = np.empty(phases.shape, np.uint8)
    for z in range(phases.shape[0]):
        for y in range(phases.shape[1]):
            for x in range(phases.shape[2]):
                mask[z, y, x] = phases[z, y, x] == position
    return mask


@njit(nogil=True, cache=True)
def _give(here: Marks, before: Marks, marks: Marks, mark: int, giver: int, taker: int) -> Marks:
    """Return the map with marked voxels of one phase given to another, if nobody took them yet."""
    out = np.empty(here.shape, np.uint8)
    a, b, m = np.uint8(giver), np.uint8(taker), np.uint8(mark)
    for z in range(here.shape[0]):
        for y in range(here.shape[1]):
            for x in range(here.shape[2]):
                moves = (marks[z, y, x] == m) & (before[z, y, x] == a) & (here[z, y, x] == a)
                out[z, y, x] = b if moves else here[z, y, x]
    return out


@njit(nogil=True, cache=True)
def _mark_near(
    mask: Marks, reach: int, limit: int, of: int, near: int, far: int, out: Marks
) -> None:
    nz, ny, nx = mask.shape
    cap = (reach + 1) ** 2
    squares = np.empty((nz, ny, nx), np.uint8)
    busy = np.zeros((nz, ny), np.bool_)
    rows = np.empty((ny, nx), np.uint8)
    holds = np.empty(ny, np.bool_)
    for z in range(nz):
        for y in range(ny):
            holds[y] = _along_row(mask[z, y], reach, cap, of, squares[z, 0], rows[y])
        for y in range(ny):
            squares[z, y] = rows[y]
            busy[z, y] = holds[y]
            for other in range(max(y - reach, 0), min(y + reach + 1, ny)):
                if other != y and holds[other]:
                    _lower(squares[z, y], rows[other], (y - other) ** 2)
                    busy[z, y] = True
    least = np.empty(nx, np.uint8)
    for z in range(nz):
        for y in range(ny):
            least[:] = squares[z, y]
            for other in range(max(z - reach, 0), min(z + reach + 1, nz)):
                if other != z and busy[other, y]:
                    _lower(least, squares[other, y], (z - other) ** 2)
            _divide(least, limit, near, far, out[z, y])


@njit(nogil=True, cache=True)
def _along_row(row: Marks, reach: int, cap: int, of: int, first: Marks, out: Marks) -> Any:
    """Write squared distances within a row, at most `cap`; return whether any is less."""
    wanted, most = np.uint8(of), np.uint8(cap)
    any_found = False
    for x in range(row.size):
        found = row[x] == wanted
        first[x] = np.uint8(0) if found else most
        any_found |= found
    out[:] = first
    if any_found:
        for d in range(1, min(reach, row.size - 1) + 1):
            _lower(out[d:], first[:-d], d * d)
            _lower(out[:-d], first[d:], d * d)
    return any_found


@njit(nogil=True, cache=True)
def _lower(least: Marks, other: Marks, square: int) -> None:
    """Lower squares of distances to those by way of another row."""
    step = np.uint8(square)
    for x in range(least.size):
        way = np.uint8(other[x] + step)
        least[x] = way if way < least[x] else least[x]


@njit(nogil=True, cache=True)
def _divide(least: Marks, limit: int, near: int, far: int, out: Marks) -> None:
    most, inside, outside = np.uint8(limit), np.uint8(near), np.uint8(far)
    for x in range(least.size):
        out[x] = inside if least[x] <= most else outside


@njit(nogil=True, cache=True)
def _find_holes(
    phases: Marks, position: int, longest: int, queue: npt.NDArray[np.int32], state: Marks
) -> None:
    nz, ny, nx = phases.shape
    for z in range(nz):
        for y in range(ny):
            _short_runs(phases[z, y], position, longest, state[z, y])
    for z in range(nz):
        for y in range(ny):
            for x in range(nx):
                if state[z, y, x] == _MAYBE:
                    _walk(state, z, y, x, longest, queue)
    for z in range(nz):
        for y in range(ny):
            for x in range(nx):
                state[z, y, x] = state[z, y, x] == _HOLE


@njit(nogil=True, cache=True)
def _short_runs(row: Marks, position: int, longest: int, state: Marks) -> None:
    """Tell what may be a hole: runs between voxels of the phase, none too long or outside."""
    start = 0
    shut = False
    for x in range(row.size + 1):
        if x < row.size and row[x] != position:
            state[x] = _OPEN
            shut = shut and row[x] != OUTSIDE
            continue
        if x < row.size:
            state[x] = _PHASE
            if shut and x - start <= longest:
                state[start:x] = _MAYBE
        start, shut = x + 1, True


@njit(nogil=True, cache=True)
def _walk(state: Marks, z: int, y: int, x: int, longest: int, queue: Any) -> None:
    """Walk the set around a voxel until it is whole, or open, or too long."""
    low = np.array([z, y, x])
    high = np.array([z, y, x])
    queue[0, 0], queue[0, 1], queue[0, 2] = z, y, x
    state[z, y, x] = _SEEN
    n, i = 1, 0
    is_open = False
    while i < n and not is_open:
        for axis in range(3):
            for step in (-1, 1):
                a = queue[i, 0] + (step if axis == 0 else 0)
                b = queue[i, 1] + (step if axis == 1 else 0)
                c = queue[i, 2] + (step if axis == 2 else 0)
                at = (a, b, c)[axis]
                if at < 0 or at >= state.shape[axis] or state[a, b, c] == _OPEN:
                    is_open = True
                elif state[a, b, c] == _MAYBE:
                    state[a, b, c] = _SEEN
                    low[axis] = min(low[axis], at)
                    high[axis] = max(high[axis], at)
                    is_open |= high[axis] - low[axis] >= longest
                    queue[n, 0], queue[n, 1], queue[n, 2] = a, b, c
                    n += 1
        i += 1
    for k in range(n):
        state[queue[k, 0], queue[k, 1], queue[k, 2]] = _OPEN if is_open else _HOLE
