"""A similarity: how positions in one scan become positions in another of the same specimen.

Positions are in um along (z, y, x) from a volume's low faces, as centroids are in the catalogue:
the centre of the first voxel lies at half a voxel.
"""

from __future__ import annotations

import math
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import BaseModel, ConfigDict, model_validator

Row = tuple[float, float, float]


class Similarity(BaseModel):
    """Rotation, isotropic scale and shift: ``scale * rotation @ position + shift_um``.

    Attributes
    ----------
    rotation : tuple of 3 tuples of 3 floats
        Proper rotation matrix over (z, y, x).
    shift_um : tuple of float
        Shift along (z, y, x).
    scale : float
        Lengths after over lengths before.

    Examples
    --------
    >>> turned = Similarity(rotation=((1, 0, 0), (0, 0, -1), (0, 1, 0)), shift_um=(0, 4, 0))
    >>> [float(v) for v in turned.apply([1.0, 2.0, 3.0])]
    [1.0, 1.0, 2.0]
    >>> [float(v) for v in turned.inverse().apply([1.0, 1.0, 2.0])]
    [1.0, 2.0, 3.0]
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    rotation: tuple[Row, Row, Row] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    shift_um: Row = (0.0, 0.0, 0.0)
    scale: float = 1.0

    @model_validator(mode="after")
    def _is_proper(self) -> Self:
        r = np.asarray(self.rotation)
        if not (np.allclose(r @ r.T, np.eye(3), atol=1e-6) and np.linalg.det(r) > 0):
            raise ValueError("rotation must be a proper rotation matrix")
        if not self.scale > 0:
            raise ValueError("scale must be above zero")
        return self

    @classmethod
    def of(cls, rotation: NDArray[Any], shift_um: ArrayLike, scale: float = 1.0) -> Similarity:
        """Return a similarity from arrays."""
        rows = [tuple(float(v) for v in row) for row in np.asarray(rotation)]
        shift = tuple(float(v) for v in np.asarray(shift_um))
        return cls.model_validate({"rotation": rows, "shift_um": shift, "scale": float(scale)})

    @property
    def matrix(self) -> NDArray[np.float64]:
        """Rotation times scale, (3, 3)."""
        return self.scale * np.asarray(self.rotation)

    @property
    def angle_deg(self) -> float:
        """Angle of the rotation, 0 to 180."""
        cosine = 0.5 * (float(np.trace(np.asarray(self.rotation))) - 1.0)
        return math.degrees(math.acos(min(1.0, max(-1.0, cosine))))

    def apply(self, points_um: ArrayLike) -> NDArray[np.float64]:
        """Return where points, (..., 3), come to lie."""
        points = np.asarray(points_um, np.float64)
        return np.asarray(points @ self.matrix.T + np.asarray(self.shift_um))

    def inverse(self) -> Similarity:
        """Return the way back."""
        rotation = np.asarray(self.rotation).T
        shift = -(rotation @ np.asarray(self.shift_um)) / self.scale
        return Similarity.of(rotation, shift, 1.0 / self.scale)

    def then(self, other: Similarity) -> Similarity:
        """Return this similarity followed by another one."""
        rotation = np.asarray(other.rotation) @ np.asarray(self.rotation)
        return Similarity.of(rotation, other.apply(self.shift_um), other.scale * self.scale)
