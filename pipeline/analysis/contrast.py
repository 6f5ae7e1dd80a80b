"""What a scan can show, before it is made: contrast of the phases, noise, voxel size.

Grey of a reconstruction is linear in attenuation.  The contrast-to-noise ratio of two phases is
their difference of attenuation over the standard deviation of the matrix in single voxels, before
any denoising, and without blur.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from pipeline.analysis.attenuation import (
    AIR,
    ALPHA_IRON_RICH,
    ALUMINIUM,
    COPPER_RICH,
    IRON_RICH,
    SILICON,
    Material,
)
from pipeline.analysis.beams import Beam, Signal
from pipeline.errors import UsageError

ALIKE = 0.05
"""Two phases whose attenuations differ by less, relative to the larger, are called alike: a rule of
this project, because grey in a scan is rarely even to that over a slice."""

CNR_APART = 2.0
"""Two equal normal distributions have one maximum together while their means are no more than two
standard deviations apart."""

LOW_TRANSMISSION = 0.05
"""Below it, scatter and photon starvation spoil the image: common practice, no source."""

_NOT_BY_GREY = "grey does not tell them apart"

VOXELS_ACROSS = 3
"""Voxels that a platelet's thickness wants: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Phase:
    """A phase of the alloy.

    Parameters
    ----------
    name : str
        Name in tables.
    material : Material
        Its composition and density.
    group : str
        Phases of one group count as one in a census by grey.
    """

    name: str
    material: Material
    group: str


MATRIX = Phase("matrix", ALUMINIUM, "matrix")
PHASES = (
    MATRIX,
    Phase("silicon", SILICON, "silicon"),
    Phase("iron-rich beta", IRON_RICH, "iron-rich"),
    Phase("iron-rich alpha", ALPHA_IRON_RICH, "iron-rich"),
    Phase("copper-rich", COPPER_RICH, "copper-rich"),
    Phase("pore", AIR, "pore"),
)


@dataclass(frozen=True, slots=True)
class Exposure:
    """What fixes photon noise in a reconstruction.

    Parameters
    ----------
    n_photons : float
        Photons on a pixel in one projection of the open beam.
    n_projections : int
        Projections, evenly over half a turn or a whole one.
    voxel_um : float
        Edge of a voxel, which is also the detector's pixel at the specimen.
    """

    n_photons: float
    n_projections: int
    voxel_um: float

    def __post_init__(self) -> None:
        values = (self.n_photons, self.n_projections, self.voxel_um)
        if not all(math.isfinite(v) and v > 0 for v in values):
            raise UsageError(
                f"photons {self.n_photons:g}, projections {self.n_projections} and voxel "
                f"{self.voxel_um:g} um want to be above 0.",
                "Count the photons on one pixel in one projection without the specimen.",
            )


@dataclass(frozen=True, slots=True)
class PhaseRow:
    """A phase in one beam.

    Parameters
    ----------
    phase, formula : str
        What it is.
    density_g_cm3 : float
        Density.
    attenuation_cm : float
        Effective linear attenuation, 1/cm.
    ratio_to_matrix : float
        Over that of the matrix.
    """

    phase: str
    formula: str
    density_g_cm3: float
    attenuation_cm: float
    ratio_to_matrix: float


@dataclass(frozen=True, slots=True)
class PairRow:
    """Two phases in one beam.

    Parameters
    ----------
    first, second : str
        Names.
    contrast : float
        Difference of attenuation over the larger of the two.
    cnr : float or None
        Contrast-to-noise ratio; None where no noise was stated.
    told_apart : bool
        Whether single voxels tell them apart by grey: not `ALIKE`, and at least `CNR_APART`.
    """

    first: str
    second: str
    contrast: float
    cnr: float | None
    told_apart: bool


@dataclass(frozen=True, slots=True)
class Contrast:
    """What one beam shows.

    Parameters
    ----------
    beam : str
        Label of the beam.
    mean_kev : float
        Mean photon energy before the specimen.
    mean_behind_kev : float
        And behind it.
    transmission : float or None
        Share of the signal that passes the diameter; None where none was stated.
    noise_sd_cm : float or None
        Standard deviation of the matrix in 1/cm.
    phases : tuple of PhaseRow
        The phases.
    pairs : tuple of PairRow
        Each two of them.
    warnings : tuple of str
        What to mind.
    """

    beam: str
    mean_kev: float
    mean_behind_kev: float
    transmission: float | None
    noise_sd_cm: float | None
    phases: tuple[PhaseRow, ...]
    pairs: tuple[PairRow, ...]
    warnings: tuple[str, ...]


def reconstruction_noise_cm(relative_variance: float, exposure: Exposure) -> float:
    """Return the standard deviation of a voxel after filtered back-projection.

    sd = pi / (a sqrt(12 n)) * s, with a the voxel, n the projections and s the standard deviation
    of a projection value.  It follows from the ramp filter of Ramachandran and Lakshminarayanan,
    h(0) = 1/4a^2, h(k) = -1/(pi k a)^2 for odd k and 0 for even k, whose squares have the sum
    1/12a^4: one filtered projection has the variance a^2 s^2 / 12a^4, and n of them are added with
    weight pi/n.  Holds in a parallel beam, for independent pixels, without smoothing and with
    values taken at the nearest pixel; linear interpolation between pixels lowers it to 0.68 of
    that.  The result is that of Chesler, Riederer and Pelc, J. Comput. Assist. Tomogr. 1 (1977) 64,
    and of Kak and Slaney, Principles of Computerized Tomographic Imaging (1988), ch. 5, both from
    memory.

    Parameters
    ----------
    relative_variance : float
        Variance of a projection value, the logarithm of the signal.
    exposure : Exposure
        Its projections and voxel count.

    Returns
    -------
    float
        1/cm.

    Examples
    --------
    >>> round(reconstruction_noise_cm(1e-4, Exposure(1e4, 1000, 10.0)), 3)
    0.287
    """
    voxel_cm = exposure.voxel_um * 1e-4
    return math.pi / voxel_cm * math.sqrt(relative_variance / (12 * exposure.n_projections))


