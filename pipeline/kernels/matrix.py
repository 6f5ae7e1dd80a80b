"""The matrix counted: by plane and zone of distance, and by radius, in bins of grey.

Only voxels near the matrix peak count, well inside the specimen.  Counts are integers, which add up
to those of the volume whatever the tiling.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy import ndimage

from pipeline.errors import UsageError
from pipeline.kernels.flatten import Counts, Geometry, Grey, ring_map, square_map
from pipeline.kernels.mask import CoarseMask
from pipeline.model.grid import Box, Triple
from pipeline.model.plan import EVENNESS_BINS, EVENNESS_CELLS

N_BINS = EVENNESS_BINS
"""Grey bins about the matrix peak, six to its standard deviation."""

N_SECTORS = 2
"""Opposite quadrants: two halves of the specimen, which share its artefacts but not its bodies."""

N_ZONES = EVENNESS_CELLS // N_SECTORS // N_BINS
"""Zones of equal area about the specimen's axis."""

_BINS_PER_SD = 6
_NORMAL_HALF = 1.349
"""Quartile range of a normal distribution in standard deviations: its narrowest half."""


@dataclass(frozen=True, slots=True)
class Window:
    """Grey bins about the matrix peak.

    Parameters
    ----------
    low : int
        First grey level of the first bin; may be negative.
    width : int
        Grey levels of a bin.
    """

    low: int
    width: int

    @property
    def centres(self) -> npt.NDArray[np.float64]:
        """Mean grey level of each bin."""
        middle = self.low + 0.5 * (self.width - 1)
        return middle + self.width * np.arange(N_BINS, dtype=np.float64)


def find_window(histogram: Counts, least_grey: int = 0) -> Window | None:
    """Return the bins that cover the matrix.

    Parameters
    ----------
    histogram : numpy.ndarray
        int64 of length 65536: voxels by grey level, before any correction.
    least_grey : int, optional
        Darker voxels are air.

    Returns
    -------
    Window or None
        Four standard deviations on either side of the shortest range that holds half of the
        voxels; None where there are none.

    Examples
    --------
    >>> counts = np.zeros(65536, np.int64)
    >>> counts[100:201] = 10
    >>> find_window(counts)
    Window(low=6, width=6)
    """
    counts = histogram[least_grey:]
    below = np.concatenate([[0], np.cumsum(counts)])
    if below[-1] == 0:
        return None
    ends = np.searchsorted(below, below[:-1] + (below[-1] + 1) // 2, side="left")
    widths = np.where(ends <= counts.size, ends - np.arange(counts.size), counts.size + 1)
    # Greys of the same rank at both ends: the middle of equal ranges, not the first of them.
    best = np.flatnonzero(widths == widths.min())
    first, width = int(best[best.size // 2]), int(widths.min())
    bin_width = max(1, round(width / _NORMAL_HALF / _BINS_PER_SD))
    middle = least_grey + first + width // 2
    return Window(middle - N_BINS // 2 * bin_width, bin_width)


def inner_blocks(mask: CoarseMask | None, shape: Triple) -> tuple[npt.NDArray[np.uint8], int]:
    """Return the blocks whose neighbours are specimen too, and their edge in voxels.

    Without a mask it is one block as large as the volume.
    """
    if mask is None or not mask.present:
        return np.ones((1, 1, 1), np.uint8), max(shape)
    cube = np.ones((3, 3, 3), np.bool_)
    inner = ndimage.binary_erosion(mask.inside, cube, border_value=1)
    return inner.astype(np.uint8), mask.block


def fold_evenness(
    grey: Grey,
    core: Box,
    blocks: npt.NDArray[np.uint8],
    block: int,
    geometry: Geometry,
    window: Window,
) -> tuple[npt.NDArray[np.uint32], npt.NDArray[np.uint32]]:
    """Count the matrix of a tile.

    Parameters
    ----------
    grey : numpy.ndarray
        uint16 (z, y, x), the tile without its halo.
    core : Box
        Where it lies.
    blocks : numpy.ndarray
        uint8 (z, y, x): the blocks of the volume that count, from `inner_blocks`.
    block : int
        Edge of a block in voxels.
    geometry : Geometry
        The axes.
    window : Window
        The grey bins.

    Returns
    -------
    planes : numpy.ndarray
        uint32 (z of the tile, `N_SECTORS`, `N_ZONES`, `N_BINS`).
    rings : numpy.ndarray
        uint32 (`N_SECTORS`, radius, `N_BINS`).
    """
    if grey.shape != core.shape or grey.dtype != np.uint16:
        raise UsageError(f"a tile of {core.shape} wants uint16, got {grey.dtype} {grey.shape}.")
    zones = _zone_map(core, geometry)
    radii = ring_map(core, geometry)
    ring_cells = _sector_map(core, geometry.rotation) * np.int32(geometry.n_rings) + radii
    cells = _sector_map(core, geometry.axis) * np.int32(N_ZONES) + zones
    planes = np.zeros((core.shape[0], N_SECTORS * N_ZONES, N_BINS), np.uint32)
    rings = np.zeros((N_SECTORS * geometry.n_rings, N_BINS), np.uint32)
    z, y, x = core.start
    _count(
        np.ascontiguousarray(grey),
        (z, y, x),
        blocks,
        block,
        cells,
        ring_cells,
        _bin_table(window),
        planes,
        rings,
    )
    return (
        planes.reshape(-1, N_SECTORS, N_ZONES, N_BINS),
        rings.reshape(N_SECTORS, geometry.n_rings, N_BINS),
    )


def _bin_table(window: Window) -> npt.NDArray[np.uint8]:
    """Return the bin of every grey level, `N_BINS` beyond the window."""
    bins = (np.arange(65536) - window.low) // window.width
    return np.where((bins >= 0) & (bins < N_BINS), bins, N_BINS).astype(np.uint8)


def _sector_map(core: Box, axis: tuple[float, float]) -> npt.NDArray[np.int32]:
    upper = np.arange(core.start[1], core.stop[1]) > axis[0]
    right = np.arange(core.start[2], core.stop[2]) > axis[1]
    return (upper[:, None] ^ right).astype(np.int32)


def _zone_map(core: Box, geometry: Geometry) -> npt.NDArray[np.int32]:
    share = square_map(core, geometry.axis) / geometry.radius_vx**2
    return np.minimum(share * N_ZONES, N_ZONES - 1).astype(np.int32)


@njit(nogil=True, cache=True)
def _count(
    grey: Grey,
    start: Triple,
    blocks: npt.NDArray[np.uint8],
    block: int,
    cells: npt.NDArray[np.int32],
    ring_cells: npt.NDArray[np.int32],
    bins: npt.NDArray[np.uint8],
    planes: npt.NDArray[np.uint32],
    rings: npt.NDArray[np.uint32],
) -> None:
    nz, ny, nx = grey.shape
    for z in range(nz):
        plane = planes[z]
        for y in range(ny):
            row = blocks[(z + start[0]) // block, (y + start[1]) // block]
            x = 0
            while x < nx:
                b = (x + start[2]) // block
                stop = min((b + 1) * block - start[2], nx)
                if row[b] != 0:
                    for i in range(x, stop):
                        at = bins[grey[z, y, i]]
                        if at < N_BINS:
                            plane[cells[y, i], at] += np.uint32(1)
                            rings[ring_cells[y, i], at] += np.uint32(1)
                x = stop
