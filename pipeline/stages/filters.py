"""The filter of a run: chosen once from the recipe and the scan's noise, applied tile by tile."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.bilateral import denoise_bilateral
from pipeline.kernels.denoise import denoise_gaussian, denoise_median
from pipeline.kernels.nlm import denoise_nlm
from pipeline.kernels.noise import Noise, choose_filter
from pipeline.kernels.variation import denoise_variation
from pipeline.model.plan import method_halo
from pipeline.model.recipe import Denoise


@dataclass(frozen=True, slots=True)
class Filter:
    """A filter with all that it needs.

    Parameters
    ----------
    method : str
        Any of the recipe's but ``auto``.
    denoise : Denoise
        The recipe's parameters.
    noise_sd : float
        Noise in levels of the conditioned scale; 0 where it cannot be told, which leaves the
        filters that are set by the noise without effect.
    """

    method: str
    denoise: Denoise
    noise_sd: float

    def apply(self, padded: NDArray[np.uint16], halo_vx: int) -> NDArray[np.uint16]:
        """Return the tile without its halo, which may be wider than this filter reads."""
        spare = halo_vx - method_halo(self.denoise, self.method)
        if spare:
            padded = padded[(slice(spare, -spare),) * 3]
        d, sd, strength = self.denoise, self.noise_sd, self.strength
        if self.method == "median":
            return denoise_median(padded, d.radius_vx)
        if self.method == "gaussian":
            return denoise_gaussian(padded, d.sigma_vx)
        if self.method == "bilateral":
            return denoise_bilateral(padded, d.window_vx, d.sigma_vx, strength * sd)
        if self.method == "nlm":
            return denoise_nlm(padded, sd, strength, d.patch_vx, d.window_vx)
        if self.method == "tv":
            return denoise_variation(padded, strength * sd, d.iterations)
        return padded

    @property
    def strength(self) -> float:
        """Strength in units of the noise."""
        return self.denoise.strength_of(self.method)

    def describe(self) -> str:
        """Return method and parameters in words, for the catalogue."""
        d, strength = self.denoise, f"strength {self.strength:g} noise sd"
        words = {
            "median": f"median, radius {d.radius_vx} vx",
            "gaussian": f"gaussian, sigma {d.sigma_vx:g} vx",
            "bilateral": f"bilateral, {strength}, sigma {d.sigma_vx:g} vx, window {d.window_vx} vx",
            "nlm": f"nlm, {strength}, patch {d.patch_vx} vx, window {d.window_vx} vx",
            "tv": f"tv, {strength}, {d.iterations} iterations",
        }
        return words.get(self.method, self.method)


def open_filter(denoise: Denoise, noise: Noise) -> Filter:
    """Return the recipe's filter for a scan of that noise."""
    method = choose_filter(noise) if denoise.method == "auto" else denoise.method
    return Filter(method, denoise, noise.sd or 0.0)
