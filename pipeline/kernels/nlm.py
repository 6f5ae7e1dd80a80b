"""Non-local means: voxels whose surroundings look alike are averaged (Buades et al. 2005)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.errors import UsageError
from pipeline.kernels.windows import Grey, check_amount, fall_off, split_padded

Volume = npt.NDArray[np.float32]
Row = npt.NDArray[np.float32]

# A tile is filtered in blocks of 16 x 16 rows of 256 voxels: the arrays of a block (1.6 MB) stay in
# cache, and a call for a row is worth its price.  Rows of scratch are longer than a row of voxels,
# so that every loop over x can run over whole vectors; what lies beyond a block's own voxels is
# never read.
_BLOCK = 16
_LENGTH = 256
_SPARE = 32

_ZERO, _HALF, _ONE = np.float32(0.0), np.float32(0.5), np.float32(1.0)


def nlm_halo_vx(patch_vx: int, search_vx: int) -> int:
    """Return how far non-local means reads beyond the voxels that it writes."""
    return patch_vx + search_vx


def denoise_nlm(
    padded: Grey, noise_sd: float, strength: float, patch_vx: int = 1, search_vx: int = 2
) -> Grey:
    """Return the mean of the voxels nearby, weighted by how alike their surroundings are.

    Parameters
    ----------
    padded : numpy.ndarray
        uint16 (z, y, x), the voxels wanted and a halo of ``patch_vx + search_vx`` on every side.
    noise_sd : float
        Standard deviation of the noise in grey levels; 0 leaves the voxels as they are.
    strength : float
        Decay of the weights, in units of `noise_sd`.
    patch_vx : int, optional
        Half edge of the cube of voxels that is compared.
    search_vx : int, optional
        Half edge of the cube in which voxels are sought.

    Returns
    -------
    numpy.ndarray
        uint16, twice the halo smaller an edge.

    Raises
    ------
    UsageError
        If type, shape or a parameter does not fit.

    Notes
    -----
    ``out(p) = sum_q w f(q) / sum_q w`` over all q of the search cube, with
    ``w = exp(-max(d2(p, q) - 2 sd^2, 0) / (strength sd)^2)`` and ``d2`` the mean squared difference
    of the patches around p and q; the weight of p itself is 1.

    A weight serves both voxels of its pair, so half the offsets are enough; squared differences
    are summed along x, then y, then z.  Every voxel goes through the same sums in the same order in
    single precision, wherever it lies in a tile.
    """
    if patch_vx < 1 or search_vx < 1:
        raise UsageError(
            f"non-local means wants patch_vx and search_vx of at least 1, got {patch_vx} and "
            f"{search_vx}."
        )
    halo = nlm_halo_vx(patch_vx, search_vx)
    source, core = split_padded(padded, halo)
    if noise_sd == 0:
        core[:] = source[(slice(halo, -halo),) * 3]
        return core
    sd = float(check_amount("noise_sd", noise_sd))
    decay = (float(check_amount("strength", strength)) * sd) ** 2
    scale = np.float32(1.0 / ((2 * patch_vx + 1) ** 3 * decay))
    _nlm(source, patch_vx, search_vx, scale, np.float32(2.0 * sd * sd / decay), core)
    return core


@njit(nogil=True, cache=True)
def _nlm(
    padded: Grey, patch: int, search: int, scale: np.float32, excess: np.float32, out: Grey
) -> None:
    halo = patch + search
    nz, ny, nx = out.shape
    wide = _LENGTH + 2 * halo + 2 * _SPARE
    block = np.zeros((_BLOCK + 2 * halo, _BLOCK + 2 * halo, wide), np.float32)
    pair = np.zeros((_BLOCK + search, _BLOCK + 2 * search, wide), np.float32)
    layers = np.zeros((2 * patch + 1, _BLOCK + 2 * search, wide), np.float32)
    rows = np.zeros((2 * patch + 2, 1, wide), np.float32)
    total = np.zeros((_BLOCK, _BLOCK, _LENGTH), np.float32)
    weight = np.zeros((_BLOCK, _BLOCK, _LENGTH), np.float32)
    for z in range(0, nz, _BLOCK):
        bz = min(_BLOCK, nz - z)
        for y in range(0, ny, _BLOCK):
            by = min(_BLOCK, ny - y)
            for x in range(0, nx, _LENGTH):
                bx = min(_LENGTH, nx - x)
                _load(padded, (z, y, x), (bz + 2 * halo, by + 2 * halo, bx + 2 * halo), block)
                total[:] = _ZERO
                weight[:] = _ONE
                for dz in range(search + 1):
                    for dy in range(-search if dz else 0, search + 1):
                        for dx in range(-search if dz or dy else 1, search + 1):
                            step = (dz, dy, dx)
                            size = (bz, by, (bx + 15) // 16 * 16)
                            _compare(
                                block, step, size, patch, search, scale, excess, rows, layers, pair
                            )
                            _gather(block, step, size, halo, search, pair, total, weight)
                _store(block, halo, total, weight, (z, y, x), (bz, by, bx), out)


@njit(nogil=True, cache=True)
def _load(
    padded: Grey, start: tuple[int, int, int], size: tuple[int, int, int], block: Volume
) -> None:
    for z in range(size[0]):
        for y in range(size[1]):
            row = padded[start[0] + z, start[1] + y, start[2] : start[2] + size[2]]
            to = block[z, y, : size[2]]
            for x in range(size[2]):
                to[x] = np.float32(row[x])


@njit(nogil=True, cache=True)
def _compare(
    block: Volume,
    step: tuple[int, int, int],
    size: tuple[int, int, int],
    patch: int,
    search: int,
    scale: np.float32,
    excess: np.float32,
    rows: Volume,
    layers: Volume,
    pair: Volume,
) -> None:
    """Write the weight between every voxel p and p + step.

    Row ``(z + search, y + search)`` of `pair` holds the weights of the block's row (z, y), which
    may be negative: p is any voxel that is itself in the block or whose partner is.  Its x starts
    at ``-max(step, 0)``.
    """
    dz, dy, dx = step
    halo, edge = patch + search, 2 * patch + 1
    y_low, y_high = min(0, -dy), size[1] + max(0, -dy)
    x_low = min(0, -dx)
    n = size[2] + 16
    for z in range(-dz - patch, size[0] + patch):
        layer = layers[(z + 4 * edge) % edge]
        for y in range(y_low - patch, y_high + patch):
            here = block[z + halo, y + halo, x_low + search : x_low + search + n + 16]
            there = block[
                z + dz + halo, y + dy + halo, x_low + dx + search : x_low + dx + search + n + 16
            ]
            _square(here, there, rows[edge, 0, : n + 16])
            _sum_along_x(rows[edge, 0, : n + 16], patch, rows[(y + 4 * edge) % edge, 0, :n])
            if y >= y_low + patch:
                first = (y + 1 + 4 * edge) % edge
                _sum_rows(rows, first, 0, patch, layer[y - patch + search, :n])
        if z >= patch - dz:
            first = (z + 1 + 4 * edge) % edge
            for y in range(y_low + search, y_high + search):
                to = pair[z - patch + search, y, :n]
                _sum_rows(layers, first, y, patch, to)
                _turn_to_weights(to, scale, excess)


@njit(nogil=True, cache=True)
def _square(here: Row, there: Row, to: Row) -> None:
    for x in range(to.size):
        step = here[x] - there[x]
        to[x] = step * step


@njit(nogil=True, cache=True)
def _sum_along_x(values: Row, patch: int, to: Row) -> None:
    if patch == 1:
        for x in range(to.size):
            to[x] = values[x] + values[x + 1] + values[x + 2]
        return
    to[:] = values[: to.size]
    for i in range(1, 2 * patch + 1):
        part = values[i : i + to.size]
        for x in range(to.size):
            to[x] += part[x]


@njit(nogil=True, cache=True)
def _sum_rows(ring: Volume, first: int, y: int, patch: int, to: Row) -> None:
    """Add row y of a ring's layers, oldest first: no order may depend on where the ring stands."""
    edge = 2 * patch + 1
    if patch == 1:
        a, b, c = ring[first, y], ring[(first + 1) % 3, y], ring[(first + 2) % 3, y]
        for x in range(to.size):
            to[x] = a[x] + b[x] + c[x]
        return
    to[:] = ring[first, y, : to.size]
    for i in range(1, edge):
        part = ring[(first + i) % edge, y]
        for x in range(to.size):
            to[x] += part[x]


