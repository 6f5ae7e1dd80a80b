import math

import numpy as np
import pytest
from skimage.transform import iradon

from pipeline.analysis.attenuation import (
    AIR,
    ALUMINIUM,
    COPPER_RICH,
    IRON_RICH,
    linear_attenuation_cm,
    parse_material,
)
from pipeline.analysis.beams import Signal, monochromatic, tube
from pipeline.analysis.contrast import (
    PHASES,
    Exposure,
    assess_contrast,
    needed_voxel_um,
    reconstruction_noise_cm,
)
from pipeline.errors import UsageError


def pair(found, first, second):
    return next(p for p in found.pairs if (p.first, p.second) == (first, second))


@pytest.mark.parametrize(("method", "factor"), [("nearest", 1.0), ("linear", 0.681)])
def test_noise_is_that_of_filtered_back_projection(method, factor) -> None:
    # A peer: scikit-image reconstructs pure noise, with pixels of 1 (its unit of length).
    size, n, sd = 129, 200, 0.01
    rng = np.random.default_rng(5)
    sinogram = rng.normal(scale=sd, size=(size, n))
    theta = np.arange(n) * 180 / n
    image = iradon(sinogram, theta, filter_name="ramp", interpolation=method, circle=True)
    inside = np.hypot(*(np.indices(image.shape) - size // 2)) < 40
    measured = image[inside].std()
    # A voxel of 1 cm stands for the pixel of 1.
    wanted = factor * reconstruction_noise_cm(sd**2, Exposure(1.0, n, 1e4))
    assert measured == pytest.approx(wanted, rel=0.03)


def test_one_energy_gives_the_coefficients_themselves() -> None:
    found = assess_contrast(monochromatic(60.0), diameter_mm=4.0)
    mu = linear_attenuation_cm(ALUMINIUM, 60.0)
    assert found.transmission == pytest.approx(math.exp(-0.4 * mu), rel=1e-12)
    rows = {row.phase: row for row in found.phases}
    assert rows["matrix"].attenuation_cm == pytest.approx(mu, rel=1e-12)
    assert rows["copper-rich"].ratio_to_matrix == pytest.approx(
        linear_attenuation_cm(COPPER_RICH, 60.0) / mu, rel=1e-12
    )
    assert rows["pore"].attenuation_cm == 0.0
    assert found.mean_kev == found.mean_behind_kev == pytest.approx(60.0)


def test_silicon_and_the_two_iron_rich_phases_are_not_told_apart_by_grey() -> None:
    found = assess_contrast(monochromatic(60.0))
    assert pair(found, "matrix", "silicon").contrast < 0.01
    assert not pair(found, "matrix", "silicon").told_apart
    assert not pair(found, "iron-rich beta", "iron-rich alpha").told_apart
    assert pair(found, "matrix", "iron-rich beta").told_apart
    shape = [text for text in found.warnings if "shape" in text]
    assert len(shape) == 1
    assert "iron-rich beta and iron-rich alpha" in shape[0]
    assert any("matrix and silicon" in text and "0.4 %" in text for text in found.warnings)


@pytest.mark.parametrize("energy", [30.0, 40.0, 60.0, 80.0])
def test_alpha_and_beta_differ_by_less_than_six_percent(energy) -> None:
    # Published range of the difference, over the compositions of both: 1 to 6 %.
    found = assess_contrast(monochromatic(energy))
    assert pair(found, "iron-rich beta", "iron-rich alpha").contrast < 0.06


def test_stated_noise_gives_the_ratio_of_the_simulated_specimens() -> None:
    mu = linear_attenuation_cm(ALUMINIUM, 60.0)
    share = (linear_attenuation_cm(IRON_RICH, 60.0) - mu) / mu / 4
    found = assess_contrast(monochromatic(60.0), noise_share=share)
    assert pair(found, "matrix", "iron-rich beta").cnr == pytest.approx(4.0)
    assert pair(found, "matrix", "iron-rich beta").told_apart
    noisy = assess_contrast(monochromatic(60.0), noise_share=2.5 * share)
    assert pair(noisy, "matrix", "iron-rich beta").cnr == pytest.approx(1.6)
    assert not pair(noisy, "matrix", "iron-rich beta").told_apart
    assert any("matrix and iron-rich beta (1.6)" in text for text in noisy.warnings)


def test_photon_noise_by_hand() -> None:
    # 2000 photons, 1200 projections, voxels of 3 um, 4 mm of aluminium at 60 keV.
    exposure = Exposure(2000.0, 1200, 3.0)
    found = assess_contrast(monochromatic(60.0), diameter_mm=4.0, exposure=exposure)
    arriving = 2000.0 * math.exp(-0.4 * linear_attenuation_cm(ALUMINIUM, 60.0))
    wanted = math.pi / 3e-4 / math.sqrt(12 * 1200 * arriving)
    assert found.noise_sd_cm == pytest.approx(wanted, rel=1e-12)
    # Four times the photons or projections, or twice the voxel: half the noise.
    for better in (Exposure(8e3, 1200, 3.0), Exposure(2e3, 4800, 3.0), Exposure(2e3, 1200, 6.0)):
        half = assess_contrast(monochromatic(60.0), diameter_mm=4.0, exposure=better)
        assert half.noise_sd_cm == pytest.approx(wanted / 2, rel=1e-12)


def test_photon_noise_of_a_spectrum_is_that_of_counted_photons() -> None:
    beam = tube(80.0, [(ALUMINIUM, 2.0)])
    signal = Signal(beam, ((ALUMINIUM, 3.0),))
    rng = np.random.default_rng(11)
    energies = np.array(beam.energies_kev)
    counts = rng.poisson(5000 * beam.photons(signal.layers), size=(20_000, len(energies)))
    measured = np.log(counts @ energies).var()
    assert measured == pytest.approx(signal.relative_variance(5000.0), rel=0.05)


def test_a_tube_hardens_and_its_contrast_falls() -> None:
    beam = tube(120.0, [(ALUMINIUM, 1.0)])
    assert sum(beam.shares) == pytest.approx(1.0)
    assert max(beam.energies_kev) < 120.0
    thin, thick = (assess_contrast(beam, diameter_mm=d) for d in (1.0, 20.0))
    assert beam.energies_kev[0] < thin.mean_kev < thin.mean_behind_kev < thick.mean_behind_kev
    ratio = [{r.phase: r for r in c.phases}["copper-rich"].ratio_to_matrix for c in (thin, thick)]
    assert ratio[1] < ratio[0]
    assert any("without a diameter" in text for text in assess_contrast(beam).warnings)
    filtered = tube(120.0, [(parse_material("Cu", 8.96), 0.5)])
    assert Signal(filtered).mean_kev > Signal(beam).mean_kev


def test_effective_attenuation_is_the_change_of_the_logarithm_by_a_thin_inclusion() -> None:
    beam, layers = tube(100.0, [(ALUMINIUM, 1.0)]), ((ALUMINIUM, 5.0),)
    energies = np.array(beam.energies_kev)
    before, after = (
        math.log(beam.photons(way) @ energies) for way in (layers, (*layers, (COPPER_RICH, 1e-4)))
    )
    got = Signal(beam, layers).attenuation_cm(COPPER_RICH)
    assert got == pytest.approx((before - after) / 1e-5, rel=1e-3)


def test_too_thick_a_specimen_is_warned_of() -> None:
    found = assess_contrast(monochromatic(30.0), diameter_mm=20.0)
    assert found.transmission < 0.05
    assert any("smaller specimen" in text for text in found.warnings)


def test_a_platelet_wants_three_voxels() -> None:
    assert needed_voxel_um(4.5) == 1.5


@pytest.mark.parametrize(
    "call",
    [
        lambda: monochromatic(5.0),
        lambda: tube(5.0, []),
        lambda: tube(1000.0, []),
        lambda: tube(100.0, [(ALUMINIUM, 0.0)]),
        lambda: tube(30.0, [(parse_material("Cu", 8.96), 200.0)]),
        lambda: Exposure(0.0, 100, 1.0),
        lambda: Exposure(1e3, 0, 1.0),
        lambda: Exposure(1e3, 100, float("nan")),
        lambda: needed_voxel_um(0.0),
        lambda: assess_contrast(monochromatic(60.0), diameter_mm=-1.0),
        lambda: assess_contrast(monochromatic(60.0), noise_share=0.0),
        lambda: assess_contrast(monochromatic(60.0), exposure=Exposure(1e3, 100, 1.0)),
        lambda: assess_contrast(
            monochromatic(60.0), diameter_mm=1.0, exposure=Exposure(1e3, 100, 1.0), noise_share=0.1
        ),
    ],
)
def test_what_cannot_be_meant_is_refused(call) -> None:
    with pytest.raises(UsageError) as caught:
        call()
    assert caught.value.remedy


def test_every_phase_is_set_against_every_other() -> None:
    found = assess_contrast(monochromatic(40.0))
    assert len(found.pairs) == len(PHASES) * (len(PHASES) - 1) // 2
    assert Signal(monochromatic(40.0)).attenuation_cm(AIR) == 0.0
