"""What a simulated specimen is made of: its complete, frozen and checked specification.

Lengths are in voxels, so that a small volume and a large one hold the same number of bodies per
voxel; `SpecimenSpec.voxel_um` turns them into micrometres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from pipeline.errors import UsageError
from pipeline.model.grid import Triple
from pipeline.phantom.pose import UPRIGHT, Pose

Temper = Literal["F", "T6"]

PORE, MATRIX, IRON, COPPER = 0, 1, 2, 3
OUTSIDE = 255
PHASE_NAMES = ("pore", "matrix", "iron-rich", "copper-rich")

MAX_SIZE_VX = 16_384
MAX_FRACTION = 0.3


@dataclass(frozen=True, slots=True)
class Lognormal:
    """A lognormal distribution of a length in voxels, cut off on both sides.

    The cut bounds the reach of a body, and with it how far a tile has to look for bodies.

    Parameters
    ----------
    median, spread, low, high : float
        Median, standard deviation of the logarithm, and the two ends.
    """

    median: float
    spread: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not (2 <= self.low < self.median < self.high <= 128 and 0 < self.spread <= 2):
            raise UsageError(
                f"size distribution median {self.median}, spread {self.spread}, low {self.low}, "
                f"high {self.high} wants 2 <= low < median < high <= 128 voxels, 0 < spread <= 2.",
                "Widen the range around the median.",
            )

    def quantile(self, u: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the lengths whose cumulative probabilities are `u`, in (0, 1)."""
        low = ndtr(math.log(self.low / self.median) / self.spread)
        high = ndtr(math.log(self.high / self.median) / self.spread)
        normal = ndtri(low + (high - low) * u)
        return np.clip(self.median * np.exp(self.spread * normal), self.low, self.high)

    def moment(self, power: int) -> float:
        """Return the mean of length**power, by the midpoint rule on 4096 quantiles."""
        return _moment(self, power)


@lru_cache(maxsize=64)
def _moment(sizes: Lognormal, power: int) -> float:
    u = (np.arange(4096) + 0.5) / 4096
    return float(np.mean(sizes.quantile(u) ** power))


@dataclass(frozen=True, slots=True)
class Treatment:
    """What the heat treatment of temper T6 does to each body; pores it leaves as they are.

    Parameters
    ----------
    gap_vx : float
        Width of the gaps that cut a platelet into pieces across its longer axis.
    two_pieces_vx, three_pieces_vx : float
        Longer diameter from which a platelet breaks into two and into three pieces.
    plate_shrink, copper_shrink : float
        Factor on every length of a platelet and of a copper-rich particle.
    copper_dissolved, plate_dissolved : float
        Shares of the copper-rich particles and of the platelets that vanish.
    """

    gap_vx: float = 3.0
    two_pieces_vx: float = 24.0
    three_pieces_vx: float = 44.0
    plate_shrink: float = 0.98
    copper_shrink: float = 0.80
    copper_dissolved: float = 0.30
    plate_dissolved: float = 0.0

    def __post_init__(self) -> None:
        if not (0 < self.plate_shrink <= 1 and 0 < self.copper_shrink <= 1):
            raise UsageError(
                f"shrinkage {self.plate_shrink} of platelets and {self.copper_shrink} of copper-"
                "rich particles wants factors above 0 and at most 1.",
                "Give the factor on lengths, such as 0.98.",
            )
        if not (0 <= self.copper_dissolved <= 1 and 0 <= self.plate_dissolved <= 1):
            raise UsageError(
                f"shares {self.copper_dissolved} of dissolved copper-rich particles and "
                f"{self.plate_dissolved} of dissolved platelets want 0 to 1.",
                "Give a share, such as 0.3.",
            )
        if not 0 < 3 * self.gap_vx < self.two_pieces_vx < self.three_pieces_vx:
            raise UsageError(
                f"a gap of {self.gap_vx} voxels does not fit into platelets of "
                f"{self.two_pieces_vx} voxels across.",
                "Choose a gap below a third of the smallest platelet that breaks.",
            )


def _require(owner: object, name: str, low: float, high: float, unit: str) -> None:
    value = getattr(owner, name)
    if not (math.isfinite(value) and low <= value <= high):
        raise UsageError(
            f"{name} = {value} of a simulated specimen wants {low:g} to {high:g} {unit}.",
            f"Choose {name} within that range.",
        )


