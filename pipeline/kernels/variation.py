"""Total variation: the flattest volume that is close to what was measured (Rudin et al. 1992)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.errors import UsageError
from pipeline.kernels.windows import Grey, check_amount, split_padded

Planes = npt.NDArray[np.float32]
Row = npt.NDArray[np.float32]

# The three components of the dual field lie side by side in one row of scratch, a constant distance
# apart: the compiler sees that they never overlap and turns the loops over x into vector
# instructions.  Loops run over whole vectors; what lies beyond a row's own voxels is never read.
_STRIDE = 384
_SPARE = 32

ROWS_VX = 32
"""Rows of a tile that are filtered at a time, to keep the scratch planes in a processor's cache."""

ITERATIONS_MAX = 50

_STEP = np.float32(1 / 6)
_HALF, _ONE, _ZERO, _TOP = np.float32(0.5), np.float32(1.0), np.float32(0.0), np.float32(65535.0)


def variation_scratch_bytes(iterations: int) -> int:
    """Return the bytes of scratch that the filter holds beside its input and its output."""
    rows = ROWS_VX + 2 * iterations
    return 4 * rows * _STRIDE * (3 * (iterations + 2) + 2 * (iterations + 1) + 1)


def denoise_variation(padded: Grey, weight_grey: float, iterations: int) -> Grey:
    """Return the volume after a fixed number of steps towards least total variation.

    Parameters
    ----------
    padded : numpy.ndarray
        uint16 (z, y, x), the voxels wanted and a halo of `iterations` on every side.
    weight_grey : float
        What a unit of total variation costs, in grey levels; 0 leaves the voxels as they are.
    iterations : int
        Steps, each of which looks one voxel further.

    Returns
    -------
    numpy.ndarray
        uint16, twice the halo smaller an edge; rounded and clipped once, at the end.

    Raises
    ------
    UsageError
        If type, shape or a parameter does not fit.

    Notes
    -----
    Chambolle's projection (2004): with ``u = f - div p``, ``p <- (p - tau grad u) / (1 + tau |grad
    u| / weight)``, tau = 1/6, forward differences, p = 0 at the start.  After n steps a voxel
    depends on voxels at most n away, so a halo of n makes tiles exact.  One sweep over the planes
    carries all steps, each one plane behind the step before it; memory does not grow with the tile.
    """
    if not 1 <= iterations <= ITERATIONS_MAX:
        raise UsageError(
            f"total variation wants 1 to {ITERATIONS_MAX} iterations, got {iterations}."
        )
    source, core = split_padded(padded, iterations)
    if weight_grey == 0:
        core[:] = source[(slice(iterations, -iterations),) * 3]
        return core
    pull = np.float32(1.0 / 6.0 / float(check_amount("weight_grey", weight_grey)))
    _variation(source, pull, iterations, core)
    return core


@njit(nogil=True, cache=True)
def _variation(padded: Grey, pull: np.float32, n: int, out: Grey) -> None:
    _, ny, nx = out.shape
    across = _STRIDE - _SPARE - 2 * n
    rows = min(ROWS_VX, ny) + 2 * n
    field = np.zeros((n + 2, rows, 3 * _STRIDE), np.float32)
    grey = np.zeros((n + 1, 2, rows, _STRIDE), np.float32)
    last = np.zeros(_STRIDE, np.float32)
    for y in range(0, ny, ROWS_VX):
        by = min(ROWS_VX, ny - y)
        for x in range(0, nx, across):
            bx = min(across, nx - x)
            _sweep(padded, (y, x), (by, bx), pull, n, field, grey, last, out)


