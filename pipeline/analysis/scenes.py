"""A scan as registration sees it: a contrast of phases, read by box, averaged over cells.

Grey differs between two scans of one specimen, its phases less so: a scene is the phase map, with
-3 where a phase is darker than the background phase, +1 where it is brighter, 0 in the background
and outside the specimen.  Pores outlast a heat treatment that dissolves and breaks bright bodies,
and are fewer: with a weight of 3 the error fell by a quarter (a simulated pair, half dissolved).
The outline of the specimen is left out on purpose: that of a cylinder fits for every turn.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.analysis.interpolation import interpolate_
from pipeline.model.grid import Box, Triple
from pipeline.model.similarity import Similarity

OUTSIDE = 255
SLAB_VOXELS = 1 << 23
"""Voxels of a phase map that are in memory at the same time, at most."""

DARKER, BRIGHTER = -3.0, 1.0
"""Contrast of phases on either side of the background."""

ReadPhases = Callable[[Box], NDArray[np.uint8]]
Lengths = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class PhaseLevel:
    """One level of the pyramid of a phase map.

    Parameters
    ----------
    factor : int
        Full voxels along an edge of one of its voxels, which holds the first of them.
    shape : tuple of int
        Its voxels, (z, y, x).
    read : callable
        Returns the phases of a box of it, uint8, 255 outside the specimen.
    """

    factor: int
    shape: Triple
    read: ReadPhases


@dataclass(frozen=True, slots=True)
class Scene:
    """A scan to be registered.

    Parameters
    ----------
    name : str
        What messages call it.
    voxel_um : tuple of float
        Edges of a full voxel, (z, y, x).
    levels : tuple of PhaseLevel
        Pyramid of the phase map, finest first.
    contrast : (256,) float32
        Contrast of each phase number.
    """

    name: str
    voxel_um: Lengths
    levels: tuple[PhaseLevel, ...]
    contrast: NDArray[np.float32]

    @property
    def size_um(self) -> NDArray[np.float64]:
        """Edges of the volume."""
        return np.asarray(self.levels[0].shape) * np.asarray(self.voxel_um)


@dataclass(frozen=True, slots=True)
class Cells:
    """Means over cells of a part of a scene.

    Parameters
    ----------
    contrast, inside : (z, y, x) float32
        Mean contrast and share of the specimen in each cell.
    origin_um : (3,) float64
        Low corner of the first cell.
    pitch_um : (3,) float64
        Edges of a cell.
    """

    contrast: NDArray[np.float32]
    inside: NDArray[np.float32]
    origin_um: NDArray[np.float64]
    pitch_um: NDArray[np.float64]

    def smoothed(self, sigma_um: float) -> Cells:
        """Return the cells smoothed by a Gaussian, so that edges apart feel each other.

        Smoothed before they are sampled: cut out first, the rim of the cut would stay in place
        whatever the similarity, and pull it there.
        """
        sigma = sigma_um / self.pitch_um
        found = [
            ndimage.gaussian_filter(values, sigma, mode="constant")
            for values in (self.contrast, self.inside)
        ]
        return Cells(found[0], found[1], self.origin_um, self.pitch_um)

    def sample(
        self, move: Similarity, origin_um: NDArray[np.float64], pitch_um: float, shape: Triple
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return contrast and share of the specimen where the points of a grid come to lie.

        Parameters
        ----------
        move : Similarity
            From the frame of the grid to that of the cells.
        origin_um : (3,) float64
            Low corner of the grid.
        pitch_um : float
            Edge of its cubes.
        shape : tuple of int
            Their number.

        Returns
        -------
        contrast : (z, y, x) float32
            At the centres of the cubes, interpolated linearly; 0 beyond the cells.
        inside : (z, y, x) float32
            The same of the share of the specimen.
        """
        return (
            self.sample_contrast(move, origin_um, pitch_um, shape),
            self._sample(self.inside, move, origin_um, pitch_um, shape),
        )

    def sample_contrast(
        self, move: Similarity, origin_um: NDArray[np.float64], pitch_um: float, shape: Triple
    ) -> NDArray[np.float32]:
        """Return the first of what `sample` returns."""
        return self._sample(self.contrast, move, origin_um, pitch_um, shape)

    def _sample(
        self,
        values: NDArray[np.float32],
        move: Similarity,
        origin_um: NDArray[np.float64],
        pitch_um: float,
        shape: Triple,
    ) -> NDArray[np.float32]:
        matrix = move.matrix * pitch_um / self.pitch_um[:, None]
        first = move.apply(origin_um + 0.5 * pitch_um)
        offset = (first - self.origin_um) / self.pitch_um - 0.5
        found = np.empty(shape, np.float32)
        interpolate_(np.ascontiguousarray(values), matrix, offset, found)
        return found


