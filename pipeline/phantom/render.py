"""A simulated scan, rendered box by box: bodies, partial volume, blur, noise, uint16.

Any box of the volume can be rendered alone, and its voxels have the same bits whatever box they
were rendered in.  A box is worked on in blocks, so that memory does not grow with it beyond the
arrays that are returned.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.attenuation import (
    ALUMINIUM,
    COPPER_RICH,
    IRON_RICH,
    linear_attenuation_cm,
)
from pipeline.model.grid import Box, TileGrid, Triple
from pipeline.phantom.artefacts import CorrelatedNoise, Distortion
from pipeline.phantom.bodies import BodyField
from pipeline.phantom.coverage import air_, compose_, cover_bodies_, posed_air_
from pipeline.phantom.exposure import (
    GREY_SCALE,
    blur_,
    blur_weights,
    expose_,
    noise_key,
    noise_table,
)
from pipeline.phantom.specimen import COPPER, IRON, MATRIX, PORE, SpecimenSpec

BLOCK_VX: Triple = (64, 128, 256)  # a block and its scratch arrays take about 70 MB
AIR_LEVEL = 8_000
COPPER_SPAN = 40_000  # grey levels from air to the copper-rich phase
TAIL_SD = 6.0  # noise that must fit below air and above the copper-rich phase
GREY_END = 65_535


@dataclass(frozen=True, slots=True)
class GreyScale:
    """How attenuation becomes grey: grey = air + slope * attenuation.

    Parameters
    ----------
    air : int
        Grey level of empty space.
    slope_cm : float
        Grey levels for an attenuation of 1/cm.
    attenuation_cm : tuple of float
        Linear attenuation in 1/cm of pore, matrix, iron-rich and copper-rich phase.
    noise_sd : float
        Standard deviation of the noise in grey levels.
    """

    air: int
    slope_cm: float
    attenuation_cm: tuple[float, float, float, float]
    noise_sd: float

    @property
    def levels(self) -> tuple[int, int, int, int]:
        """Grey levels of pore, matrix, iron-rich and copper-rich phase, without noise."""
        pore, matrix, iron, copper = (
            self.air + round(self.slope_cm * mu) for mu in self.attenuation_cm
        )
        return (pore, matrix, iron, copper)


def grey_scale(spec: SpecimenSpec) -> GreyScale:
    """Return the grey scale of a scan: air low, the copper-rich phase well below saturation.

    Noise of the asked contrast-to-noise ratio must fit at both ends of uint16; where it does not,
    the scale is compressed.

    Parameters
    ----------
    spec : SpecimenSpec
        Its energy and its contrast-to-noise ratio count.

    Returns
    -------
    GreyScale
        The scale.

    Examples
    --------
    >>> grey_scale(SpecimenSpec((64, 64, 64), 1.5, seed=1)).levels
    (10491, 17480, 27971, 50491)
    """
    energy = spec.energy_kev
    matrix = linear_attenuation_cm(ALUMINIUM, energy)
    iron = linear_attenuation_cm(IRON_RICH, energy)
    copper = linear_attenuation_cm(COPPER_RICH, energy)
    return scale_of((0.0, matrix, iron, copper), spec.cnr)


def scale_of(attenuation_cm: tuple[float, float, float, float], cnr: float) -> GreyScale:
    """Return the grey scale for attenuations, dark to bright, and a contrast-to-noise ratio."""
    _, matrix, iron, copper = attenuation_cm
    sd = (iron - matrix) / cnr
    slope = min(COPPER_SPAN / copper, GREY_END / (copper + 2 * TAIL_SD * sd))
    air = max(AIR_LEVEL, math.ceil(TAIL_SD * sd * slope))
    return GreyScale(air, slope, attenuation_cm, sd * slope)


@dataclass(frozen=True, slots=True)
class Rendering:
    """The voxels of a box.

    Parameters
    ----------
    grey : (z, y, x) uint16
        The scan.
    phases : (z, y, x) uint8 or None
        The phase at each voxel's centre, 255 outside the specimen; None where not asked for.
    """

    grey: NDArray[np.uint16]
    phases: NDArray[np.uint8] | None


def _shifted(box: Box, by: Triple) -> Box:
    a, b = box.start, box.stop
    return Box(
        (a[0] + by[0], a[1] + by[1], a[2] + by[2]), (b[0] + by[0], b[1] + by[1], b[2] + by[2])
    )


def _way_back(spec: SpecimenSpec) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return matrix and shift that bring index coordinates of a scan to those without pose."""
    back = spec.pose.similarity_vx(spec.size_vx).inverse()
    return back.matrix, back.apply(np.full(3, 0.5)) - 0.5


