"""Alignment: small corrections of a similarity by least squares, gathered from any parts.

Gauss and Newton's step on the contrast (Lucas and Kanade 1981): each part of the volumes adds its
7 + 1 normal equations (turn, shift, scale, and the gain between the scans).  Parts of volumes
larger than memory are so solved together, and leaving out one after the other tells the error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model.similarity import Similarity

N_TERMS = 8
"""Three of the turn, three of the shift, the logarithm of the scale, the gain."""


DEEP = 0.9
"""Smoothed share of the specimen from which a cell is compared: its surroundings are complete."""

DONE_CELLS = 0.02
"""Corrections below this are the last."""


@dataclass(frozen=True, slots=True)
class Frame:
    """Units in which corrections are solved.

    Parameters
    ----------
    middle_um : (3,) float64
        Point about which they turn, in the frame of the scan before.
    length_um : float
        Distance from there at which a turn of one counts one.
    """

    middle_um: NDArray[np.float64]
    length_um: float

    def reach_um(self, terms: NDArray[np.float64]) -> float:
        """Return how far solved terms move what lies one length away, at most."""
        return float(np.linalg.norm(terms[:3]) + np.linalg.norm(terms[3:6]) + abs(terms[6])) * (
            self.length_um
        )

    def correction(self, terms: NDArray[np.float64]) -> Similarity:
        """Return the similarity of the scan before onto itself that solved terms stand for."""
        rotation = turn_by(terms[:3])
        scale = float(np.exp(terms[6]))
        shift = self.middle_um + terms[3:6] * self.length_um
        return Similarity.of(rotation, shift - scale * rotation @ self.middle_um, scale)


@dataclass(frozen=True, slots=True)
class Normal:
    """Normal equations of one part.

    Parameters
    ----------
    matrix : (8, 8) float64
        Sums of products of the slopes.
    right : (8,) float64
        Sums of slopes times what is left.
    """

    matrix: NDArray[np.float64]
    right: NDArray[np.float64]

    def __add__(self, other: Normal) -> Normal:
        return Normal(self.matrix + other.matrix, self.right + other.right)

    def __sub__(self, other: Normal) -> Normal:
        return Normal(self.matrix - other.matrix, self.right - other.right)

    def solve(self) -> NDArray[np.float64]:
        """Return the terms; what the parts say nothing of stays zero."""
        return np.asarray(np.linalg.lstsq(self.matrix, self.right, rcond=1e-8)[0])


NOTHING = Normal(np.zeros((N_TERMS, N_TERMS)), np.zeros(N_TERMS))


def turn_by(vector: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the rotation about a vector over (z, y, x) by its length (Rodrigues' formula)."""
    angle = float(np.linalg.norm(vector))
    z, y, x = vector
    k = np.array([[0.0, -x, y], [x, 0.0, -z], [-y, z, 0.0]])
    if angle < 1e-12:
        return np.eye(3) + k
    return np.asarray(
        np.eye(3) + np.sin(angle) / angle * k + (1 - np.cos(angle)) / angle**2 * (k @ k)
    )


def weigh(inside: NDArray[np.float32], there: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the weight of cells by the smoothed shares of the specimen: 1 deep in both, else 0."""
    return ((inside > DEEP) & (there > DEEP)).astype(np.float32)


def gather(
    before: NDArray[np.float32],
    seen: NDArray[np.float32],
    weight: NDArray[np.float32],
    origin_um: NDArray[np.float64],
    pitch_um: float,
    frame: Frame,
) -> Normal:
    """Return the normal equations of one part.

    Parameters
    ----------
    before, seen : (z, y, x) float32
        Contrast of the scan before, and of the scan after where the present similarity puts it.
    weight : (z, y, x) float32
        Weight of each cube.
    origin_um : (3,) float64
        Low corner of the part in the frame of the scan before.
    pitch_um : float
        Edge of its cubes.
    frame : Frame
        Units of the terms.

    Returns
    -------
    Normal
        Its equations.
    """
    inner = (slice(1, -1),) * 3
    slopes = [
        (seen[_moved(axis, 1)] - seen[_moved(axis, -1)]).ravel() * np.float32(0.5 / pitch_um)
        for axis in range(3)
    ]
    places = [
        (origin_um[a] + (np.arange(1, n - 1) + 0.5) * pitch_um - frame.middle_um[a])
        / frame.length_um
        for a, n in enumerate(seen.shape)
    ]
    mesh = [p.astype(np.float32).ravel() for p in np.meshgrid(*places, indexing="ij")]
    gain = seen[inner].ravel()
    # Of a turn by (a, b, c) over (z, y, x): what `turn_by` moves a place by, to first order.
    turns = [
        mesh[1] * slopes[2] - mesh[2] * slopes[1],
        mesh[2] * slopes[0] - mesh[0] * slopes[2],
        mesh[0] * slopes[1] - mesh[1] * slopes[0],
    ]
    spread = sum(m * s for m, s in zip(mesh, slopes, strict=True))
    length = np.float32(frame.length_um)
    columns = [t * length for t in turns] + [s * length for s in slopes] + [spread * length, gain]
    terms = np.stack(columns, axis=1)
    left = (before[inner] - seen[inner]).ravel()
    weighted = terms * weight[inner].ravel()[:, None]
    return Normal((weighted.T @ terms).astype(np.float64), (weighted.T @ left).astype(np.float64))


def _moved(axis: int, by: int) -> tuple[slice, ...]:
    """Return the index of an array without its rim, moved along one axis."""
    index = [slice(1, -1)] * 3
    index[axis] = slice(1 + by, None if by == 1 else -2)
    return tuple(index)
