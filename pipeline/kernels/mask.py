"""The specimen against the air around it: estimated on blocks, applied voxel by voxel.

The estimate is global and made of integer sums over blocks, which are folded tile by tile in any
order.  Whether a voxel lies inside follows from the block means about it and its own coordinates
alone, in exact integers: it is the same for every tiling.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy import ndimage

from pipeline.errors import UsageError
from pipeline.kernels.air import CUBE, Means, filled, find_air, largest_body
from pipeline.kernels.dents import close_dents
from pipeline.model.grid import Box, Triple

Inside = npt.NDArray[np.uint8]

MASK_MARGIN_VX = 2
"""Voxels taken off the specimen's skin, where partial volume would pass for pores."""

_BLOCKS_AN_EDGE = 256
_SMALLEST_BLOCK = 4

_EITHER = np.uint8(2)

_THINNEST_BALL = 2  # blocks: one tells no dent from a rough surface


@dataclass(frozen=True, slots=True)
class CoarseMask:
    """Where the specimen is, in blocks.

    Parameters
    ----------
    block : int
        Edge of a block in voxels.
    shape : tuple of int
        Shape of the volume in voxels, (z, y, x).
    inside : numpy.ndarray
        uint8 (z, y, x) of blocks: 1 where more than half of a block is specimen.
    mean : numpy.ndarray
        uint16 of the same shape: mean grey at the specimen's border, and the plain levels of
        specimen and air away from it, pores filled; at least `level` exactly where `inside` is 1.
    level : int
        Grey midway between air and specimen.
    present : bool
        Whether the volume shows any air; without, every voxel is specimen.
    dismissed : int
        Blocks of the one bright body that might be a specimen in air, but is too small for it.
    """

    block: int
    shape: Triple
    inside: Inside
    mean: Means
    level: int
    present: bool
    dismissed: int = 0

    @property
    def air(self) -> int | None:
        """Grey level of the air about the specimen; None where none is seen."""
        return int(self.mean.min()) if self.present else None

    @property
    def specimen(self) -> int | None:
        """Grey level of the specimen, most of which is matrix; None where no air is seen."""
        return int(self.mean.max()) if self.present else None


