"""Registration: the similarity that lays one scan of a specimen on another, with its error.

Coarse to fine: every turn on coarse cells of the whole volumes, then boxes of ever finer cells,
fitted together.  At most a coarse volume, or 64 boxes of 40 cells an edge with what lies around
them, are in memory.  It is sure of itself only if boxes, each for itself, find their best place
where the common similarity puts them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.alignment import Frame
from pipeline.analysis.sampleboxes import (
    LEAST_SCORE,
    PEAK_SHARE,
    cut_boxes,
    fit_boxes,
    standard_error_um,
)
from pipeline.analysis.scenes import Scene, average, coarse_pitch_um, even_out, finest_pitch_um
from pipeline.analysis.startingpose import SCALES, Start, find_starts
from pipeline.errors import RegistrationError
from pipeline.model.similarity import Similarity

COARSE_CELLS = 56
"""Cells along the longest edge of the volumes where every turn is tried."""

EVEN_CELLS = 6.0
"""Deviation of the Gaussian whose mean is taken off, in coarse cells."""

FINER = 3.0
"""Most by which cells shrink from one pass to the next."""

JUDGED_VX = 2.0
"""Edge of the cells on which boxes judge, in voxels."""

LEAST_AGREEING, LEAST_SHARE = 8, 0.6
"""Boxes, and share of all boxes, that must agree."""

RIVAL_SHARE, RIVAL_DEG = 0.9, 10.0
"""Share of the best correlation from which another pose is as good, and what makes it another: of
true pairs others reached 0.4, of round outlines 1."""

LIMIT_VX = 1.0
"""Largest standard error in voxels that is taken for sure."""


@dataclass(frozen=True, slots=True)
class Registration:
    """How one scan lies on another.

    Parameters
    ----------
    move : Similarity
        From before to after.
    error_um : float
        Standard error of a position in the scan after, three axes together.
    voxel_um : float
        Longest edge of a voxel of either scan.
    n_boxes, n_agreeing : int
        Boxes with something to hold on to, and those that agree.
    score : float
        Correlation of the contrasts on coarse cells, where both show the specimen.
    overlap : float
        Share of the smaller specimen that both scans show.
    middles_um : (n, 3) float64
        Middles of the boxes in the frame of the scan before.
    scores, peaks : (n,) float64
        Correlation of each where the similarity puts it, and the best within reach.
    """

    move: Similarity
    error_um: float
    voxel_um: float
    n_boxes: int
    n_agreeing: int
    score: float
    overlap: float
    middles_um: NDArray[np.float64]
    scores: NDArray[np.float64]
    peaks: NDArray[np.float64]

    @property
    def error_vx(self) -> float:
        """The standard error in the longest edge of a voxel of either scan."""
        return self.error_um / self.voxel_um


def register(
    before: Scene,
    after: Scene,
    *,
    limit_vx: float = LIMIT_VX,
    tell: Callable[[str], None] | None = None,
) -> Registration:
    """Lay one scan of a specimen on another.

    Parameters
    ----------
    before, after : Scene
        The scans.
    limit_vx : float
        Largest standard error that is taken, in the longest edge of a voxel of either scan.
    tell : callable, optional
        Told what is done.

    Returns
    -------
    Registration
        The similarity and what is known of its error.

    Raises
    ------
    RegistrationError
        If there is nothing to hold on to, another pose fits as well, boxes do not agree, the
        scale is that of a wrong voxel size, or the error is too large.
    """
    tell = tell or (lambda _: None)
    finest = finest_pitch_um(before, after)
    pitch = coarse_pitch_um(COARSE_CELLS, before, after)
    whole = []
    for scene in (before, after):
        cells = average(scene, pitch, np.zeros(3), scene.size_um)
        if cells is None or not np.any(cells.contrast):
            raise RegistrationError(
                f"{scene.name} shows no body of any phase: there is nothing to hold on to.",
                "Check the recipe of that scan; a specimen without particles cannot be matched.",
            )
        whole.append(even_out(cells, EVEN_CELLS * pitch))
    tell(f"every turn is tried on cells of {pitch:g} um")
    start, *others = find_starts(whole[0], whole[1], pitch)
    _refuse_rivals(before, after, start, others)
    move, frame = start.move, Frame(0.5 * before.size_um, 0.5 * float(before.size_um.max()))
    last = False
    while not last:
        pitch = max(finest, pitch / FINER)
        last = pitch <= finest
        tell(f"boxes are fitted on cells of {pitch:g} um")
        boxes = cut_boxes(before, after, move, pitch)
        if len(boxes) < 2:
            raise _unsure(before, after, 0, len(boxes))
        move = fit_boxes(boxes, move, frame)
    error = standard_error_um(boxes, move, frame)
    del boxes
    middles, scores, peaks = _judge(before, after, move, JUDGED_VX * finest)
    agreeing = (scores >= LEAST_SCORE) & (scores >= PEAK_SHARE * peaks)
    n = int(agreeing.sum())
    if n < LEAST_AGREEING or n < LEAST_SHARE * len(agreeing):
        raise _unsure(before, after, n, len(agreeing))
    if not SCALES[0] <= move.scale <= SCALES[1]:
        raise RegistrationError(
            f"{before.name} and {after.name} fit only at a scale of {move.scale:.3f}, wanted "
            f"{SCALES[0]:g} to {SCALES[1]:g}.",
            "Check the voxel size of both scans.",
        )
    if error > limit_vx * finest:
        raise RegistrationError(
            f"{before.name} and {after.name} lie on each other only to {error / finest:.2f} "
            f"voxels, wanted {limit_vx:g}.",
            "Allow more with --limit-vx, and trust no fate of bodies of that size.",
        )
    return Registration(
        move=move,
        error_um=error,
        voxel_um=finest,
        n_boxes=len(agreeing),
        n_agreeing=n,
        score=start.score,
        overlap=start.overlap,
        middles_um=middles,
        scores=scores,
        peaks=peaks,
    )


def _refuse_rivals(before: Scene, after: Scene, best: Start, others: list[Start]) -> None:
    """Refuse scans that fit as well in another pose, such as round outlines without bodies."""
    back = best.move.inverse()
    for other in others:
        angle = other.move.then(back).angle_deg
        if angle > RIVAL_DEG and other.score >= RIVAL_SHARE * best.score:
            raise RegistrationError(
                f"{before.name} and {after.name} fit as well when turned by another "
                f"{angle:.0f} degrees: correlation {other.score:.2f} against {best.score:.2f}.",
                "Check that both show one specimen, with bodies enough, and that the air around it "
                "is no phase (condition.mask=auto).",
            )


def _judge(
    before: Scene, after: Scene, move: Similarity, pitch_um: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the middles of boxes, their correlations, and the best ones within reach."""
    rows = [
        (*box.middle_um, *found)
        for box in cut_boxes(before, after, move, pitch_um)
        if (found := box.judge(move)) is not None
    ]
    table = np.array(rows, np.float64).reshape(-1, 5)
    return table[:, :3], table[:, 3], table[:, 4]


def _unsure(before: Scene, after: Scene, n: int, n_boxes: int) -> RegistrationError:
    return RegistrationError(
        f"{before.name} and {after.name} could not be laid on each other: {n} of {n_boxes} boxes "
        f"agree, wanted {LEAST_AGREEING} and {LEAST_SHARE:.0%} of them.",
        "Check that both scans show the same part of one specimen, its axis along z, and that "
        "their phases were found.",
    )
