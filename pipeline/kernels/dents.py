"""Pores that open to the specimen's surface: dents of its mask, found and closed on blocks."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from pipeline.kernels.air import CUBE, Blocks, Means

# Shares of the contrast between specimen and air.
_SHALLOWEST = 0.5  # by which a dent's deepest block is raised, or the dent is left as it is
_RIM = 0.2  # from which a block belongs to a dent

_LONGEST = 3  # times the ball's radius: a longer dent is the corner of a step in the surface


def close_dents(mean: Means, body: Blocks, levels: tuple[int, int], n: int) -> Means:
    """Raise the block means of dents in the surface of a body to those of the surface around.

    Parameters
    ----------
    mean : numpy.ndarray
        uint16 (z, y, x): mean grey of blocks.
    body : numpy.ndarray of bool
        Blocks of the specimen.
    levels : tuple of int
        Grey of air and of specimen.
    n : int
        Radius of the closing ball in blocks: what it enters, and dents longer than three times as
        much, stay.

    Returns
    -------
    numpy.ndarray
        uint16: as `mean`, but raised in dents.

    Notes
    -----
    A grey closing of block means keeps what they tell of a surface within a block, a binary one
    would not.  All blocks but those of clear dents keep their means: deviations of a rounded or
    noisy surface are an order smaller.  Bodies brighter than the matrix are cut at its level and
    bumps of a block's width are opened away first, so that no two of them hold up a surface
    between.  The ball is a sum of crosses and cubes of three blocks, by turns.
    """
    air, specimen = levels
    # Other bodies than the specimen, such as its holder, are no shore.
    shore = ndimage.binary_dilation(body, CUBE)
    seen = np.where(shore, np.clip(mean, air, specimen), air).astype(np.uint16)
    # Beyond the volume's faces air and specimen go on.
    wide = np.pad(seen, n, mode="edge")
    wide = _cross(np.maximum, _cross(np.minimum, wide))
    for turn in (np.maximum, np.minimum):
        for i in range(n):
            wide = _cross(turn, wide) if i % 2 == 0 else _cube(turn, wide)
    closed = wide[(slice(n, -n),) * 3]
    raised = np.where(closed > seen, closed - seen, np.uint16(0))
    contrast = specimen - air
    dents, n_dents = ndimage.label(raised >= max(_RIM * contrast, 1), CUBE)
    if n_dents == 0:
        return mean
    deepest = ndimage.maximum(raised, dents, np.arange(1, n_dents + 1))
    spans = [max(b.stop - b.start for b in box) for box in ndimage.find_objects(dents)]
    kept = (deepest >= _SHALLOWEST * contrast) & (np.array(spans) <= _LONGEST * n)
    clear = np.concatenate([[False], kept])[dents]
    return np.where(clear, np.maximum(mean, closed), mean)


def _cross(turn: np.ufunc, values: Means) -> Means:
    """Return the extremum over a block and the six that share a face with it."""
    found = values.copy()
    for axis in range(3):
        _meet(turn, values, axis, found)
    return found


def _cube(turn: np.ufunc, values: Means) -> Means:
    """Return the extremum over a block and the 26 about it."""
    for axis in range(3):
        found = values.copy()
        _meet(turn, values, axis, found)
        values = found
    return values


def _meet(turn: np.ufunc, values: Means, axis: int, found: Means) -> None:
    """Take the neighbours along an axis into account; ten times as fast as a filter of SciPy."""
    into, out = found.swapaxes(0, axis), values.swapaxes(0, axis)
    turn(into[1:], out[:-1], out=into[1:])
    turn(into[:-1], out[1:], out=into[:-1])
