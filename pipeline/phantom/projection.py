"""A simulated scan that is really projected and reconstructed, slice by slice.

Path lengths through each phase (`skimage.transform.radon`), attenuation of a polychromatic beam,
Poisson counts, logarithm, and filtered back-projection with the ramp filter
(`skimage.transform.iradon`): beam hardening, streaks, rings and correlated noise follow from that.

The spectrum is the bremsstrahlung of Kramers (Phil. Mag. 46 (1923) 836), photons per energy
proportional to ``kV / E - 1``, behind an aluminium filter; characteristic lines are left out.
Attenuation is that of `pipeline.analysis.attenuation`.  The beam is parallel and the detector
counts photons; blur acts on the phases before they are projected.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skimage.transform import iradon, radon

from pipeline.analysis.attenuation import (
    ALUMINIUM,
    COPPER_RICH,
    ENERGY_RANGE_KEV,
    IRON_RICH,
    linear_attenuation_cm,
)
from pipeline.errors import UsageError
from pipeline.model.grid import Box
from pipeline.phantom.artefacts import RING_STREAM, normals, slice_gains
from pipeline.phantom.coverage import compose_
from pipeline.phantom.render import GREY_END, GreyScale, Renderer, Rendering, scale_of
from pipeline.phantom.specimen import COPPER, IRON, MATRIX, PORE, SpecimenSpec

MAX_EDGE_VX = 256
_MATERIALS = {MATRIX: ALUMINIUM, IRON: IRON_RICH, COPPER: COPPER_RICH}
_FULL = 27 * 38_000  # a voxel full of one phase: fits the 20 bits that the blur takes
_PAD_VX = 4  # air around a slice: its blurred cylinder stays in the circle of reconstruction
_ENERGY_STEP_KEV = 1.0
_RING_GAIN = 2.9
_COUNT_STREAM = 0x636F756E
# Variance of a voxel over that of a projection value, times the number of angles: pi^2 / 12 of the
# ramp filter (Kak and Slaney, Principles of Computerized Tomographic Imaging, 1988, ch. 5), two
# thirds of which linear interpolation keeps on average.
_NOISE_GAIN = math.pi**2 / 12 * 2 / 3


@dataclass(frozen=True, slots=True)
class Beam:
    """The beam and the geometry of a projected scan.

    Parameters
    ----------
    tube_kv : float
        Voltage of the tube.
    filter_mm : float
        Thickness of the aluminium filter in millimetres.
    n_angles : int
        Projections over half a turn; 0 for pi / 2 times the width of a slice.
    n_photons : float
        Mean count of a detector element without a specimen; 0 for the count that gives the
        contrast-to-noise ratio of the specification, roughly, on the axis of the cylinder.
    """

    tube_kv: float = 80.0
    filter_mm: float = 2.0
    n_angles: int = 0
    n_photons: float = 0.0

    def __post_init__(self) -> None:
        ranges = (
            ("tube_kv", 20.0, 450.0, "kV"),
            ("filter_mm", 0.0, 50.0, "mm"),
            ("n_angles", 0, 4096, "angles"),
            ("n_photons", 0.0, 1e15, "photons"),
        )
        for name, low, high, unit in ranges:
            value = getattr(self, name)
            if not low <= value <= high:
                raise UsageError(
                    f"{name} = {value} of a beam wants {low:g} to {high:g} {unit}.",
                    f"Choose {name} within that range.",
                )


def beam_spectrum(beam: Beam) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return photon energies in keV and the share of the photons at each.

    Examples
    --------
    >>> energies, shares = beam_spectrum(Beam(tube_kv=80.0))
    >>> round(float(energies @ shares)), round(float(shares.sum()), 6)
    (39, 1.0)
    """
    energies = np.arange(ENERGY_RANGE_KEV[0], beam.tube_kv, _ENERGY_STEP_KEV)
    mu = np.array([linear_attenuation_cm(ALUMINIUM, float(e)) for e in energies])
    shares = (beam.tube_kv / energies - 1) * np.exp(-0.1 * beam.filter_mm * mu)
    return energies, shares / shares.sum()


