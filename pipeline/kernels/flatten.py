"""Uneven grey made even: cupping, drift and rings taken off voxel by voxel.

Reconstructions bend the grey of one material: cupping about the specimen's axis, drift from slice
to slice, rings about the axis of rotation.  `pipeline.kernels.matrix` counts the matrix of a tile,
`pipeline.kernels.evenness` makes tables of whole numbers of the counts, and here every voxel is
corrected from its grey and its place alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.kernels.mask import CoarseMask
from pipeline.model.grid import Box, Triple

Grey = npt.NDArray[np.uint16]
Counts = npt.NDArray[np.int64]

GAIN_BITS = 16
SHIFT_BITS = 8

RADIAL_STEPS = 1024
"""The radial correction is tabulated over so many steps of the squared distance."""


@dataclass(frozen=True, slots=True)
class Geometry:
    """Where distances are measured from.

    Parameters
    ----------
    axis : tuple of float
        The specimen's axis, (y, x) in index coordinates: zones and cupping lie about it.
    radius_vx : float
        Farthest that the specimen reaches from it.
    rotation : tuple of float
        The axis of rotation, (y, x): rings lie about it.
    n_rings : int
        Whole radii from 0 to the farthest voxel of the volume.
    """

    axis: tuple[float, float]
    radius_vx: float
    rotation: tuple[float, float]
    n_rings: int


def find_geometry(
    mask: CoarseMask | None, shape: Triple, rotation: tuple[float, float] | None = None
) -> Geometry:
    """Return the axes of a scan.

    Parameters
    ----------
    mask : CoarseMask or None
        The specimen, None where everything is.
    shape : tuple of int
        Voxels along (z, y, x).
    rotation : tuple of float, optional
        The axis of rotation if it is known, (y, x) in index coordinates; otherwise it is taken to
        stand in the middle of the planes, where reconstruction puts it.

    Returns
    -------
    Geometry
        The specimen's axis is the centroid of its mask, or the axis of rotation where the volume
        shows no air.
    """
    centre = rotation or (0.5 * (shape[1] - 1), 0.5 * (shape[2] - 1))
    corners = [(y, x) for y in (0, shape[1] - 1) for x in (0, shape[2] - 1)]
    n_rings = int(max(np.hypot(y - centre[0], x - centre[1]) for y, x in corners)) + 1
    if mask is None or not mask.present:
        return Geometry(centre, float(n_rings), centre, n_rings)
    column = mask.inside.sum(axis=0, dtype=np.int64)
    at = [mask.block * np.arange(n) + 0.5 * (mask.block - 1) for n in column.shape]
    total = int(column.sum())
    axis = (
        float((column.sum(axis=1) * at[0]).sum() / total),
        float((column.sum(axis=0) * at[1]).sum() / total),
    )
    distance = np.hypot(at[0][:, None] - axis[0], at[1] - axis[1])
    return Geometry(axis, float(distance[column > 0].max()), centre, n_rings)


@dataclass(frozen=True, slots=True)
class Correction:
    """What every voxel is corrected by, in whole numbers.

    Grey above `air` is multiplied by the gain of its plane, the shift of its plane and ring is
    taken off, and the gain and the shift of its distance from the specimen's axis follow.

    Parameters
    ----------
    geometry : Geometry
        The axes.
    air : int
        Grey that gains leave alone.
    plane_gain, plane_shift : numpy.ndarray
        int64 of every plane: gains times 2**16, shifts times 2**8.
    radial_gain, radial_shift : numpy.ndarray
        int64 of `RADIAL_STEPS` + 1: the same over the squared distance, up to the radius.
    ring_shift : numpy.ndarray
        int64 of every whole radius about the axis of rotation, times 2**8.
    """

    geometry: Geometry
    air: int
    plane_gain: Counts
    plane_shift: Counts
    radial_gain: Counts
    radial_shift: Counts
    ring_shift: Counts


def plain_correction(geometry: Geometry, n_planes: int, air: int = 0) -> Correction:
    """Return the correction that changes nothing, to put others into."""
    gain = np.int64(1 << GAIN_BITS)
    return Correction(
        geometry,
        air,
        np.full(n_planes, gain),
        np.zeros(n_planes, np.int64),
        np.full(RADIAL_STEPS + 1, gain),
        np.zeros(RADIAL_STEPS + 1, np.int64),
        np.zeros(geometry.n_rings, np.int64),
    )


def flatten_grey(grey: Grey, box: Box, correction: Correction, least: int, top: int) -> Grey:
    """Correct the grey of a box.

    Parameters
    ----------
    grey : numpy.ndarray
        uint16 (z, y, x).
    box : Box
        Where it lies in the volume.
    correction : Correction
        From `pipeline.kernels.evenness.find_correction`.
    least, top : int
        Range of the result.  With `least` above 0, a grey of 0 marks a voxel without a value and
        stays.

    Returns
    -------
    numpy.ndarray
        uint16 of the same shape: whole-number arithmetic, the same for a voxel in any box.
    """
    g = correction.geometry
    share = np.minimum(square_map(box, g.axis) / g.radius_vx**2, 1.0)
    step = (share * RADIAL_STEPS).astype(np.int64)
    flat = np.empty(grey.shape, np.uint16)
    planes = slice(box.start[0], box.stop[0])
    _correct(
        np.ascontiguousarray(grey),
        correction.air,
        correction.plane_gain[planes],
        correction.plane_shift[planes],
        correction.ring_shift[ring_map(box, g)],
        correction.radial_gain[step],
        correction.radial_shift[step],
        least,
        top,
        flat,
    )
    return flat


def square_map(core: Box, axis: tuple[float, float]) -> npt.NDArray[np.float64]:
    """Return squared distances of a plane's voxels from an axis, the same bits in any tile."""
    dy = np.arange(core.start[1], core.stop[1]) - axis[0]
    dx = np.arange(core.start[2], core.stop[2]) - axis[1]
    squares: npt.NDArray[np.float64] = (dy * dy)[:, None] + dx * dx
    return squares


def ring_map(core: Box, geometry: Geometry) -> npt.NDArray[np.int32]:
    """Return the whole distances of a plane's voxels from the axis of rotation."""
    radii = np.sqrt(square_map(core, geometry.rotation)).astype(np.int32)
    return np.minimum(radii, np.int32(geometry.n_rings - 1))


@njit(nogil=True, cache=True)
def _correct(
    grey: Grey,
    air: int,
    plane_gain: Counts,
    plane_shift: Counts,
    ring_shift: Counts,
    radial_gain: Counts,
    radial_shift: Counts,
    least: int,
    top: int,
    flat: Grey,
) -> None:
    nz, ny, nx = grey.shape
    half = np.int64(1 << (GAIN_BITS - 1))
    round_up = np.int64(1 << (SHIFT_BITS - 1))
    for z in range(nz):
        for y in range(ny):
            for x in range(nx):
                value = (np.int64(grey[z, y, x]) - air) << SHIFT_BITS
                value = (value * plane_gain[z] + half) >> GAIN_BITS
                value -= plane_shift[z] + ring_shift[y, x]
                value = (value * radial_gain[y, x] + half) >> GAIN_BITS
                found = air + ((value - radial_shift[y, x] + round_up) >> SHIFT_BITS)
                if least > 0 and grey[z, y, x] == 0:
                    flat[z, y, x] = np.uint16(0)
                else:
                    flat[z, y, x] = np.uint16(min(max(int(found), least), top))