class Renderer:
    """Renders boxes of one simulated scan; several threads may share it.

    Parameters
    ----------
    spec : SpecimenSpec
        The scan.

    Examples
    --------
    >>> renderer = Renderer(SpecimenSpec((64, 64, 64), 1.5, seed=1))
    >>> slab = renderer.render(Box((8, 0, 0), (12, 64, 64)), with_phases=True)
    >>> slab.grey.shape, slab.grey.dtype.name, int(slab.phases[0, 0, 0])
    ((4, 64, 64), 'uint16', 255)
    """

    def __init__(self, spec: SpecimenSpec) -> None:
        self.spec = spec
        self.scale = grey_scale(spec)
        self.field = BodyField(spec)
        self._weights = blur_weights(spec.psf_sigma_vx)
        self._table = noise_table(self.scale.noise_sd * GREY_SCALE)
        self._key = noise_key(spec)
        levels = (*self.scale.levels, self.scale.air)
        self._levels = np.array(levels, np.int32) * np.int32(GREY_SCALE)
        artefacts, sd = spec.artefacts, self.scale.noise_sd
        self._distortion = (
            Distortion(spec, self.scale.air, levels[MATRIX]) if artefacts.bends_grey else None
        )
        self._noise = CorrelatedNoise(spec, sd) if artefacts.correlation_vx else None
        self._back = None if spec.pose.is_plain else _way_back(spec)

    @property
    def halo_vx(self) -> int:
        """Voxels around a box that its blur reads."""
        return len(self._weights) // 2

    def render(self, box: Box, with_phases: bool = False) -> Rendering:
        """Return the voxels of a box.

        Parameters
        ----------
        box : Box
            Voxels wanted; inside the volume.
        with_phases : bool
            Whether the phase map is wanted too.

        Returns
        -------
        Rendering
            The scan and, if wanted, the phase map.
        """
        if box.clip(self.spec.size_vx) != box:
            raise ValueError(f"{box} lies outside the volume of {self.spec.size_vx}")
        grey = np.empty(box.shape, np.uint16)
        phases = np.empty(box.shape, np.uint8) if with_phases else None
        if box.n_voxels == 0:
            return Rendering(grey, phases)
        for tile in TileGrid(box.shape, BLOCK_VX):
            block = _shifted(tile.core, box.start)
            r = self.halo_vx
            ideal, centre = self._composed(block.grow((r, r, r)))
            self._expose_(self.blurred(ideal), block, grey[tile.core.slices])
            if phases is not None:
                inner = tuple(slice(r, r + n) for n in block.shape)
                phases[tile.core.slices] = centre[inner]
        return Rendering(grey, phases)

    def _expose_(self, blurred: NDArray[np.int32], block: Box, grey: NDArray[np.uint16]) -> None:
        """Add what the scanner adds, and noise; `grey` is overwritten."""
        if self._distortion is not None:
            self._distortion.apply_(blurred, block)
        if self._noise is not None:
            self._noise.expose_(blurred, block, grey)
        else:
            expose_(blurred, np.asarray(block.start, np.int64), self._key, self._table, grey)

    def phases(self, box: Box) -> NDArray[np.uint8]:
        """Return the phase map of a box alone, without the cost of blur and noise."""
        result = np.empty(box.shape, np.uint8)
        for tile in TileGrid(box.shape, BLOCK_VX):
            block = _shifted(tile.core, box.start)
            result[tile.core.slices] = self._composed(block)[1]
        return result

    def ideal(self, box: Box) -> NDArray[np.int32]:
        """Return grey values with partial volume, before blur and noise, times `GREY_SCALE`."""
        return self._composed(box)[0]

    def sub_samples(self, box: Box) -> tuple[dict[int, NDArray[np.uint32]], NDArray[np.uint32]]:
        """Return the words of each phase's sub-samples in a box, and those of the air.

        The words of the air are (y, x); those of a specimen with a pose (z, y, x).
        """
        start = np.asarray(box.start, np.int64)
        words = {p: np.zeros(box.shape, np.uint32) for p in (PORE, COPPER, IRON)}
        axis_y, axis_x = self.spec.axis_vx
        if self._back is None:
            air = np.empty(box.shape[1:], np.uint32)
            air_(air, start, axis_y, axis_x, self.spec.radius_vx)
        else:
            air = np.empty(box.shape, np.uint32)
            posed_air_(air, start, *self._back, axis_y, axis_x, self.spec.radius_vx)
        bodies = self.field.bodies_in(box)
        for phase, phase_words in words.items():
            cover_bodies_(phase_words, start, bodies[bodies["phase"] == phase])
        return words, air

    def _composed(self, box: Box) -> tuple[NDArray[np.int32], NDArray[np.uint8]]:
        words, air = self.sub_samples(box)
        ideal = np.empty(box.shape, np.int32)
        phases = np.empty(box.shape, np.uint8)
        if self._back is None:
            compose_(words[PORE], words[COPPER], words[IRON], air, self._levels, ideal, phases)
            return ideal, phases
        for i in range(len(ideal)):  # the air of a tilted cylinder differs from plane to plane
            plane = slice(i, i + 1)
            compose_(
                words[PORE][plane],
                words[COPPER][plane],
                words[IRON][plane],
                air[i],
                self._levels,
                ideal[plane],
                phases[plane],
            )
        return ideal, phases

    def blurred(self, ideal: NDArray[np.int32]) -> NDArray[np.int32]:
        """Blur along each axis in turn, which eats up the halo."""
        if self.halo_vx == 0:
            return ideal
        for axis in range(3):
            shape = list(ideal.shape)
            shape[axis] -= 2 * self.halo_vx
            target = np.empty(shape, np.int32)
            blur_(ideal, self._weights, axis, target)
            ideal = target
        return ideal
