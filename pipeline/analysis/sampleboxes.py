"""Boxes spread over two scans: they are fitted together, and each judges the fit for itself."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skimage.feature import match_template

from pipeline.analysis.alignment import DONE_CELLS, NOTHING, Frame, Normal, gather, weigh
from pipeline.analysis.scenes import Cells, Scene, average, corners_of
from pipeline.model.grid import Triple
from pipeline.model.similarity import Similarity

EDGE_CELLS = (20, 40)
"""Shortest and longest edge of a box in cells."""

ALONG = (3, 4)
"""Fewest and most boxes along an axis."""

INSIDE_SHARE = 0.25
"""Share of a box that must be specimen."""

STEPS = 4
"""Corrections on cells of one pitch."""

REACH_CELLS = 4
"""How far around its place a box looks for a better one."""

LEAST_SCORE, PEAK_SHARE = 0.3, 0.8
"""Correlation of a box that agrees, and its share of the best one within reach."""

SMOOTH_CELLS = 0.7
"""Deviation of the Gaussian that smooths them."""

_MARGIN_CELLS = 6


@dataclass(frozen=True, slots=True)
class SampleBox:
    """One box.

    Parameters
    ----------
    origin_um : (3,) float64
        Its low corner in the frame of the scan before.
    pitch_um : float
        Edge of a cell.
    contrast, inside : (z, y, x) float32
        The scan before, smoothed.
    after : Cells
        The scan after, smoothed, around where the box comes to lie.
    """

    origin_um: NDArray[np.float64]
    pitch_um: float
    contrast: NDArray[np.float32]
    inside: NDArray[np.float32]
    after: Cells

    @property
    def shape(self) -> Triple:
        """Its cells."""
        n = self.contrast.shape
        return (n[0], n[1], n[2])

    @property
    def middle_um(self) -> NDArray[np.float64]:
        """Its middle in the frame of the scan before."""
        return self.origin_um + 0.5 * self.pitch_um * np.asarray(self.shape)

    def gather(self, move: Similarity, frame: Frame) -> Normal:
        """Return its normal equations about a similarity."""
        seen, there = self.after.sample(move, self.origin_um, self.pitch_um, self.shape)
        weight = weigh(self.inside, there)
        return gather(self.contrast, seen, weight, self.origin_um, self.pitch_um, frame)

    def judge(self, move: Similarity) -> tuple[float, float] | None:
        """Return the correlation at a similarity, and the best within reach of it by shifts.

        None where there is too little to judge by.
        """
        reach = REACH_CELLS
        wide = [n + 2 * reach for n in self.shape]
        window, there = self.after.sample(
            move,
            self.origin_um - reach * self.pitch_um,
            self.pitch_um,
            (wide[0], wide[1], wide[2]),
        )
        core = (slice(reach, -reach),) * 3
        template = np.where(there[core] > 0.5, self.contrast, 0.0)
        if np.mean((there[core] > 0.5) & (self.inside > 0.5)) < INSIDE_SHARE:
            return None
        spread = float(template.std())
        # A sliver of a body cut by the box's face fits anywhere.
        if spread < LEAST_SPREAD or float(window[core].std()) < 1e-3:
            return (0.0, 0.0) if spread >= LEAST_SPREAD else None
        surface = match_template(window, template)
        return float(surface[reach, reach, reach]), float(surface.max())


LEAST_SPREAD = 0.05
"""Standard deviation of the contrast in a box below which it has nothing to hold on to."""


def cut_boxes(
    before: Scene, after: Scene, move: Similarity, pitch_um: float, n_along: tuple[int, int] = ALONG
) -> list[SampleBox]:
    """Read boxes spread evenly over the scan before, and what lies there in the scan after.

    Parameters
    ----------
    before, after : Scene
        The scans.
    move : Similarity
        Where a box comes to lie, to within some cells.
    pitch_um : float
        Edge of a cell.
    n_along : tuple of int
        Fewest and most boxes along an axis.

    Returns
    -------
    list of SampleBox
        Those that show the specimen in both scans; at most 64, of 40 cells an edge.
    """
    size = before.size_um
    low, high = EDGE_CELLS
    edge = int(np.clip(size.min() / pitch_um / n_along[0], low, high))
    counts = np.clip(np.floor(size / (edge * pitch_um)), *n_along).astype(np.int64)
    boxes = []
    for place in itertools.product(*(range(int(n)) for n in counts)):
        middle = (np.asarray(place) + 0.5) / counts * size
        origin = middle - 0.5 * edge * pitch_um
        box = _cut(before, after, move, origin, pitch_um, edge)
        if box is not None:
            boxes.append(box)
    return boxes


def _cut(
    before: Scene,
    after: Scene,
    move: Similarity,
    origin: NDArray[np.float64],
    pitch: float,
    edge: int,
) -> SampleBox | None:
    end = origin + edge * pitch
    around = _MARGIN_CELLS * pitch
    cells = average(before, pitch, origin - around, end + around)
    if cells is None:
        return None
    contrast, inside = cells.smoothed(SMOOTH_CELLS * pitch).sample(
        Similarity(), origin, pitch, (edge, edge, edge)
    )
    if float(inside.mean()) < INSIDE_SHARE:
        return None
    margin = (REACH_CELLS + _MARGIN_CELLS) * pitch
    corners = move.apply(corners_of(origin - margin, end + margin))
    there = average(after, pitch, corners.min(axis=0), corners.max(axis=0))
    if there is None or float(there.inside.mean()) < 0.5 * INSIDE_SHARE:
        return None
    return SampleBox(origin, pitch, contrast, inside, there.smoothed(SMOOTH_CELLS * pitch))


def fit_boxes(boxes: list[SampleBox], move: Similarity, frame: Frame) -> Similarity:
    """Return a similarity corrected by all boxes together."""
    for _ in range(STEPS):
        total = sum((box.gather(move, frame) for box in boxes), NOTHING)
        terms = total.solve()
        move = frame.correction(terms).then(move)
        if frame.reach_um(terms) < DONE_CELLS * boxes[0].pitch_um:
            break
    return move


def standard_error_um(boxes: list[SampleBox], move: Similarity, frame: Frame) -> float:
    """Return the standard error of a position, by leaving out one box after the other.

    Parameters
    ----------
    boxes : list of SampleBox
        At least two.
    move : Similarity
        Fitted to them.
    frame : Frame
        Units of the corrections.

    Returns
    -------
    float
        Jackknife standard error (Tukey 1958) of where the middles of the boxes come to lie, three
        axes together, root mean square over the boxes.
    """
    parts = [box.gather(move, frame) for box in boxes]
    total = sum(parts, NOTHING)
    middles = np.array([box.middle_um for box in boxes])
    moved = np.array([frame.correction((total - part).solve()).apply(middles) for part in parts])
    n = len(boxes)
    away = moved - moved.mean(axis=0)
    variance = (n - 1) / n * np.sum(away * away, axis=(0, 2))
    return move.scale * math.sqrt(float(variance.mean()))