@dataclass(frozen=True, slots=True)
class RichBodies:
    """Bodies beyond flat platelets, round particles and round pores; none of them by default.

    Parameters
    ----------
    bent : float
        Share of the platelets whose mid-surface is curved along their longer axis.
    sag : float
        Largest height of that arc over the longer semi-axis; the smallest is a third of it.
    branched : float
        Share of the platelets that carry a branch, a half platelet that leaves them at a right
        angle (T) or at 60 degrees (Y).
    holed : float
        Share of the platelets with one or two round holes; platelets too small for them have none.
    script_fraction : float
        Volume fraction of script-like iron-rich bodies: a core with four to six curved arms.
    script_reach_vx : Lognormal
        Radius of the ball around such a body.
    shrinkage_fraction : float
        Volume fraction of tortuous shrinkage pores: a bent chain with side branches.
    shrinkage_reach_vx : Lognormal
        Radius of the ball around such a pore; also the depth of pores that open to the surface.
    walled : float
        Share of the shrinkage pores walled in by three platelets of their own.
    open_pores : float
        Mean number of pores open to the surface in each 64 x 64 voxels of the cylinder's surface.
    """

    bent: float = 0.0
    sag: float = 0.3
    branched: float = 0.0
    holed: float = 0.0
    script_fraction: float = 0.0
    script_reach_vx: Lognormal = Lognormal(20.0, 0.20, 15.0, 30.0)
    shrinkage_fraction: float = 0.0
    shrinkage_reach_vx: Lognormal = Lognormal(22.0, 0.25, 15.0, 36.0)
    walled: float = 0.5
    open_pores: float = 0.0

    def __post_init__(self) -> None:
        for name in ("bent", "branched", "holed"):
            _require(self, name, 0.0, 1.0, "of the platelets")
        _require(self, "sag", 0.0, 0.5, "of the longer semi-axis")
        for name in ("script_fraction", "shrinkage_fraction"):
            _require(self, name, 0.0, MAX_FRACTION, "of the volume")
        _require(self, "walled", 0.0, 1.0, "of the shrinkage pores")
        _require(self, "open_pores", 0.0, 4.0, "pores in 64 x 64 voxels")

    @property
    def is_plain(self) -> bool:
        """Whether no such body is asked for."""
        return not (
            self.bent
            or self.branched
            or self.holed
            or self.script_fraction
            or self.shrinkage_fraction
            or self.open_pores
        )


RICH_BODIES = RichBodies(
    bent=0.4,
    branched=0.25,
    holed=0.2,
    script_fraction=0.008,
    shrinkage_fraction=0.003,
    open_pores=0.15,
)


@dataclass(frozen=True, slots=True)
class Artefacts:
    """What a scanner adds to a scan; nothing by default.

    Parameters
    ----------
    correlation_vx : float
        Standard deviation of the Gaussian that smooths the noise; its strength stays as stated.
    cupping : float
        Loss of grey (above that of air) at the axis of the cylinder over that at its surface; it
        falls off with the square of the distance from the axis.
    rings : float
        Standard deviation of the grey of a ring over the contrast of matrix and air.  A ring is one
        voxel wide, about the axis of the cylinder and the same in every slice; one radius in five
        has one.  In a projected scan every detector element errs instead, and this is the standard
        deviation that all of them together give.
    drift : float
        Standard deviation of the gain of a slice: one part wanders over 64 slices, the other jumps
        from slice to slice.
    """

    correlation_vx: float = 0.0
    cupping: float = 0.0
    rings: float = 0.0
    drift: float = 0.0

    def __post_init__(self) -> None:
        _require(self, "correlation_vx", 0.0, 3.0, "voxels")
        _require(self, "cupping", 0.0, 0.9, "of the grey at the surface")
        _require(self, "rings", 0.0, 0.5, "of the contrast of matrix and air")
        _require(self, "drift", 0.0, 0.2, "of the grey")

    @property
    def bends_grey(self) -> bool:
        """Whether the mean grey of a voxel changes, not its noise alone."""
        return bool(self.cupping or self.rings or self.drift)