def _phase_attenuation_cm(energies: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the attenuation of each material at each energy, (n, 3), in 1/cm."""
    rows = [[linear_attenuation_cm(m, float(e)) for m in _MATERIALS.values()] for e in energies]
    return np.array(rows)


def _hardened(
    spec: SpecimenSpec, shares: NDArray[np.float64], mu_cm: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64]]:
    """Return the attenuation of the matrix, and the shares of the photons behind the specimen.

    Both are for the mean path of a ray that hits a point of the cylinder, 16 / (3 pi) radii: on
    it, a little of a phase in place of matrix changes the logarithm by its attenuation in what is
    left of the beam.
    """
    path_cm = 16 / (3 * math.pi) * spec.radius_vx * 1e-4 * spec.voxel_um
    left = shares * np.exp(-mu_cm[:, 0] * path_cm)
    return float(-np.log(left.sum()) / path_cm), left / left.sum()


def effective_energy_kev(spec: SpecimenSpec, beam: Beam) -> float:
    """Return the energy at which aluminium attenuates as in the beam behind the specimen."""
    energies, shares = beam_spectrum(beam)
    mu_cm = _phase_attenuation_cm(energies)
    _, left = _hardened(spec, shares, mu_cm)
    return float(np.interp(-left @ mu_cm[:, 0], -mu_cm[:, 0], energies))


class ProjectedRenderer:
    """Renders slices of one projected scan; the same interface as `Renderer`.

    Slices once reconstructed are kept, 34 MB at most.

    Parameters
    ----------
    spec : SpecimenSpec
        The scan; its `energy_kev` does not count.
    beam : Beam
        The beam.

    Raises
    ------
    UsageError
        If the volume is too large, the cylinder too wide, or the specification asks for cupping or
        correlated noise, which this scan has of itself.
    """

    def __init__(self, spec: SpecimenSpec, beam: Beam) -> None:
        _check(spec)
        self.spec, self.beam = spec, beam
        self._plain = Renderer(spec)
        energies, self._shares = beam_spectrum(beam)
        self._mu_cm = _phase_attenuation_cm(energies)
        matrix, left = _hardened(spec, self._shares, self._mu_cm)
        aluminium, iron, copper = (float(mu) for mu in left @ self._mu_cm)
        # A phase stands out from the matrix by what it attenuates more in the hardened beam.
        levels = (
            matrix - aluminium,
            matrix,
            matrix + iron - aluminium,
            matrix + copper - aluminium,
        )
        self.scale: GreyScale = scale_of(levels, spec.cnr)
        self._edge = max(spec.size_vx[1:]) + 2 * max(_PAD_VX, self._plain.halo_vx)
        n_angles = beam.n_angles or math.ceil(0.5 * math.pi * self._edge)
        self._theta = np.linspace(0.0, 180.0, n_angles, endpoint=False)
        self.n_photons = beam.n_photons or self._photons_for_cnr(iron - aluminium)
        self._gains = slice_gains(spec)
        self._detector = self._detector_errors(matrix)
        self._slices: dict[int, NDArray[np.uint16]] = {}

    def _photons_for_cnr(self, contrast_cm: float) -> float:
        voxel_cm = 1e-4 * self.spec.voxel_um
        sd = contrast_cm * voxel_cm / self.spec.cnr
        path = 2 * self.spec.radius_vx * voxel_cm
        through = float(self._shares @ np.exp(-self._mu_cm[:, 0] * path))
        return _NOISE_GAIN / len(self._theta) / (through * sd * sd)

    def _detector_errors(self, matrix_cm: float) -> NDArray[np.float64]:
        """Return what each detector element adds to the logarithm: the cause of rings.

        An element at a distance s from the axis makes rings whose grey deviates by about 0.35 /
        sqrt(s) of its error (measured); errors grow accordingly, for rings of the asked strength.
        """
        away = np.abs(np.arange(self._edge) - self._edge // 2)
        strength = self.spec.artefacts.rings * matrix_cm * 1e-4 * self.spec.voxel_um
        draws = normals(self.spec, RING_STREAM, self._edge)
        return np.asarray(strength * _RING_GAIN * np.sqrt(np.maximum(away, 1)) * draws)

    def render(self, box: Box, with_phases: bool = False) -> Rendering:
        """Return the voxels of a box, as `Renderer.render` does; whole slices cost the least."""
        missing = [z for z in range(box.start[0], box.stop[0]) if z not in self._slices]
        for z in missing:
            self._slices[z] = self._reconstructed(z)
        grey = np.stack([self._slices[z] for z in range(box.start[0], box.stop[0])])
        inner = np.ascontiguousarray(grey[:, box.slices[1], box.slices[2]])
        return Rendering(inner, self._plain.phases(box) if with_phases else None)

    def _shares_of_slice(self, z: int) -> NDArray[np.float64]:
        """Return the share of each voxel of a slice that each material takes up, (3, y, x)."""
        _, ny, nx = self.spec.size_vx
        r = self._plain.halo_vx
        box = Box((z - r, -r, -r), (z + 1 + r, ny + r, nx + r))
        words, air = self._plain.sub_samples(box)
        result = np.empty((len(_MATERIALS), ny, nx))
        ideal, phases = np.empty(box.shape, np.int32), np.empty(box.shape, np.uint8)
        for i, phase in enumerate(_MATERIALS):
            levels = np.zeros(5, np.int32)
            levels[phase] = _FULL
            compose_(words[PORE], words[COPPER], words[IRON], air, levels, ideal, phases)
            result[i] = self._plain.blurred(ideal)[0] / _FULL
        return result

    def _reconstructed(self, z: int) -> NDArray[np.uint16]:
        """Project one slice, count photons, reconstruct, and turn attenuation into grey."""
        _, ny, nx = self.spec.size_vx
        voxel_cm = 1e-4 * self.spec.voxel_um
        top, left = (self._edge - ny) // 2, (self._edge - nx) // 2
        padded = np.zeros((self._edge, self._edge))
        inner = (slice(top, top + ny), slice(left, left + nx))
        paths = []
        for share in self._shares_of_slice(z):
            if not share.any():
                paths.append(np.zeros((self._edge, len(self._theta))))
                continue
            padded[inner] = share
            paths.append(radon(padded, theta=self._theta, circle=True) * voxel_cm)
        through = np.zeros_like(paths[0])
        for weight, mu in zip(self._shares, self._mu_cm, strict=True):
            through += weight * np.exp(-sum(m * path for m, path in zip(mu, paths, strict=True)))
        counts = self._counts(z, through)
        log = -np.log(counts / self.n_photons) + self._detector[:, None]
        mu_cm = iradon(log, theta=self._theta, filter_name="ramp", circle=True)[inner] / voxel_cm
        grey = self.scale.air + self.scale.slope_cm * self._gains[z] * mu_cm
        return np.clip(np.rint(grey), 0, GREY_END).astype(np.uint16)

    def _counts(self, z: int, through: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return Poisson counts of one slice, at least half a photon, so that logarithms exist.

        They come from a stream of the slice's own; NumPy promises their values for one release
        only, unlike those of everything else in this package.
        """
        key = [self.spec.seed, _COUNT_STREAM]
        counter = [0, z, self.spec.temper == "T6", 0]
        stream = np.random.Generator(np.random.Philox(key=key, counter=counter))
        return np.asarray(np.maximum(stream.poisson(self.n_photons * through), 0.5))


def _check(spec: SpecimenSpec) -> None:
    if max(spec.size_vx) > MAX_EDGE_VX:
        raise UsageError(
            f"a projected volume of {spec.size_vx} voxels wants edges of at most {MAX_EDGE_VX}.",
            "Choose a smaller size, or leave projection out: plain scans may be of any size.",
        )
    if spec.diameter_share > 0.95:
        raise UsageError(
            f"diameter_share = {spec.diameter_share} of a projected specimen wants at most 0.95.",
            "Choose a cylinder that every projection sees whole.",
        )
    if not spec.pose.is_plain:
        raise UsageError(
            "a projected specimen has no pose: its axis is that of the rotation.",
            "Leave the pose out, or leave projection out.",
        )
    if spec.artefacts.cupping or spec.artefacts.correlation_vx:
        raise UsageError(
            "cupping and correlated noise are not added to a projected scan.",
            "Leave them out: beam hardening and reconstruction make them.",
        )