def coarse_block_vx(shape: Triple) -> int:
    """Return the edge of the blocks that a volume's mask is estimated on.

    Parameters
    ----------
    shape : tuple of int
        Voxels along (z, y, x).

    Returns
    -------
    int
        The smallest power of two from 4 that makes at most 256 blocks along the longest axis.

    Examples
    --------
    >>> coarse_block_vx((100, 200, 300)), coarse_block_vx((64, 1024, 1025))
    (4, 8)
    """
    block = _SMALLEST_BLOCK
    while -(-max(shape) // block) > _BLOCKS_AN_EDGE:
        block *= 2
    return block


def fold_blocks(
    grey: npt.NDArray[np.uint16], origin: Triple, block: int
) -> tuple[Triple, npt.NDArray[np.int64]]:
    """Sum the grey of a tile over the blocks of the volume that it meets.

    Parameters
    ----------
    grey : numpy.ndarray
        uint16 (z, y, x), a tile of any shape without its halo.
    origin : tuple of int
        The tile's first voxel in the volume.
    block : int
        Edge of a block in voxels.

    Returns
    -------
    first : tuple of int
        Position of the first block that the tile meets.
    sums : numpy.ndarray
        int64 (z, y, x): to be added to the volume's sums from `first` on.
    """
    if grey.ndim != 3 or grey.dtype != np.uint16:
        raise UsageError(f"blocks are summed over uint16 (z, y, x), got {grey.dtype} {grey.shape}.")
    first = tuple(a // block for a in origin)
    ends = tuple(-(-(a + n) // block) for a, n in zip(origin, grey.shape, strict=True))
    sums = np.zeros([b - a for a, b in zip(first, ends, strict=True)], np.int64)
    z, y, x = (a % block for a in origin)
    _sum_blocks(np.ascontiguousarray(grey), z, y, x, block, sums)
    return (first[0], first[1], first[2]), sums


def estimate_mask(
    sums: npt.NDArray[np.int64], shape: Triple, block: int, open_pores_vx: int = 0
) -> CoarseMask:
    """Find the specimen among the blocks of a volume.

    Parameters
    ----------
    sums : numpy.ndarray
        int64 (z, y, x): grey summed over every block of the volume, from `fold_blocks`.
    shape : tuple of int
        Shape of the volume in voxels.
    block : int
        Edge of a block in voxels.
    open_pores_vx : int
        Radius of the ball that closes the mask over pores open to the surface, rounded to whole
        blocks, at least two; 0 leaves them outside.

    Returns
    -------
    CoarseMask
        The largest body that is brighter than midway between air and specimen, its cavities
        filled: in space, and in every plane, so that one cut by the volume's end is filled too.

    Notes
    -----
    Air must be dark, even, connected to the side faces and somewhere three blocks thick, or the
    volume is taken to lie wholly inside the specimen: then pores stay pores.  So it is where the
    bright body spans less than half of the volume along every axis, or fills less than 1 % of it:
    that is a particle in its matrix.  Linear
    interpolation of block means misses a smooth surface by less than a voxel for blocks of 4 and 8.
    """
    wanted = tuple(-(-n // block) for n in shape)
    if sums.shape != wanted:
        raise UsageError(f"a volume of {shape} has {wanted} blocks of {block}, got {sums.shape}.")
    mean = _block_means(sums, shape, block)
    levels, dismissed = find_air(mean)
    if levels is None:
        ones = np.ones(sums.shape, np.uint8)
        return CoarseMask(block, shape, ones, mean, 0, False, dismissed)
    air, specimen = levels
    level = (air + specimen + 1) // 2
    if open_pores_vx:
        n = max(_THINNEST_BALL, round(open_pores_vx / block))
        mean = close_dents(mean, largest_body(mean >= level), levels, n)
    inside = filled(largest_body(mean >= level))
    border = ndimage.binary_dilation(inside, CUBE) & ~inside
    # Particles at the rim do not push it outwards, and pores there are as good as specimen.
    whole = np.where(mean >= level, np.minimum(mean, specimen), specimen)
    rim = np.where(border, np.clip(mean, air, level - 1), air)
    cleaned = np.where(inside, whole, rim).astype(np.uint16)
    return CoarseMask(block, shape, inside.view(np.uint8), cleaned, level, True)


def mask_box(coarse: CoarseMask, box: Box, margin_vx: int = MASK_MARGIN_VX) -> Inside:
    """Return which voxels of a box are specimen.

    Parameters
    ----------
    coarse : CoarseMask
        From `estimate_mask`.
    box : Box
        Voxels wanted, inside the volume.
    margin_vx : int
        Radius of the ball by which the specimen is eroded.  The faces of the volume are no
        surface: nothing is taken off there.

    Returns
    -------
    numpy.ndarray
        uint8 of the box's shape, 1 inside.
    """
    if box.clip(coarse.shape) != box:
        raise UsageError(f"box {box.start} to {box.stop} leaves the volume of {coarse.shape}.")
    if not coarse.present:
        return np.ones(box.shape, np.uint8)
    wide = box.grow((margin_vx, margin_vx, margin_vx))
    about = coarse.inside[_blocks_about(coarse, wide)]
    if about.all():
        return np.ones(box.shape, np.uint8)
    if not about.any():
        return np.zeros(box.shape, np.uint8)
    raw = np.empty(wide.shape, np.uint8)
    _interpolate(coarse.mean, coarse.level, coarse.block, coarse.shape, wide.start, raw)
    if margin_vx == 0:
        return raw
    eroded = np.empty(box.shape, np.uint8)
    _erode(raw, margin_vx, eroded)
    return eroded


def _block_means(sums: npt.NDArray[np.int64], shape: Triple, block: int) -> Means:
    """Return rounded means; the last block along an axis may hold fewer voxels."""
    edges = [
        np.minimum(block, n - block * np.arange(-(-n // block), dtype=np.int64)) for n in shape
    ]
    n_voxels = edges[0][:, None, None] * edges[1][:, None] * edges[2]
    means: Means = ((sums + n_voxels // 2) // n_voxels).astype(np.uint16)
    return means


def _blocks_about(coarse: CoarseMask, box: Box) -> tuple[slice, slice, slice]:
    """Return the blocks whose centres surround every voxel of a box."""
    slices = []
    for a, b, n in zip(box.start, box.stop, coarse.inside.shape, strict=True):
        low = (2 * a - coarse.block + 1) // (2 * coarse.block)
        high = (2 * (b - 1) - coarse.block + 1) // (2 * coarse.block) + 1
        slices.append(slice(min(max(low, 0), n - 1), min(max(high, 0), n - 1) + 1))
    return slices[0], slices[1], slices[2]


@njit(nogil=True, cache=True)
def _sum_blocks(
    grey: npt.NDArray[np.uint16],
    z_skip: int,
    y_skip: int,
    x_skip: int,
    block: int,
    sums: npt.NDArray[np.int64],
) -> None:
    """Add the rows of a block row up first: this runs over x in vector instructions."""
    nz, ny, nx = grey.shape
    line = np.empty(nx, np.uint64)
    for bz in range(sums.shape[0]):
        for by in range(sums.shape[1]):
            line[:] = 0
            for z in range(max(bz * block - z_skip, 0), min((bz + 1) * block - z_skip, nz)):
                for y in range(max(by * block - y_skip, 0), min((by + 1) * block - y_skip, ny)):
                    row = grey[z, y]
                    for x in range(nx):
                        line[x] += np.uint64(row[x])
            for bx in range(sums.shape[2]):
                total = np.uint64(0)
                for x in range(max(bx * block - x_skip, 0), min((bx + 1) * block - x_skip, nx)):
                    total += line[x]
                sums[bz, by, bx] = np.int64(total)


@njit(nogil=True, cache=True)
def _place(voxel: int, n_voxels: int, n_blocks: int, block: int) -> tuple[int, int, int]:
    """Return the blocks before and after a voxel, and the weight of the latter in 1/(2 block).

    A voxel beyond the volume counts as the nearest one inside; before the first and after the
    last block centre the mean stays constant.
    """
    voxel = min(max(voxel, 0), n_voxels - 1)
    at = 2 * voxel - block + 1
    before = at // (2 * block)
    weight = at - before * 2 * block
    return max(before, 0), min(before + 1, n_blocks - 1), weight


@njit(nogil=True, cache=True)
def _interpolate(
    mean: Means,
    level: int,
    block: int,
    shape: Triple,
    start: Triple,
    inside: Inside,
) -> None:
    """Compare the means, interpolated between block centres in whole numbers, with the level."""
    nz, ny, nx = inside.shape
    whole = 2 * block
    wanted = np.int64(level) * whole * whole
    left = max(-start[2], 0)
    right = min(shape[2] - start[2], nx)
    excess = np.empty(mean.shape[2], np.int64)
    ends = np.empty(right - left + 1, np.int64)
    sides = np.empty(right - left + 1, np.uint8)
    n, about = 0, (-1, -1, -1, -1)
    for z in range(nz):
        z0, z1, wz = _place(start[0] + z, shape[0], mean.shape[0], block)
        for y in range(ny):
            y0, y1, wy = _place(start[1] + y, shape[1], mean.shape[1], block)
            a, b, c, d = mean[z0, y0], mean[z0, y1], mean[z1, y0], mean[z1, y1]
            if about != (z0, z1, y0, y1):
                # Rows between the same four rows of blocks part at the same places.
                n = _part_row(a, b, c, d, level, block, shape[2], start[2] + left, ends, sides)
                about = (z0, z1, y0, y1)
            row = inside[z, y]
            seen = row[left:right]
            x = 0
            for i in range(n):
                if sides[i] != _EITHER:
                    seen[x : ends[i]] = sides[i]
                else:
                    first, _, _ = _place(start[2] + left + x, shape[2], excess.size, block)
                    _, last, _ = _place(start[2] + left + ends[i] - 1, shape[2], excess.size, block)
                    for k in range(first, last + 1):
                        near = np.int64(a[k]) * (whole - wy) + np.int64(b[k]) * wy
                        far = np.int64(c[k]) * (whole - wy) + np.int64(d[k]) * wy
                        excess[k] = near * (whole - wz) + far * wz - wanted
                    _cross(excess, block, shape[2], start[2] + left + x, seen[x : ends[i]])
                x = ends[i]
            row[:left] = row[left]
            row[right:] = row[right - 1]


@njit(nogil=True, cache=True)
def _part_row(
    a: Means,
    b: Means,
    c: Means,
    d: Means,
    level: int,
    block: int,
    n_voxels: int,
    start: int,
    ends: npt.NDArray[np.int64],
    sides: Inside,
) -> int:
    """Part a row into stretches inside, outside and either; return how many.

    Between blocks that all reach the level, or all do not, interpolation has nothing to decide.
    """
    n, x, size = 0, 0, ends.size - 1
    while x < size:
        x0, x1, weight = _place(start + x, n_voxels, a.size, block)
        x = min(x + (2 * block - 1 - weight) // 2 + 1, size)
        least = min(a[x0], b[x0], c[x0], d[x0], a[x1], b[x1], c[x1], d[x1])
        most = max(a[x0], b[x0], c[x0], d[x0], a[x1], b[x1], c[x1], d[x1])
        side = np.uint8(1) if least >= level else np.uint8(0) if most < level else _EITHER
        if n and sides[n - 1] == side:
            ends[n - 1] = x
        else:
            sides[n], ends[n] = side, x
            n += 1
    return n


@njit(nogil=True, cache=True)
def _cross(
    excess: npt.NDArray[np.int64], block: int, n_voxels: int, start: int, row: Inside
) -> None:
    """Mark where the excess over the level, linear between block centres, is not negative."""
    whole = 2 * block
    x = 0
    while x < row.size:
        x0, x1, weight = _place(start + x, n_voxels, excess.size, block)
        # The weight grows by 2 a voxel; the next stretch begins where it would reach the whole.
        stop = min(x + (whole - 1 - weight) // 2 + 1, row.size)
        low, high = excess[x0], excess[x1]
        for i in range(x, stop):
            step = weight + 2 * (i - x)
            row[i] = np.uint8(low * (whole - step) + high * step >= 0)
        x = stop


@njit(nogil=True, cache=True)
def _erode(inside: Inside, radius: int, eroded: Inside) -> None:
    """Keep the voxels whose ball of `radius` lies inside; whole rows at a time."""
    nz, ny, nx = eroded.shape
    for z in range(nz):
        for y in range(ny):
            row = eroded[z, y]
            row[:] = 1
            for dz in range(-radius, radius + 1):
                for dy in range(-radius, radius + 1):
                    rest = radius * radius - dz * dz - dy * dy
                    if rest < 0:
                        continue
                    reach = int(math.sqrt(rest))
                    near = inside[z + radius + dz, y + radius + dy]
                    for dx in range(radius - reach, radius + reach + 1):
                        _keep(near[dx : dx + nx], row)


@njit(nogil=True, cache=True)
def _keep(inside: Inside, row: Inside) -> None:
    for x in range(row.size):
        row[x] &= inside[x]