def contrast_of(background: int, n_phases: int) -> NDArray[np.float32]:
    """Return the contrast of each phase number, dark to bright about the background phase.

    Examples
    --------
    >>> contrast_of(1, 4)[[0, 1, 2, 3, 255]].tolist()
    [-3.0, 0.0, 1.0, 1.0, 0.0]
    """
    table = np.zeros(256, np.float32)
    table[:background], table[background + 1 : n_phases] = DARKER, BRIGHTER
    return table


def average(
    scene: Scene, pitch_um: float, low_um: NDArray[np.float64], high_um: NDArray[np.float64]
) -> Cells | None:
    """Average a part of a scene over cells of about a pitch, however large the volume is.

    Read is the coarsest level that has two voxels along an edge of a cell, slab by slab.

    Parameters
    ----------
    scene : Scene
        The scene.
    pitch_um : float
        Edge of a cell wanted; cells consist of whole voxels, and are no smaller than one.
    low_um, high_um : (3,) float64
        Corners of the part, in the frame of the scene; it is cut down to the volume.

    Returns
    -------
    Cells or None
        None where the part lies beyond the volume.
    """
    voxel = np.asarray(scene.voxel_um)
    fitting = [v for v in scene.levels if 2 * v.factor * voxel.max() <= pitch_um]
    level = fitting[-1] if fitting else scene.levels[0]
    edge = voxel * level.factor
    # A coarse voxel holds the first of the full ones below it, and stands where that one does.
    corner = -0.5 * (level.factor - 1) * voxel
    k = np.maximum(1, np.rint(pitch_um / edge)).astype(np.int64)
    cell = k * edge
    n_cells = -(-np.asarray(level.shape) // k)
    first = np.clip(np.floor((low_um - corner) / cell), 0, n_cells).astype(np.int64)
    last = np.clip(np.ceil((high_um - corner) / cell), first, n_cells).astype(np.int64)
    shape = last - first
    if not shape.all():
        return None
    contrast, inside = (np.empty(shape, np.float32) for _ in range(2))
    step = max(1, int(SLAB_VOXELS // (k.prod() * shape[1] * shape[2])))
    for z in range(0, int(shape[0]), step):
        n = min(step, int(shape[0]) - z)
        start = (first + np.array([z, 0, 0])) * k
        stop = np.minimum((first + np.array([z + n, shape[1], shape[2]])) * k, level.shape)
        box = Box(tuple(map(int, start)), tuple(map(int, stop)))  # type: ignore[arg-type]
        phases = np.full((n * k[0], shape[1] * k[1], shape[2] * k[2]), OUTSIDE, np.uint8)
        phases[tuple(slice(0, e) for e in box.shape)] = level.read(box)
        blocks = phases.reshape(n, k[0], shape[1], k[1], shape[2], k[2])
        contrast[z : z + n] = scene.contrast[blocks].mean(axis=(1, 3, 5))
        inside[z : z + n] = (blocks != OUTSIDE).mean(axis=(1, 3, 5))
    return Cells(contrast, inside, corner + first * cell, cell)


def even_out(cells: Cells, sigma_um: float) -> Cells:
    """Return cells whose contrast is taken against its mean around, within the specimen.

    What varies slowly, such as a share of pores that grows inwards, fits for many turns.
    """
    sigma = sigma_um / cells.pitch_um
    weight = ndimage.gaussian_filter(cells.inside, sigma, mode="constant")
    around = ndimage.gaussian_filter(cells.contrast, sigma, mode="constant")
    mean = np.divide(around, weight, out=np.zeros_like(around), where=weight > 1e-3)
    return Cells(
        cells.contrast - mean * cells.inside, cells.inside, cells.origin_um, cells.pitch_um
    )


def corners_of(low_um: NDArray[np.float64], high_um: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the eight corners of a box, (8, 3)."""
    pairs = np.stack([low_um, high_um])
    return np.stack([pairs[[i >> 2 & 1, i >> 1 & 1, i & 1], [0, 1, 2]] for i in range(8)])


def finest_pitch_um(*scenes: Scene) -> float:
    """Return the longest edge of a voxel of some scenes."""
    return max(max(scene.voxel_um) for scene in scenes)


def coarse_pitch_um(n_cells: int, *scenes: Scene) -> float:
    """Return the pitch that gives the largest scene so many cells, in whole longest voxels."""
    largest = max(float(scene.size_um.max()) for scene in scenes)
    voxel = finest_pitch_um(*scenes)
    return voxel * max(1, math.ceil(largest / voxel / n_cells))
