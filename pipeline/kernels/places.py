"""Where on a particle a peak of stress sits, by rules on its neighbourhood.

The rules (common practice, no source) look at the ball around the peak whose radius is one and a
half times the particle's thickness, and compare the volume of particle in it with what an endless
plate of that thickness would have there:

- ``beside a pore``: a void lies within two voxels of the peak;
- ``compact``: the particle is no plate or needle (its thickness is over 0.35 of its middle extent;
  it is half of it for a ball and a cube), so that there is nothing to tell apart;
- ``crossing``: more than 1.35 times the plate;
- ``face``: from 0.75 to 1.35 of it;
- ``rim``: from 0.35 to 0.75, half being a straight edge;
- ``protuberance``: under 0.35, a quarter being a square corner and less a tip or a needle.
"""

from __future__ import annotations

import math

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

CROSSING, FACE, RIM = 1.35, 0.75, 0.35
"""Lowest share of the plate's volume for each place."""

BALL = 1.5
"""Radius of the ball in thicknesses."""

PORE_REACH_VX = 2.0
"""Voxels within which a void counts as beside."""

COMPACT = 0.35
"""Thickness over middle extent above which a body is no plate."""


def plate_share(
    particle: NDArray[np.bool_],
    place: tuple[int, int, int],
    voxel_um: tuple[float, float, float],
    thickness_um: float,
) -> float:
    """Return the particle's volume in a ball over that of an endless plate of its thickness.

    Parameters
    ----------
    particle : ndarray of bool (nz, ny, nx)
        The particle.
    place : tuple of int
        Voxel at the centre of the ball.
    voxel_um : tuple of float
        Edges of a voxel.
    thickness_um : float
        Thickness of the particle.
    """
    radius = BALL * max(thickness_um, *voxel_um)
    reach = [math.ceil(radius / v) for v in voxel_um]
    slices = [
        slice(max(p - r, 0), min(p + r + 1, n))
        for p, r, n in zip(place, reach, particle.shape, strict=True)
    ]
    steps = [
        (np.arange(s.start, s.stop) - p) * v
        for s, p, v in zip(slices, place, voxel_um, strict=True)
    ]
    square = steps[0][:, None, None] ** 2 + steps[1][:, None] ** 2 + steps[2] ** 2
    n = np.count_nonzero(particle[tuple(slices)] & (square <= radius * radius))
    # The centre lies half a voxel below the face: the plate spans from -e to t - e.
    e = 0.5 * min(voxel_um)
    top, low = min(max(thickness_um, min(voxel_um)) - e, radius), -min(e, radius)
    plate = math.pi * (radius**2 * (top - low) - (top**3 - low**3) / 3.0)
    return float(n * math.prod(voxel_um) / plate)


def name_place(
    particle: NDArray[np.bool_],
    voids: NDArray[np.bool_] | None,
    place: tuple[int, int, int],
    voxel_um: tuple[float, float, float],
    thickness_um: float,
    middle_um: float,
) -> str:
    """Return where a peak sits; see the module for the rules.

    Parameters
    ----------
    particle : ndarray of bool (nz, ny, nx)
        The particle.
    voids : ndarray of bool (nz, ny, nx), or None
        Voxels without stiffness, where there are any.
    place : tuple of int
        Voxel of the peak.
    voxel_um : tuple of float
        Edges of a voxel.
    thickness_um : float
        Thickness of the particle.
    middle_um : float
        Middle extent of the particle.
    """
    if voids is not None:
        reach = int(PORE_REACH_VX)
        near = tuple(slice(max(p - reach, 0), p + reach + 1) for p in place)
        if voids[near].any():
            return "beside a pore"
    if thickness_um > COMPACT * middle_um:
        return "compact"
    share = plate_share(particle, place, voxel_um, thickness_um)
    if share > CROSSING:
        return "crossing"
    if share >= FACE:
        return "face"
    return "rim" if share >= RIM else "protuberance"


def count_peaks(values: NDArray[np.float64], inside: NDArray[np.bool_], share: float = 0.9) -> int:
    """Return the number of separate regions of a body in which a value exceeds a share of its peak.

    Parameters
    ----------
    values : ndarray of float64 (n,)
        Value of each voxel inside, in raster order.
    inside : ndarray of bool (nz, ny, nx)
        The body.
    share : float
        Share of the largest value.
    """
    if not values.size or values.max() <= 0.0:
        return 0
    high = np.zeros(inside.shape, bool)
    high[inside] = values >= share * values.max()
    return int(scipy.ndimage.label(high, np.ones((3, 3, 3)))[1])


def extents(mask: NDArray[np.bool_], voxel_um: tuple[float, float, float]) -> NDArray[np.float64]:
    """Return the full axes of the ellipsoid of equal second moments, longest first, in um."""
    places = np.argwhere(mask) * np.asarray(voxel_um)
    centred = places - places.mean(axis=0)
    spread = centred.T @ centred / max(len(places), 1) + np.diag(np.square(voxel_um)) / 12.0
    return np.asarray(2.0 * np.sqrt(5.0 * np.linalg.eigvalsh(spread)[::-1]), np.float64)
