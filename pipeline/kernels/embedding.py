"""A particle put into a periodic cell: how wide, how fine, and what of it counts.

Every rule stands here.  The cell is the particle's box and half the box's longest edge on every
side, so that a particle and its periodic image stand one length apart.  A plate thinner than 3
voxels is refined, each voxel into cubes of voxels, which keeps its stairs; a particle whose cell
would exceed the limit is coarsened as long as 3 voxels of thickness stay, and cut to a sub-volume
around its centre after that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.ndimage
from numpy.typing import NDArray

MATRIX, PARTICLE, FIRST_PHASE = 0, 1, 2
"""Codes of a cell: the matrix, the particle itself, and the scan's phases in order."""

RESOLVED_VX = 3.0
"""Voxels that a thickness wants: fewer show no gradient across it (common practice, no source)."""

FINEST = 3
"""Most voxels that one voxel is refined into along an axis."""

MIN_PAD_VX = 4
"""Fewest voxels of surroundings on a side."""

CUT_VX = 3
"""Voxels beside a cut face of a sub-volume that do not count: the cut makes a false rim."""

LIMIT_VOXELS = 200**3
"""Most voxels of a cell unless told otherwise: 0.9 GiB in single precision."""

Triple = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Fit:
    """How a particle is to be put into a cell.

    Parameters
    ----------
    refine, coarsen : int
        Voxels of the cell per voxel of the scan along an axis, and the other way around.
    shape : tuple of int
        Voxels of the cell, all even.
    cut : bool
        Whether the cell holds only a part of the particle.
    """

    refine: int
    coarsen: int
    shape: Triple
    cut: bool


@dataclass(frozen=True, slots=True)
class Embedding:
    """A particle in its cell.

    Parameters
    ----------
    codes : ndarray of uint8 (nz, ny, nx)
        MATRIX, PARTICLE, or FIRST_PHASE plus the position of a phase.
    voxel_um : tuple of float
        Edges of a voxel of the cell.
    origin_vx : tuple of float
        Corner of the cell in voxels of the crop.
    inside, beside : ndarray of bool (nz, ny, nx)
        Voxels of the particle that count, and voxels of matrix that share a face with one.
    fit : Fit
        How it was fitted.
    thickness_vx : float
        Thickness of the particle in voxels of the scan.
    """

    codes: NDArray[np.uint8]
    voxel_um: tuple[float, float, float]
    origin_vx: tuple[float, float, float]
    inside: NDArray[np.bool_]
    beside: NDArray[np.bool_]
    fit: Fit
    thickness_vx: float


def measure_thickness(mask: NDArray[np.bool_]) -> float:
    """Return the thickness of a body in voxels: four times the mean depth of its voxels.

    That is exact for a plate, whose voxels lie a quarter of its thickness below a face in the mean.
    A body of one layer, most of whose voxels are bare on two opposite faces, has 1.

    Examples
    --------
    >>> plate = np.zeros((12, 40, 40), bool)
    >>> plate[3:9, 2:38, 2:38] = True
    >>> 5.0 < measure_thickness(plate) <= 6.0
    True
    """
    padded = np.pad(mask, 1)
    bare = np.zeros(padded.shape, bool)
    for axis in range(3):
        bare |= ~np.roll(padded, 1, axis) & ~np.roll(padded, -1, axis)
    if 2 * np.count_nonzero(bare & padded) > np.count_nonzero(padded):
        return 1.0
    depth = scipy.ndimage.distance_transform_edt(padded)[padded]
    return float(4.0 * (depth - 0.5).mean()) if depth.size else 0.0


def pad_vx(extent: Triple, voxel_um: tuple[float, float, float]) -> Triple:
    """Return the voxels of surroundings on each side of a box of that many voxels."""
    longest = max(n * v for n, v in zip(extent, voxel_um, strict=True))
    z, y, x = (max(MIN_PAD_VX, math.ceil(0.5 * longest / v)) for v in voxel_um)
    return (z, y, x)


