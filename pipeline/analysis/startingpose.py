"""Where registration starts: every turn about the axis, upright and upside down, on coarse cells.

For each turn the shift follows from one correlation by Fourier transforms.  The best few turns are
refined in all seven degrees of freedom (`pipeline.analysis.alignment`), and the best of these is
the start.  The axis of the specimen is taken to stand along z to within some degrees, as on a
turntable.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from pipeline.analysis.alignment import DONE_CELLS, Frame, gather, weigh
from pipeline.analysis.scenes import Cells
from pipeline.model.grid import Triple
from pipeline.model.similarity import Similarity

STEP_DEG = 7.5
N_REFINED = 3
SHIFT_SHARE = 0.3
"""Largest shift over the edge of the volume."""

APART_DEG = 20.0
"""Turns nearer to each other are one candidate."""

SMOOTH_CELLS = (2.0, 1.0)
"""Deviations of the Gaussians that widen the way into the best place, one after the other."""

STEPS = 6
"""Corrections with each of them."""

SCALES = (0.9, 1.1)


@dataclass(frozen=True, slots=True)
class Start:
    """A candidate.

    Parameters
    ----------
    move : Similarity
        From before to after.
    score : float
        Correlation of the contrasts where both scans show the specimen, -1 to 1.
    overlap : float
        Share of the smaller of both specimens that both show.
    """

    move: Similarity
    score: float
    overlap: float


def find_starts(before: Cells, after: Cells, pitch_um: float) -> list[Start]:
    """Return refined candidates, the best first.

    Parameters
    ----------
    before, after : Cells
        Both scans, whole, as `pipeline.analysis.scenes.even_out` returns them.
    pitch_um : float
        Edge of a cell of the grid on which they are compared.

    Returns
    -------
    list of Start
        At most `N_REFINED`.
    """
    grid = _Grid(before, pitch_um)
    found: list[tuple[float, int, float, Similarity]] = []
    for head in (0, 1):
        for turn in np.arange(0.0, 360.0, STEP_DEG):
            score, move = grid.correlate(after, _turned(before, after, head, float(turn)))
            found.append((score, head, float(turn), move))
    chosen: list[tuple[float, int, float, Similarity]] = []
    for one in sorted(found, key=lambda f: -f[0]):
        near = [abs((one[2] - c[2] + 180) % 360 - 180) for c in chosen if c[1] == one[1]]
        if all(angle > APART_DEG for angle in near):
            chosen.append(one)
        if len(chosen) == N_REFINED:
            break
    starts = [grid.rate(after, grid.refine(after, move)) for *_, move in chosen]
    return sorted(starts, key=lambda s: -s.score)


def _turned(before: Cells, after: Cells, head: int, turn_deg: float) -> Similarity:
    """Return the turn that brings the middle of one specimen to that of the other."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    rotation = np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])
    if head:
        rotation = rotation @ np.diag([-1.0, -1.0, 1.0])
    return Similarity.of(rotation, _middle(after) - rotation @ _middle(before))


def _middle(cells: Cells) -> NDArray[np.float64]:
    """Return the centroid of the specimen."""
    total = max(float(cells.inside.sum(dtype=np.float64)), 1e-9)
    at = [
        float(np.arange(n) @ cells.inside.sum(axis=tuple({0, 1, 2} - {k}), dtype=np.float64))
        for k, n in enumerate(cells.inside.shape)
    ]
    return cells.origin_um + (np.asarray(at) / total + 0.5) * cells.pitch_um


class _Grid:
    """The scan before, on cubes of one pitch, and what is compared with it."""

    def __init__(self, before: Cells, pitch_um: float) -> None:
        self.pitch_um = pitch_um
        self._before = before
        size = np.asarray(before.contrast.shape) * before.pitch_um
        n = [max(1, round(float(e) / pitch_um)) for e in size]
        self.shape: Triple = (n[0], n[1], n[2])
        self.origin_um = before.origin_um
        self.contrast, self.inside = self._see(before, Similarity())
        self._reach = [max(2, math.ceil(SHIFT_SHARE * e)) for e in self.shape]
        self._padded = [
            fft.next_fast_len(e + r, real=True)
            for e, r in zip(self.shape, self._reach, strict=True)
        ]
        self._spectrum = np.conj(fft.rfftn(self.contrast, self._padded))
        self._allowed = np.zeros(self._padded, np.bool_)
        spans = [
            np.r_[0 : r + 1, e - r : e] for r, e in zip(self._reach, self._padded, strict=True)
        ]
        self._allowed[np.ix_(*spans)] = True

    def _see(self, cells: Cells, move: Similarity) -> tuple[NDArray[np.float32], ...]:
        return cells.sample(move, self.origin_um, self.pitch_um, self.shape)

    def correlate(self, after: Cells, move: Similarity) -> tuple[float, Similarity]:
        """Return the best correlation over all shifts after a turn, and turn with shift."""
        seen = after.sample_contrast(move, self.origin_um, self.pitch_um, self.shape)
        norm = math.sqrt(float(np.vdot(seen, seen)) * float(np.vdot(self.contrast, self.contrast)))
        if norm <= 0.0:
            return 0.0, move
        surface = fft.irfftn(self._spectrum * fft.rfftn(seen, self._padded), self._padded)
        surface[~self._allowed] = -np.inf
        peak = np.array(np.unravel_index(int(np.argmax(surface)), surface.shape))
        score = float(surface[tuple(peak)]) / norm
        shift = np.where(peak > np.asarray(self._reach), peak - self._padded, peak) * self.pitch_um
        return score, Similarity.of(np.eye(3), shift).then(move)

    def rate(self, after: Cells, move: Similarity) -> Start:
        """Rate a candidate where both show the specimen."""
        seen, there = self._see(after, move)
        both = (there > 0.5) & (self.inside > 0.5)
        a, b = self.contrast[both].astype(np.float64), seen[both].astype(np.float64)
        norm = math.sqrt(float(a @ a) * float(b @ b))
        cells_after = float(after.inside.sum()) * float(np.prod(after.pitch_um / self.pitch_um))
        smaller = min(float(self.inside.sum()), cells_after)
        return Start(
            move,
            float(a @ b) / norm if norm > 0 else 0.0,
            min(1.0, float(both.sum()) / max(smaller, 1.0)),  # two grids of cells count apart
        )

    def refine(self, after: Cells, move: Similarity) -> Similarity:
        """Return a candidate improved in all seven degrees of freedom."""
        middle = self.origin_um + 0.5 * self.pitch_um * np.asarray(self.shape)
        frame = Frame(middle, 0.5 * self.pitch_um * max(self.shape))
        for sigma in SMOOTH_CELLS:
            wide = sigma * self.pitch_um
            fixed, inside = self._see(self._before.smoothed(wide), Similarity())
            moving = after.smoothed(wide)
            for _ in range(STEPS):
                seen, there = self._see(moving, move)
                weight = weigh(inside, there)
                terms = gather(fixed, seen, weight, self.origin_um, self.pitch_um, frame).solve()
                move = frame.correction(terms).then(move)
                if frame.reach_um(terms) < DONE_CELLS * self.pitch_um:
                    break
                if not SCALES[0] <= move.scale <= SCALES[1]:
                    return move
        return move
