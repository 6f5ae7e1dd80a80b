"""X-ray beams, of one energy or an approximate tube spectrum, and the signal that they leave.

The detector is ideal and energy-integrating: its signal is the energy that arrives.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.attenuation import ENERGY_RANGE_KEV, Material, linear_attenuations_cm
from pipeline.errors import UsageError

TUBE_RANGE_KV = (20.0, 450.0)
BIN_KEV = 1.0

Layer = tuple[Material, float]
"""A material and its thickness in millimetres."""


@dataclass(frozen=True, slots=True)
class Beam:
    """Photons by energy.

    Parameters
    ----------
    label : str
        Such as ``60 keV`` or ``120 kV, 1 mm Al``.
    energies_kev : tuple of float
        Energies.
    shares : tuple of float
        Share of the photons at each, of sum 1, before the specimen.
    """

    label: str
    energies_kev: tuple[float, ...]
    shares: tuple[float, ...]

    def photons(self, layers: Sequence[Layer] = ()) -> NDArray[np.float64]:
        """Return the photons at each energy that pass through layers, for one that enters.

        Parameters
        ----------
        layers : sequence of Layer
            What lies in the way; scatter is not followed.

        Returns
        -------
        (n,) float64
            Between 0 and the shares.
        """
        energies = np.array(self.energies_kev)
        depth = np.zeros(len(energies))
        for material, thickness_mm in layers:
            depth += linear_attenuations_cm(material, energies) * thickness_mm / 10
        passed: NDArray[np.float64] = np.array(self.shares) * np.exp(-depth)
        return passed


@dataclass(frozen=True, slots=True)
class Signal:
    """What an ideal energy-integrating detector measures behind a specimen.

    Parameters
    ----------
    beam : Beam
        Before the specimen.
    layers : tuple of Layer
        The specimen along a ray; empty for none.
    """

    beam: Beam
    layers: tuple[Layer, ...] = ()

    @property
    def transmission(self) -> float:
        """Share of the signal of the open beam."""
        energies = np.array(self.beam.energies_kev)
        return float(self.beam.photons(self.layers) @ energies / (self.beam.photons() @ energies))

    @property
    def mean_kev(self) -> float:
        """Mean energy of the photons that arrive: it rises in the specimen (beam hardening)."""
        passed = self.beam.photons(self.layers)
        return float(passed @ np.array(self.beam.energies_kev) / passed.sum())

    def attenuation_cm(self, material: Material) -> float:
        """Return the effective attenuation of a small inclusion on the ray.

        It is the change of the logarithm of the signal with the inclusion's thickness, at thickness
        zero: the mean of the coefficient over the energies, weighted with their signals behind the
        specimen.

        Parameters
        ----------
        material : Material
            The inclusion, or the matrix.

        Returns
        -------
        float
            1/cm; for one energy, its coefficient.
        """
        energies = np.array(self.beam.energies_kev)
        weights = self.beam.photons(self.layers) * energies
        if not material.atoms:
            return 0.0
        return float(weights @ linear_attenuations_cm(material, energies) / weights.sum())

    def relative_variance(self, n_photons: float) -> float:
        """Return the variance of the logarithm of the signal, by photon noise alone.

        Photons of each energy are counted independently (Poisson), and each gives a signal in
        proportion to its energy: sum n E^2 / (sum n E)^2; for one energy 1 / n.

        Parameters
        ----------
        n_photons : float
            Photons on a pixel in one projection, without the specimen.

        Returns
        -------
        float
            Relative variance.
        """
        energies = np.array(self.beam.energies_kev)
        passed = n_photons * self.beam.photons(self.layers)
        return float(passed @ energies**2 / (passed @ energies) ** 2)


def monochromatic(energy_kev: float) -> Beam:
    """Return a beam of one energy.

    Parameters
    ----------
    energy_kev : float
        Photon energy.

    Returns
    -------
    Beam
        The beam.

    Raises
    ------
    UsageError
        If the energy lies outside `ENERGY_RANGE_KEV`.
    """
    low, high = ENERGY_RANGE_KEV
    if not low <= energy_kev <= high:
        raise UsageError(
            f"photon energy {energy_kev:g} keV lies outside {low:g} to {high:g} keV.",
            "Choose the effective energy of the beam in keV, such as 60.",
        )
    return Beam(f"{energy_kev:g} keV", (float(energy_kev),), (1.0,))


def tube(voltage_kv: float, filters: Sequence[Layer]) -> Beam:
    """Return an approximate spectrum of a tube.

    Kramers' law: photons in proportion to (voltage - energy) / energy, in bins of 1 keV from 10 keV
    up, then the filters.  Characteristic lines of the target, its self-absorption and the window
    are left out, so that low energies are over- and the lines of tungsten (59 and 67 keV)
    under-represented.  Good for a comparison of phases, not for a dose.  Kramers, Phil. Mag. 46
    (1923) 836, from memory.

    Parameters
    ----------
    voltage_kv : float
        Tube voltage.
    filters : sequence of Layer
        Filters between tube and specimen.

    Returns
    -------
    Beam
        The beam behind the filters.

    Raises
    ------
    UsageError
        A voltage outside `TUBE_RANGE_KV`, a filter of no thickness, or one that lets nothing pass.

    Examples
    --------
    >>> from pipeline.analysis.attenuation import ALUMINIUM
    >>> beam = tube(100.0, [(ALUMINIUM, 1.0)])
    >>> beam.label, round(Signal(beam).mean_kev)
    ('100 kV, 1 mm Al', 40)
    """
    low, high = TUBE_RANGE_KV
    if not low <= voltage_kv <= high:
        raise UsageError(
            f"tube voltage {voltage_kv:g} kV lies outside {low:g} to {high:g} kV.",
            "Give the tube voltage in kV, such as 120.",
        )
    for material, thickness_mm in filters:
        if not (math.isfinite(thickness_mm) and thickness_mm > 0):
            raise UsageError(
                f"filter of {thickness_mm:g} mm {material.name} wants a thickness above 0.",
                "Give it in mm, such as Cu:0.5.",
            )
    energies = np.arange(ENERGY_RANGE_KEV[0] + BIN_KEV / 2, voltage_kv, BIN_KEV)
    produced = (voltage_kv - energies) / energies
    bare = Beam("", tuple(energies.tolist()), tuple((produced / produced.sum()).tolist()))
    passed = bare.photons(filters)
    if passed.sum() < 1e-9:
        raise UsageError("the filters let no photon pass.", "Give their thickness in mm.")
    layers = "".join(f", {thickness:g} mm {material.name}" for material, thickness in filters)
    shares = tuple((passed / passed.sum()).tolist())
    return Beam(f"{voltage_kv:g} kV{layers}", bare.energies_kev, shares)
