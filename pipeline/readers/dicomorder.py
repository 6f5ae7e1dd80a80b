"""The order of the planes of a DICOM series, and the distance between them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import SourceError
from pipeline.readers.dicomheader import Frame
from pipeline.readers.units import Voxel

UNEVEN = 0.05
"""Largest deviation of a distance of neighbouring planes from the usual one, relative."""

ALIKE = 1e-4
"""Largest difference of directions (cosines) and, relative, of pixel spacings in one volume."""

N_NAMED = 5
MM_UM = 1e3


def ordered_frames(place: str, frames: Sequence[Frame]) -> tuple[list[Frame], Voxel | None]:
    """Sort the planes of one series and check that none is missing.

    Planes are sorted by their positions along the normal of the image plane; where the positions
    are missing or all the same, by their numbers.  The distance of planes is that of the outermost
    positions over their count, or else SpacingBetweenSlices; a slice thickness is no distance.

    Parameters
    ----------
    place : str
        Where they are, for messages.
    frames : sequence of Frame
        At least two, in any order.

    Returns
    -------
    list of Frame
        Ascending along the normal.
    tuple of float or None
        Micrometres, (z, y, x); None unless all three are stated.

    Raises
    ------
    SourceError
        Planes of different direction or spacing, two at one place, a gap, uneven distances, or
        nothing that tells the order.
    """
    _check_alike(place, frames)
    along = _positions(frames)
    step: float | None
    if along is not None and np.ptp(along) > 0:
        numbers = [f.number if f.number is not None else 0 for f in frames]
        order = sorted(range(len(frames)), key=lambda k: (along[k], numbers[k], frames[k].index))
        ordered = [frames[k] for k in order]
        step = _step_mm(place, ordered, along[order])
    else:
        ordered = _by_number(place, frames)
        step = frames[0].step_mm
    spacing = frames[0].spacing_mm
    if not step or spacing is None:
        return ordered, None
    return ordered, (step * MM_UM, spacing[0] * MM_UM, spacing[1] * MM_UM)


def _check_alike(place: str, frames: Sequence[Frame]) -> None:
    first = frames[0]
    for frame in frames[1:]:
        for what, a, b, slack in (
            ("direction", first.orientation, frame.orientation, ALIKE),
            ("pixel spacing", first.spacing_mm, frame.spacing_mm, 0.0),
        ):
            if a is None and b is None:
                continue
            if a is None or b is None or not np.allclose(a, b, rtol=ALIKE, atol=slack):
                raise SourceError(
                    f"{place} holds planes of different {what}: {a} in {_name(first)}, {b} in "
                    f"{_name(frame)}.",
                    "Keep one volume in a folder: take overview images and other stacks out.",
                )


def _positions(frames: Sequence[Frame]) -> NDArray[np.float64] | None:
    """Return where each plane stands along the normal, millimetres; None where one is silent."""
    direction = frames[0].orientation
    if direction is None or len(direction) != 6 or any(f.position_mm is None for f in frames):
        return None
    normal = np.cross(direction[:3], direction[3:])
    return np.array([f.position_mm for f in frames], dtype=np.float64) @ normal


def _step_mm(place: str, ordered: list[Frame], along: NDArray[np.float64]) -> float:
    """Return the distance of planes; refuse gaps, doubles and uneven distances."""
    steps = np.diff(along)
    if steps.min() <= 1e-6 * np.ptp(along) / len(steps):
        k = int(steps.argmin())
        raise SourceError(
            f"{place} holds two planes at one place: {_name(ordered[k])} and "
            f"{_name(ordered[k + 1])} at {along[k]:g} mm.",
            "Keep one volume in a folder: one time, one reconstruction.",
        )
    usual = float(np.sort(steps)[(len(steps) - 1) // 2])
    slack = max(UNEVEN * usual, _rounding_mm(ordered))
    gaps = np.flatnonzero(steps > max(1.5 * usual, usual + slack))
    mean = float(np.delete(steps, gaps).mean())
    if len(gaps):
        shown = "; ".join(
            f"{round(steps[k] / mean) - 1} between {_name(ordered[k])} and {_name(ordered[k + 1])}"
            for k in gaps[:N_NAMED]
        )
        more = f"; {len(gaps) - N_NAMED} more gaps" if len(gaps) > N_NAMED else ""
        raise SourceError(
            f"{place} lacks planes, which are {mean:g} mm apart: {shown}{more}.",
            "Copy the missing slices.",
        )
    deviation = np.abs(steps - mean)
    if deviation.max() > slack:
        k = int(deviation.argmax())
        raise SourceError(
            f"the planes of {place} are unevenly spaced: {steps[k]:g} mm between "
            f"{_name(ordered[k])} and {_name(ordered[k + 1])}, {mean:g} mm on average.",
            "Reconstruct the volume with planes at equal distances.",
        )
    return float(along[-1] - along[0]) / len(steps)


def _rounding_mm(ordered: list[Frame]) -> float:
    """Return how uneven distances may be because positions are written to few places.

    Only where numbers without a gap say that no plane is missing: else rounding and a gap look
    alike.
    """
    numbers = [f.number for f in ordered]
    if any(n is None for n in numbers):
        return 0.0
    counts = np.diff(np.array(numbers, dtype=np.int64))
    if not (np.all(counts == 1) or np.all(counts == -1)):
        return 0.0
    return float(10.0 ** -max(f.decimals for f in ordered))


def _by_number(place: str, frames: Sequence[Frame]) -> list[Frame]:
    """Sort by InstanceNumber, or by the stored order of a single file."""
    if len({f.path for f in frames}) == 1:
        ordered = sorted(frames, key=lambda f: f.index)
        numbers = [f.number for f in ordered if f.number is not None]
        if len(set(numbers)) < len(frames):
            return ordered
    if any(f.number is None for f in frames):
        silent = next(f for f in frames if f.number is None)
        raise SourceError(
            f"nothing tells the order of the planes of {place}: {_name(silent)} has neither "
            "ImagePositionPatient nor InstanceNumber.",
            "Export the series with positions.",
        )
    ordered = sorted(frames, key=lambda f: (f.number or 0, f.index))
    got = [f.number or 0 for f in ordered]
    for k in range(1, len(got)):
        if got[k] == got[k - 1]:
            raise SourceError(
                f"{place} holds two planes of number {got[k]}: {_name(ordered[k - 1])} and "
                f"{_name(ordered[k])}.",
                "Keep one volume in a folder.",
            )
    missing = sorted(set(range(got[0], got[-1] + 1)) - set(got))
    if missing:
        shown = ", ".join(str(n) for n in missing[:N_NAMED])
        raise SourceError(
            f"{place} lacks {len(missing)} planes: numbers {shown}"
            f"{', ...' if len(missing) > N_NAMED else ''}.",
            "Copy the missing slices.",
        )
    return ordered


def _name(frame: Frame) -> str:
    return frame.path.name if frame.index == 0 else f"{frame.path.name} frame {frame.index}"