@njit(nogil=True, cache=True)
def _turn_to_weights(values: Row, scale: np.float32, excess: np.float32) -> None:
    for x in range(values.size):
        t = values[x] * scale - excess
        values[x] = fall_off(t if t > _ZERO else _ZERO)


@njit(nogil=True, cache=True)
def _gather(
    block: Volume,
    step: tuple[int, int, int],
    size: tuple[int, int, int],
    halo: int,
    search: int,
    pair: Volume,
    total: Volume,
    weight: Volume,
) -> None:
    """Add to every voxel of the block what its two partners at ``+ step`` and ``- step`` give."""
    dz, dy, dx = step
    n = size[2]
    start = max(0, dx)
    for z in range(size[0]):
        for y in range(size[1]):
            _add_pair(
                block[z + halo, y + halo, halo : halo + n],
                block[z + dz + halo, y + dy + halo, dx + halo : dx + halo + n],
                block[z - dz + halo, y - dy + halo, halo - dx : halo - dx + n],
                pair[z + search, y + search, start : start + n],
                pair[z - dz + search, y - dy + search, start - dx : start - dx + n],
                total[z, y, :n],
                weight[z, y, :n],
            )


@njit(nogil=True, cache=True)
def _add_pair(
    here: Row, ahead: Row, behind: Row, w_ahead: Row, w_behind: Row, total: Row, weight: Row
) -> None:
    for x in range(total.size):
        total[x] += w_ahead[x] * (ahead[x] - here[x]) + w_behind[x] * (behind[x] - here[x])
        weight[x] += w_ahead[x] + w_behind[x]


@njit(nogil=True, cache=True, error_model="numpy")
def _store(
    block: Volume,
    halo: int,
    total: Volume,
    weight: Volume,
    start: tuple[int, int, int],
    size: tuple[int, int, int],
    out: Grey,
) -> None:
    # The mean lies between the least and the greatest voxel: no clipping is needed.
    for z in range(size[0]):
        for y in range(size[1]):
            row = out[start[0] + z, start[1] + y, start[2] : start[2] + size[2]]
            here = block[z + halo, y + halo, halo : halo + size[2]]
            sums, weights = total[z, y], weight[z, y]
            for x in range(row.size):
                row[x] = np.uint16(np.int32(here[x] + sums[x] / weights[x] + _HALF))