@njit(nogil=True, cache=True)
def _sweep(
    padded: Grey,
    start: tuple[int, int],
    size: tuple[int, int],
    pull: np.float32,
    n: int,
    field: Planes,
    grey: Planes,
    last: Row,
    out: Grey,
) -> None:
    """Move all steps through the planes: step k + 1 treats plane ``t - k`` at time t."""
    nz, ny, nx = padded.shape[0], size[0] + 2 * n, size[1] + 2 * n
    ring = n + 2
    wide = (nx + 15) // 16 * 16
    for t in range(nz + 1):
        if t < nz:
            field[t % ring, :ny] = _ZERO
        for k in range(min(n, t + 1)):
            # Plane z of step k's grey is complete here, and with it plane z - 1 of step k + 1's
            # field: both are valid k voxels away from the padded tile's faces.
            z = t - k
            if k <= z < nz - k:
                here, above = field[z % ring], field[(z - 1) % ring]
                _step(padded, z, start, (ny, nx), k, pull, here, above, grey[k], wide)
        z = t - n
        if n <= z < nz - n:
            for y in range(n, ny - n):
                row = padded[z, start[0] + y, start[1] : start[1] + nx]
                plane = field[z % ring]
                _diverge(row, field[(z - 1) % ring, y], plane[y], plane[y - 1], last, nx)
                to = out[z - n, start[0] + y - n, start[1] : start[1] + size[1]]
                _round(last[n + 1 : nx - n + 1], to)


@njit(nogil=True, cache=True)
def _step(
    padded: Grey,
    z: int,
    start: tuple[int, int],
    size: tuple[int, int],
    k: int,
    pull: np.float32,
    here: Planes,
    above: Planes,
    grey: Planes,
    wide: int,
) -> None:
    """Write plane z of step k's grey; then plane z - 1 of the field goes on to step k + 1."""
    ny, nx = size
    new, old = grey[z & 1], grey[(z - 1) & 1]
    for y in range(k, ny - k):
        # Rows are cut from the whole tile, whose layout the compiler knows: loops over rows of a
        # part of it would not become vector instructions.
        row = padded[z, start[0] + y, start[1] : start[1] + nx]
        if k:
            _diverge(row, above[y], here[y], here[y - 1], new[y], nx)
        else:
            _copy(row, new[y, 1 : nx + 1])
        if z > k and y < ny - k - 1:
            _project(old[y], old[y + 1], new[y], above[y], pull, wide)


# In all rows of scratch, voxel x lies at place x + 1: place 0 is the neighbour before the first.
@njit(nogil=True, cache=True)
def _copy(row: Grey, to: Row) -> None:
    for x in range(to.size):
        to[x] = np.float32(row[x])


@njit(nogil=True, cache=True)
def _diverge(row: Grey, above: Row, here: Row, before: Row, to: Row, n: int) -> None:
    """Write ``f - div p``, in this order of sums, of a row."""
    up, target = above[1 : n + 1], to[1 : n + 1]
    for x in range(n):
        change = (
            (up[x] - here[x + 1])
            + (before[x + _STRIDE + 1] - here[x + _STRIDE + 1])
            + (here[x + 2 * _STRIDE] - here[x + 2 * _STRIDE + 1])
        )
        target[x] = np.float32(row[x]) + change


# A check for division by zero in every lane would keep the loop from vector instructions.
@njit(nogil=True, cache=True, error_model="numpy")
def _project(old: Row, behind: Row, below: Row, field: Row, pull: np.float32, n: int) -> None:
    """Take one step of the dual field of a row, in place."""
    y_next, z_next = behind[1 : n + 1], below[1 : n + 1]
    for x in range(n):
        u = old[x + 1]
        gz, gy, gx = z_next[x] - u, y_next[x] - u, old[x + 2] - u
        shrink = _ONE / (_ONE + pull * np.sqrt(gz * gz + gy * gy + gx * gx))
        field[x + 1] = (field[x + 1] - _STEP * gz) * shrink
        field[x + _STRIDE + 1] = (field[x + _STRIDE + 1] - _STEP * gy) * shrink
        field[x + 2 * _STRIDE + 1] = (field[x + 2 * _STRIDE + 1] - _STEP * gx) * shrink


@njit(nogil=True, cache=True)
def _round(values: Row, row: Grey) -> None:
    for x in range(row.size):
        level = values[x] if values[x] > _ZERO else _ZERO
        row[x] = np.uint16(np.int32((level if level < _TOP else _TOP) + _HALF))