def needed_voxel_um(thickness_um: float) -> float:
    """Return the largest voxel that resolves a platelet: a third of its thickness.

    Examples
    --------
    >>> needed_voxel_um(6.0)
    2.0
    """
    if not (math.isfinite(thickness_um) and thickness_um > 0):
        raise UsageError(
            f"platelet thickness {thickness_um:g} um wants to be above 0.", "Give it in um."
        )
    return thickness_um / VOXELS_ACROSS


def assess_contrast(
    beam: Beam,
    phases: Sequence[Phase] = PHASES,
    *,
    diameter_mm: float | None = None,
    exposure: Exposure | None = None,
    noise_share: float | None = None,
) -> Contrast:
    """Say what a beam shows of the phases, at the centre of a round specimen of matrix.

    Parameters
    ----------
    beam : Beam
        Photons before the specimen.
    phases : sequence of Phase
        The first is the matrix.
    diameter_mm : float, optional
        Of the specimen; without it, the beam is taken as it enters.
    exposure : Exposure, optional
        From which the noise follows; wants a diameter.
    noise_share : float, optional
        Instead: standard deviation of the matrix over its difference from air.

    Returns
    -------
    Contrast
        The tables and warnings.

    Raises
    ------
    UsageError
        Both kinds of noise, an exposure without a diameter, a value that is not positive.
    """
    matrix = phases[0].material
    for name, value in (("diameter", diameter_mm), ("noise", noise_share)):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise UsageError(f"{name} {value:g} wants to be above 0.", "Correct it.")
    if exposure is not None and noise_share is not None:
        raise UsageError(
            "noise is stated twice, by photons and by its deviation.", "State one of them."
        )
    if exposure is not None and diameter_mm is None:
        raise UsageError(
            "photon noise depends on what the specimen absorbs.", "State its diameter."
        )
    signal = Signal(beam, ((matrix, diameter_mm),) if diameter_mm is not None else ())
    mu = [signal.attenuation_cm(phase.material) for phase in phases]
    sd: float | None = None
    if exposure is not None:
        sd = reconstruction_noise_cm(signal.relative_variance(exposure.n_photons), exposure)
    elif noise_share is not None:
        sd = noise_share * mu[0]
    pairs = tuple(
        _pair(phases[i].name, phases[j].name, mu[i], mu[j], sd)
        for i, j in combinations(range(len(phases)), 2)
    )
    groups = {phase.name: phase.group for phase in phases}
    return Contrast(
        beam=beam.label,
        mean_kev=Signal(beam).mean_kev,
        mean_behind_kev=signal.mean_kev,
        transmission=signal.transmission if diameter_mm is not None else None,
        noise_sd_cm=sd,
        phases=tuple(
            PhaseRow(p.name, p.material.name, p.material.density_g_cm3, m, m / mu[0])
            for p, m in zip(phases, mu, strict=True)
        ),
        pairs=pairs,
        warnings=tuple(_warnings(beam, signal, pairs, groups)),
    )


def _pair(first: str, second: str, a: float, b: float, sd: float | None) -> PairRow:
    contrast = abs(a - b) / max(a, b) if max(a, b) > 0 else 0.0
    cnr = abs(a - b) / sd if sd is not None else None
    apart = contrast >= ALIKE and (cnr is None or cnr >= CNR_APART)
    return PairRow(first, second, contrast, cnr, apart)


def describe_alike(pairs: Sequence[PairRow], groups: dict[str, str]) -> list[str]:
    """Say which phases grey does not tell apart.

    Parameters
    ----------
    pairs : sequence of PairRow
        Each two phases.
    groups : dict of str to str
        Group of each phase: those of one are told apart by shape.

    Returns
    -------
    list of str
        Sentences without a capital.
    """
    found: list[str] = []
    for pair in pairs:
        by_shape = groups[pair.first] == groups[pair.second]
        if pair.told_apart or not (by_shape or pair.contrast < ALIKE):
            continue
        what = "tell them apart by shape, not by grey" if by_shape else _NOT_BY_GREY
        found.append(
            f"{pair.first} and {pair.second} differ by {100 * pair.contrast:.1f} % in "
            f"attenuation: {what}."
        )
    return found


def _warnings(
    beam: Beam, signal: Signal, pairs: Sequence[PairRow], groups: dict[str, str]
) -> list[str]:
    found = describe_alike(pairs, groups)
    drowned = [
        f"{pair.first} and {pair.second} ({pair.cnr:.2g})"
        for pair in pairs
        if not pair.told_apart
        and pair.contrast >= ALIKE
        and groups[pair.first] != groups[pair.second]
    ]
    if drowned:
        found.append(
            f"less than {CNR_APART:g} noise deviations apart, so that single voxels do not tell "
            f"them apart before the noise is lowered: {', '.join(drowned)}."
        )
    if signal.layers and signal.transmission < LOW_TRANSMISSION:
        found.append(
            f"{100 * signal.transmission:.2g} % of the signal passes the specimen: scatter and too "
            "few photons spoil the image (common practice: 5 % or more). Take a smaller specimen "
            "or a higher energy."
        )
    if len(beam.energies_kev) > 1 and not signal.layers:
        found.append(
            "without a diameter the spectrum is taken as it enters: the specimen hardens it, and "
            "lowers these contrasts."
        )
    return found
