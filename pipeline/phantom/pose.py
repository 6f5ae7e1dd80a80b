"""How a simulated specimen stands in the scanner: turned, upside down, tilted, shifted, scaled.

A pose moves the endless material and the cylinder that is cut out of it; the volume stays.  What a
scan shows at one end and another does not is as true of real scans of one specimen.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UsageError
from pipeline.model.grid import Box, Triple
from pipeline.model.similarity import Similarity


@dataclass(frozen=True, slots=True)
class Pose:
    """A pose; as it is by default, the specimen's axis stands along z in the middle.

    Parameters
    ----------
    turn_deg : float
        Turn about the specimen's axis, from y towards x.
    upside_down : bool
        Whether it stands on its head.
    tilt_deg, tilt_towards_deg : float
        Angle of its axis against z, and the direction from y towards x in which it leans.
    shift_vx : tuple of float
        Shift along (z, y, x).
    scale : float
        Factor on every length, as a scanner of another calibration shows it.

    Examples
    --------
    >>> Pose().is_plain, Pose(turn_deg=90).is_plain
    (True, False)
    """

    turn_deg: float = 0.0
    upside_down: bool = False
    tilt_deg: float = 0.0
    tilt_towards_deg: float = 0.0
    shift_vx: tuple[float, float, float] = (0.0, 0.0, 0.0)
    scale: float = 1.0

    def __post_init__(self) -> None:
        angles = (self.turn_deg, self.tilt_towards_deg, *self.shift_vx)
        if len(self.shift_vx) != 3 or not all(math.isfinite(v) for v in angles):
            raise UsageError("a pose wants finite angles and a finite shift along z, y and x.")
        if not (0.9 <= self.scale <= 1.1 and 0.0 <= self.tilt_deg <= 10.0):
            raise UsageError(
                f"scale {self.scale} and tilt {self.tilt_deg} of a pose want 0.9 to 1.1 and 0 to "
                "10 degrees.",
                "Simulate another voxel size instead of a larger scale.",
            )

    @property
    def is_plain(self) -> bool:
        """Whether the specimen stands as it is by default."""
        return self == UPRIGHT

    @property
    def code(self) -> int:
        """A number that tells poses apart; 0 for the plain one."""
        return 0 if self.is_plain else zlib.crc32(repr(self).encode()) | 1 << 32

    @property
    def rotation(self) -> NDArray[np.float64]:
        """Rotation matrix over (z, y, x): stood on its head, turned, then tilted."""
        head = np.diag([-1.0, -1.0, 1.0]) if self.upside_down else np.eye(3)
        lean = about_z(self.tilt_towards_deg)
        return lean @ about_x(self.tilt_deg) @ lean.T @ about_z(self.turn_deg) @ head

    def similarity_vx(self, size_vx: Triple) -> Similarity:
        """Return how positions of the plain pose move, in voxels from the volume's low faces."""
        middle = 0.5 * np.asarray(size_vx, np.float64)
        shift = middle + np.asarray(self.shift_vx) - self.scale * self.rotation @ middle
        return Similarity.of(self.rotation, shift, self.scale)

    def similarity_um(self, size_vx: Triple, voxel_um: float) -> Similarity:
        """Return how positions of the plain pose move, in um."""
        moved = self.similarity_vx(size_vx)
        return Similarity.of(self.rotation, np.asarray(moved.shift_um) * voxel_um, self.scale)

    def box_before(self, box: Box, size_vx: Triple) -> Box:
        """Return the smallest box of the plain pose that holds all of a box of this one."""
        corners = np.array(np.meshgrid(*zip(box.start, box.stop, strict=True))).reshape(3, -1).T
        found = self.similarity_vx(size_vx).inverse().apply(corners)
        low, high = np.floor(found.min(axis=0)), np.ceil(found.max(axis=0))
        a, b = [int(v) for v in low], [int(v) for v in high]
        return Box((a[0], a[1], a[2]), (b[0], b[1], b[2]))


UPRIGHT = Pose()
"""The plain pose."""


def about_z(angle_deg: float) -> NDArray[np.float64]:
    """Return the rotation about z, from y towards x."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])


def about_x(angle_deg: float) -> NDArray[np.float64]:
    """Return the rotation about x, from z towards y."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
