"""Boolean models: bodies put down independently of one another, whose densities are known exactly.

Balls of radius R, lam a unit volume, eta = lam 4/3 pi R^3 (Miles 1976; Chiu, Stoyan, Kendall &
Mecke 2013, ch. 3): V_V = 1 - exp(-eta), S_V = lam 4 pi R^2 exp(-eta).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model.grid import Triple

Reals = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BallModel:
    """A Boolean model of balls.

    Parameters
    ----------
    radius_vx : float
        Radius of the balls.
    eta : float
        Mean number of balls that cover a point.
    """

    radius_vx: float
    eta: float

    @property
    def intensity(self) -> float:
        """Centres per voxel."""
        return self.eta / (4.0 / 3.0 * math.pi * self.radius_vx**3)

    @property
    def fraction(self) -> float:
        """Volume fraction of the union."""
        return -math.expm1(-self.eta)

    @property
    def surface(self) -> float:
        """Surface of the union per volume, 1/voxel."""
        return self.intensity * 4.0 * math.pi * self.radius_vx**2 * math.exp(-self.eta)

    def draw(self, shape: Triple, rng: np.random.Generator) -> NDArray[np.bool_]:
        """Return a volume of the model.

        Parameters
        ----------
        shape : tuple of int
            Voxels along (z, y, x).
        rng : numpy.random.Generator
            Source of chance.

        Returns
        -------
        ndarray of bool
            True in the balls; those whose centres lie outside the volume are there too.
        """
        reach = self.radius_vx + 1.0
        box = np.array(shape) + 2.0 * reach
        n = rng.poisson(self.intensity * float(box.prod()))
        return paint_balls(shape, rng.random((n, 3)) * box - reach, self.radius_vx)


def paint_balls(shape: Triple, centres: Reals, radius_vx: float) -> NDArray[np.bool_]:
    """Return the union of balls.

    Parameters
    ----------
    shape : tuple of int
        Voxels along (z, y, x).
    centres : ndarray of float64, shape (n, 3)
        In index coordinates.
    radius_vx : float
        Their radius.

    Returns
    -------
    ndarray of bool
        True where a voxel's centre lies in a ball.
    """
    volume = np.zeros(shape, np.bool_)
    for centre in centres.tolist():
        part, squares = [], []
        for c, n in zip(centre, shape, strict=True):
            low = min(max(math.ceil(c - radius_vx), 0), n)
            high = min(max(math.floor(c + radius_vx) + 1, low), n)
            part.append(slice(low, high))
            squares.append((np.arange(low, high) - c) ** 2)
        near = squares[0][:, None, None] + squares[1][:, None] + squares[2] <= radius_vx**2
        volume[tuple(part)] |= near
    return volume


@dataclass(frozen=True, slots=True)
class PlateModel:
    """Thin discs of any orientation, their diameters lognormal: bounding boxes only.

    Parameters
    ----------
    intensity : float
        Centres per voxel.
    median_vx, sigma, cap_vx : float
        Median of the diameters, deviation of their logarithm, and where they are cut off.
    thickness_vx : float
        Thickness of the discs.
    """

    intensity: float = 2e-4
    median_vx: float = 15.0
    sigma: float = 0.7
    cap_vx: float = 95.0
    thickness_vx: float = 2.0

    def draw(
        self, shape: Triple, rng: np.random.Generator
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], Reals]:
        """Return what a field of that shape shows.

        Parameters
        ----------
        shape : tuple of int
            Voxels along (z, y, x).
        rng : numpy.random.Generator
            Source of chance.

        Returns
        -------
        start, stop : ndarray of int64, shape (n, 3)
            Bounding boxes of the plates that meet the field, cut at its border.
        diameter : ndarray of float64, shape (n,)
            Their diameters.
        """
        box = np.array(shape) + 2.0 * self.cap_vx
        n = rng.poisson(self.intensity * float(box.prod()))
        centre = rng.random((n, 3)) * box - self.cap_vx
        diameter = np.minimum(self.median_vx * np.exp(self.sigma * rng.normal(size=n)), self.cap_vx)
        normal = rng.normal(size=(n, 3))
        normal /= np.sqrt((normal**2).sum(1, keepdims=True))
        half = 0.5 * (
            diameter[:, None] * np.sqrt(1.0 - normal**2) + self.thickness_vx * np.abs(normal)
        )
        start = np.floor(centre - half).astype(np.int64)
        stop = np.ceil(centre + half).astype(np.int64)
        met = ((stop > 0) & (start < np.array(shape))).all(1)
        return (
            np.maximum(start[met], 0),
            np.minimum(stop[met], np.array(shape)),
            np.asarray(diameter[met]),
        )