def fit_cell(
    extent: Triple,
    voxel_um: tuple[float, float, float],
    thickness_vx: float,
    limit_voxels: int = LIMIT_VOXELS,
) -> Fit:
    """Choose the resolution and the size of a particle's cell; see the module.

    Parameters
    ----------
    extent : tuple of int
        Voxels of the particle's bounding box.
    voxel_um : tuple of float
        Edges of a voxel.
    thickness_vx : float
        Thickness in voxels.
    limit_voxels : int
        Most voxels of the cell.

    Returns
    -------
    Fit
        The finest that is allowed.
    """
    pad = pad_vx(extent, voxel_um)
    full = [n + 2 * p for n, p in zip(extent, pad, strict=True)]
    wanted = math.ceil(RESOLVED_VX / max(thickness_vx, 1.0) - 1e-9)
    for refine in range(min(max(wanted, 1), FINEST), 0, -1):
        shape = _even([n * refine for n in full])
        if math.prod(shape) <= limit_voxels:
            return Fit(refine, 1, shape, cut=False)
    coarsen = 1
    while thickness_vx / (coarsen + 1) >= RESOLVED_VX:
        coarsen += 1
        shape = _even([-(-n // coarsen) for n in full])
        if math.prod(shape) <= limit_voxels:
            return Fit(1, coarsen, shape, cut=False)
    # Cut the longest edges first: a cube within the limit, as far as the box reaches.
    edge = max(full)
    shape = _even([-(-n // coarsen) for n in full])
    while math.prod(shape) > limit_voxels:
        edge = edge * 19 // 20
        shape = _even([min(-(-n // coarsen), edge) for n in full], down=True)
    return Fit(1, coarsen, shape, cut=True)


def _even(edges: list[int], down: bool = False) -> Triple:
    """Return even edges that transform fast, not smaller (or, if asked, hardly larger)."""
    halves = [n // 2 if down else -(-n // 2) for n in edges]
    z, y, x = (2 * scipy.fft.next_fast_len(max(n, 4), real=True) for n in halves)
    return (z, y, x)


def embed_particle(
    mask: NDArray[np.bool_],
    phases: NDArray[np.uint8] | None,
    matrix: int,
    voxel_um: tuple[float, float, float],
    limit_voxels: int = LIMIT_VOXELS,
) -> Embedding:
    """Put a particle into a cell, alone or with its surroundings.

    Parameters
    ----------
    mask : ndarray of bool (nz, ny, nx)
        The particle in its crop.
    phases : ndarray of uint8 (nz, ny, nx), or None
        Phase map of the crop: positions of phases, 255 outside the specimen, which is taken for
        matrix as is everything beyond the crop; None for a particle alone in matrix.
    matrix : int
        Position of the matrix.
    voxel_um : tuple of float
        Edges of a voxel of the crop.
    limit_voxels : int
        Most voxels of the cell.

    Returns
    -------
    Embedding
        The cell.
    """
    found = [np.flatnonzero(mask.any(axis=tuple({0, 1, 2} - {k}))) for k in range(3)]
    start = [int(f[0]) for f in found]
    extent = (
        int(found[0][-1]) + 1 - start[0],
        int(found[1][-1]) + 1 - start[1],
        int(found[2][-1]) + 1 - start[2],
    )
    thickness = measure_thickness(mask)
    fit = fit_cell(extent, voxel_um, thickness, limit_voxels)
    codes = np.full(mask.shape, MATRIX, np.uint8)
    if phases is not None:
        other = (phases != matrix) & (phases != 255)
        codes[other] = phases[other] + np.uint8(FIRST_PHASE)
    codes[mask] = PARTICLE
    # The window that the cell shows, in voxels of the crop; it may reach beyond that.
    size = [n * fit.coarsen // fit.refine for n in fit.shape]
    middle = _middle(mask) if fit.cut else [(f[0] + f[-1] + 1) / 2 for f in found]
    low = [round(m - n / 2) for m, n in zip(middle, size, strict=True)]
    cell = _window(codes, low, size)
    if fit.refine > 1:
        cell = _refined(cell, fit)
    elif fit.coarsen > 1:
        cell = coarsen_codes(cell, fit.coarsen)
    inside = cell == PARTICLE
    if fit.cut:
        inside &= _away_from_cuts(cell.shape, low, size, start, extent)
    scale = fit.coarsen / fit.refine
    return Embedding(
        codes=cell,
        voxel_um=(voxel_um[0] * scale, voxel_um[1] * scale, voxel_um[2] * scale),
        origin_vx=(float(low[0]), float(low[1]), float(low[2])),
        inside=inside,
        beside=find_beside(cell, inside),
        fit=fit,
        thickness_vx=thickness,
    )


def find_beside(cell: NDArray[np.uint8], inside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the voxels of matrix that share a face with a voxel inside."""
    return np.asarray(scipy.ndimage.binary_dilation(inside) & (cell == MATRIX))


def coarsen_codes(cell: NDArray[np.uint8], factor: int) -> NDArray[np.uint8]:
    """Return a cell of coarser voxels, each of the code that most of its voxels have.

    The particle wins a tie, so that a plate of one layer in two is kept; then the lower code.
    Edges that `factor` does not divide lose their last voxels.
    """
    shape = tuple(n // factor for n in cell.shape)
    blocks = cell[tuple(slice(0, n * factor) for n in shape)].reshape(
        shape[0], factor, shape[1], factor, shape[2], factor
    )
    best = np.zeros(shape, np.int64)
    out = np.zeros(shape, np.uint8)
    codes = [PARTICLE, *(int(c) for c in np.unique(cell) if c != PARTICLE)]
    for code in codes:
        count = (blocks == code).sum(axis=(1, 3, 5))
        more = count > best
        out[more], best[more] = code, count[more]
    return out


def _middle(mask: NDArray[np.bool_]) -> list[float]:
    """Return the centre of the voxel of the particle that is nearest its centroid."""
    places = np.argwhere(mask)
    centroid = places.mean(axis=0)
    nearest = places[np.argmin(((places - centroid) ** 2).sum(axis=1))]
    return [float(v) + 0.5 for v in nearest]


def _window(codes: NDArray[np.uint8], low: list[int], size: list[int]) -> NDArray[np.uint8]:
    """Return a box of a crop, filled with matrix where it reaches beyond."""
    out = np.full(size, MATRIX, np.uint8)
    here, there = [], []
    for a, n, limit in zip(low, size, codes.shape, strict=True):
        first, last = max(a, 0), min(a + n, limit)
        here.append(slice(first - a, max(last, first) - a))
        there.append(slice(first, max(last, first)))
    out[tuple(here)] = codes[tuple(there)]
    return out


def _refined(cell: NDArray[np.uint8], fit: Fit) -> NDArray[np.uint8]:
    for axis in range(3):
        cell = np.repeat(cell, fit.refine, axis=axis)
    # A cell whose edges refinement does not divide is filled up with matrix on its high faces.
    rest = [n - have for n, have in zip(fit.shape, cell.shape, strict=True)]
    return np.pad(cell, [(0, r) for r in rest], constant_values=MATRIX)


def _away_from_cuts(
    shape: tuple[int, ...], low: list[int], size: list[int], start: list[int], extent: Triple
) -> NDArray[np.bool_]:
    """Return the voxels of a cut cell that are not near a face where the particle goes on."""
    keep = np.ones(shape, bool)
    for axis in range(3):
        line = np.ones(shape[axis], bool)
        if start[axis] < low[axis]:
            line[:CUT_VX] = False
        if start[axis] + extent[axis] > low[axis] + size[axis]:
            line[-CUT_VX:] = False
        keep &= line.reshape([-1 if k == axis else 1 for k in range(3)])
    return keep