@dataclass(frozen=True, slots=True)
class SpecimenSpec:
    """A simulated scan of a cast specimen: a cylinder along z, in air, cut out of endless material.

    Parameters
    ----------
    size_vx : tuple of int
        Shape of the volume, (z, y, x).
    voxel_um : float
        Edge length of a voxel in micrometres.
    seed : int
        Fixes every body and every noise value; 0 to 2**63 - 1.
    temper : {'F', 'T6'}
        As cast, or the same specimen after heat treatment.
    iron_fraction, copper_fraction, pore_fraction : float
        Volume fractions that the number of bodies per voxel aims at.  Bodies that overlap share
        voxels, so that the true fractions differ a little; `truth.truth_census` gives them.
    copper_on_platelets : float
        Share of the copper-rich particles that sit on the face of a platelet.
    crossing : float
        Chance that a platelet other than the first of its cell cuts through that first one.
    energy_kev : float
        Effective photon energy, from which the grey levels follow.
    cnr : float
        Grey contrast of iron-rich phase against matrix, over the standard deviation of noise.
    psf_sigma_vx : float
        Standard deviation of the Gaussian blur; 0 for none.
    diameter_share : float
        Diameter of the cylinder over the shorter of the two in-plane edges of the volume.
    plate_diameter_vx, plate_thickness_vx, copper_radius_vx, pore_radius_vx : Lognormal
        Longer diameter and thickness of platelets, longest semi-axis of copper-rich particles,
        radius of pores.
    treatment : Treatment
        What temper T6 changes.
    rich : RichBodies
        Bodies of other shapes, added to the plain ones.
    artefacts : Artefacts
        What the scanner adds.
    pose : Pose
        How the specimen stands in the scanner.

    Raises
    ------
    UsageError
        If a value is out of its range.

    Examples
    --------
    >>> spec = SpecimenSpec(size_vx=(96, 96, 96), voxel_um=1.5, seed=7)
    >>> spec.temper, round(spec.radius_vx, 1)
    ('F', 43.2)
    """

    size_vx: Triple
    voxel_um: float
    seed: int
    temper: Temper = "F"
    iron_fraction: float = 0.04
    copper_fraction: float = 0.006
    pore_fraction: float = 0.004
    copper_on_platelets: float = 0.6
    crossing: float = 0.3
    energy_kev: float = 60.0
    cnr: float = 6.0
    psf_sigma_vx: float = 0.8
    diameter_share: float = 0.9
    plate_diameter_vx: Lognormal = Lognormal(34.0, 0.30, 18.0, 64.0)
    plate_thickness_vx: Lognormal = Lognormal(6.0, 0.15, 4.5, 9.0)
    copper_radius_vx: Lognormal = Lognormal(5.0, 0.25, 3.5, 10.0)
    pore_radius_vx: Lognormal = Lognormal(6.0, 0.30, 3.5, 14.0)
    treatment: Treatment = Treatment()
    rich: RichBodies = RichBodies()
    artefacts: Artefacts = Artefacts()
    pose: Pose = UPRIGHT

    def __post_init__(self) -> None:
        if len(self.size_vx) != 3 or not all(8 <= n <= MAX_SIZE_VX for n in self.size_vx):
            raise UsageError(
                f"size {tuple(self.size_vx)} of a simulated volume wants three edges of 8 to "
                f"{MAX_SIZE_VX} voxels.",
                "Give one number for a cube or three for (z, y, x).",
            )
        if not 0 <= self.seed < 2**63:
            raise UsageError(f"seed {self.seed} wants a whole number from 0 to 2**63 - 1.")
        if self.temper not in ("F", "T6"):
            raise UsageError(f"temper {self.temper!r} is not known.", "Choose F or T6.")
        _require(self, "voxel_um", 1e-3, 1e4, "micrometres")
        for name in ("iron_fraction", "copper_fraction", "pore_fraction"):
            _require(self, name, 0.0, MAX_FRACTION, "of the volume")
        _require(self, "copper_on_platelets", 0.0, 1.0, "of the particles")
        _require(self, "crossing", 0.0, 1.0, "of the platelets")
        _require(self, "energy_kev", 10.0, 500.0, "keV")
        _require(self, "cnr", 0.5, 1000.0, "noise standard deviations")
        _require(self, "psf_sigma_vx", 0.0, 4.0, "voxels")
        _require(self, "diameter_share", 0.1, 2.0, "of the shorter in-plane edge")

    @property
    def radius_vx(self) -> float:
        """Radius of the cylinder in voxels."""
        return 0.5 * self.diameter_share * min(self.size_vx[1:])

    @property
    def axis_vx(self) -> tuple[float, float]:
        """Where the axis of the cylinder stands, (y, x) in index coordinates."""
        return (0.5 * (self.size_vx[1] - 1), 0.5 * (self.size_vx[2] - 1))
