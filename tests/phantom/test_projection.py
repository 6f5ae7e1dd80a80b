import dataclasses
import json

import numpy as np
import pytest
import yaml
from scipy import ndimage

from pipeline.errors import UsageError
from pipeline.model.grid import Box
from pipeline.model.metadata import read_metadata
from pipeline.phantom.projection import (
    Beam,
    ProjectedRenderer,
    beam_spectrum,
    effective_energy_kev,
)
from pipeline.phantom.render import Renderer
from pipeline.phantom.specimen import (
    COPPER,
    IRON,
    MATRIX,
    PORE,
    RICH_BODIES,
    Artefacts,
    SpecimenSpec,
)
from pipeline.phantom.writer import write_specimen

SPEC = SpecimenSpec((8, 60, 66), 60.0, seed=4, rich=RICH_BODIES)
BARE = SpecimenSpec(
    (8, 80, 80), 60.0, seed=4, iron_fraction=0, copper_fraction=0, pore_fraction=0, cnr=6.0
)
BRIGHT = 1e11


def scan(spec, beam):
    return ProjectedRenderer(spec, beam).render(Box((0, 0, 0), spec.size_vx)).grey.astype(float)


def radii(spec):
    y, x = (np.arange(n) - c for n, c in zip(spec.size_vx[1:], spec.axis_vx, strict=True))
    return np.hypot(y[:, None], x[None])


def test_a_spectrum_ends_at_the_voltage_and_hardens_behind_a_filter():
    energies, shares = beam_spectrum(Beam(60.0, filter_mm=0.5))
    assert energies.max() < 60
    assert shares.sum() == pytest.approx(1)
    assert (shares > 0).all()
    harder, more = beam_spectrum(Beam(60.0, filter_mm=3.0))
    assert harder @ more > energies @ shares + 2
    # Without a filter the shares are those of Kramers' law.
    energies, shares = beam_spectrum(Beam(60.0, filter_mm=0.0))
    assert shares[0] / shares[20] == pytest.approx((60 / 10 - 1) / (60 / 30 - 1))
    assert 20 < effective_energy_kev(BARE, Beam(60.0)) < 60


def test_a_box_is_a_part_of_the_whole_scan():
    beam = Beam(60.0)
    wanted = ProjectedRenderer(SPEC, beam).render(Box((0, 0, 0), SPEC.size_vx), True)
    box = Box((3, 10, 7), (5, 50, 60))
    part = ProjectedRenderer(SPEC, beam).render(box, True)
    np.testing.assert_array_equal(part.grey, wanted.grey[box.slices])
    np.testing.assert_array_equal(part.phases, wanted.phases[box.slices])
    exact = Renderer(SPEC).phases(Box((0, 0, 0), SPEC.size_vx))
    np.testing.assert_array_equal(wanted.phases, exact)


def test_grey_levels_are_those_of_the_scale():
    bare = ProjectedRenderer(BARE, Beam(60.0, n_photons=BRIGHT))
    grey = bare.render(Box((0, 0, 0), (2, 80, 80))).grey
    air, matrix = bare.scale.air, bare.scale.levels[MATRIX]
    inner = grey[:, radii(BARE) < BARE.radius_vx - 3].mean()
    assert (inner - air) / (matrix - air) == pytest.approx(1, abs=0.03)

    # So small that iron-rich phase does not harden the beam of its own: at 5 um a voxel it already
    # takes a tenth off its contrast.
    spec = dataclasses.replace(
        BARE, voxel_um=0.5, iron_fraction=0.05, copper_fraction=0.01, pore_fraction=0.01
    )
    renderer = ProjectedRenderer(spec, Beam(60.0, n_photons=1e14))
    result = renderer.render(Box((0, 0, 0), spec.size_vx), True)
    deep = [
        result.grey[ndimage.binary_erosion(result.phases == p, np.ones((1, 3, 3)), iterations=n)]
        for p, n in ((0, 2), (1, 2), (2, 2), (3, 2))
    ]
    levels = np.array(renderer.scale.levels)
    wanted = (levels - levels[MATRIX]) / (levels[IRON] - levels[MATRIX])
    got = np.array([values.mean() for values in deep])
    got = (got - got[MATRIX]) / (levels[IRON] - levels[MATRIX])
    assert min(len(values) for values in deep) > 10
    # Blur and the interpolation of both transforms take some of the contrast of small bodies.
    assert got[IRON] == pytest.approx(1, abs=0.08)
    assert got[PORE] == pytest.approx(wanted[PORE], rel=0.15)
    assert got[COPPER] == pytest.approx(wanted[COPPER], rel=0.15)


def test_beam_hardening_makes_a_cup_and_a_filter_flattens_it():
    depth = []
    for beam in (Beam(60.0, 0.1, n_photons=BRIGHT), Beam(60.0, 8.0, n_photons=BRIGHT)):
        spec = dataclasses.replace(BARE, voxel_um=100.0, cnr=100.0)
        renderer = ProjectedRenderer(spec, beam)
        mean = renderer.render(Box((0, 0, 0), spec.size_vx)).grey.mean(axis=0)
        mean = mean - renderer.scale.air
        r, edge = radii(spec), spec.radius_vx
        middle, rim = mean[r < 0.2 * edge].mean(), mean[(r > 0.85 * edge) & (r < edge - 3)].mean()
        depth.append(1 - middle / rim)
    assert depth[0] > 0.10
    assert 0 < depth[1] < 0.4 * depth[0]


def test_noise_is_as_strong_as_asked_and_correlated_within_slices_only():
    spec = dataclasses.replace(BARE, size_vx=(12, 80, 80))
    renderer = ProjectedRenderer(spec, Beam(60.0))
    grey = renderer.render(Box((0, 0, 0), spec.size_vx)).grey.astype(float)
    noise = grey - grey.mean(axis=0)
    deep = radii(spec) < 0.4 * spec.radius_vx
    sd = noise[:, deep].std() * np.sqrt(12 / 11)
    # Linear interpolation keeps two thirds of the variance on average, the rule is rough.
    assert sd == pytest.approx(renderer.scale.noise_sd, rel=0.2)
    along = np.mean(noise * np.roll(noise, 2, axis=2), axis=0)[deep].mean() / sd**2
    # The ramp filter lacks low frequencies: noise two voxels apart is opposed.
    assert along < -0.03
    fresh = np.diff(grey[:, deep], axis=0)
    assert np.mean(fresh[1:] * fresh[:-1]) / sd**2 == pytest.approx(-1, abs=0.15)
    fewer = ProjectedRenderer(spec, Beam(60.0, n_photons=renderer.n_photons / 4))
    again = fewer.render(Box((0, 0, 0), spec.size_vx)).grey.astype(float)
    assert (again - again.mean(axis=0))[:, deep].std() == pytest.approx(2 * sd, rel=0.15)


def test_detector_errors_make_rings_and_the_source_drifts():
    beam = Beam(60.0, n_photons=BRIGHT)
    plain = scan(BARE, beam)
    rings = scan(dataclasses.replace(BARE, artefacts=Artefacts(rings=0.03)), beam) - plain
    renderer = ProjectedRenderer(BARE, beam)
    contrast = renderer.scale.levels[MATRIX] - renderer.scale.air
    r = radii(BARE)
    mean = rings.mean(axis=0)
    assert mean[r < 33].std() / contrast == pytest.approx(0.03, rel=0.3)
    # Round: alike 20 degrees on; and of half a turn, so that opposite halves differ.
    at, turned = (r > 5) & (r < 33), ndimage.rotate(mean, 20, reshape=False, order=1)
    assert np.corrcoef(mean[at], turned[at])[0, 1] > 0.5
    assert abs(np.corrcoef(mean[at], mean[::-1, ::-1][at])[0, 1]) < 0.4
    np.testing.assert_allclose(rings[3], mean, atol=30)  # the same in every slice, but for noise
    drift = scan(dataclasses.replace(BARE, artefacts=Artefacts(drift=0.03)), beam)
    gains = ((drift - renderer.scale.air)[:, r < 20] / (plain - renderer.scale.air)[:, r < 20]).T
    assert gains.mean(axis=0).std() > 0.005
    assert np.abs(gains - gains.mean(axis=0)).max() < 0.005


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"size_vx": (8, 300, 64)}, "256"),
        ({"diameter_share": 1.2}, "diameter_share"),
        ({"artefacts": Artefacts(cupping=0.1)}, "cupping"),
        ({"artefacts": Artefacts(correlation_vx=1.0)}, "cupping and correlated"),
    ],
)
def test_what_cannot_be_projected_is_refused(change, word, tmp_path):
    with pytest.raises(UsageError, match=word):
        write_specimen(dataclasses.replace(SPEC, **change), tmp_path / "scan", beam=Beam())
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "value", [{"tube_kv": 10.0}, {"filter_mm": -1.0}, {"n_angles": 9999}, {"n_photons": -1.0}]
)
def test_beams_out_of_range_are_refused(value):
    with pytest.raises(UsageError, match=next(iter(value))):
        Beam(**value)


def test_a_projected_scan_on_disk(tmp_path):
    plain = write_specimen(SPEC, tmp_path / "plain", "npy")
    beam = Beam(60.0)
    files = write_specimen(SPEC, tmp_path / "scan", "npy", n_threads=2, beam=beam)
    wanted = ProjectedRenderer(SPEC, beam).render(Box((0, 0, 0), SPEC.size_vx)).grey
    np.testing.assert_array_equal(np.load(files.volume), wanted)
    assert files.census == plain.census
    assert files.n_bodies == plain.n_bodies
    metadata, _ = read_metadata(files.scan_yaml.read_text(), "scan.yaml")
    assert metadata.tube_kv == 60.0
    assert metadata.beam_energy_kev == pytest.approx(effective_energy_kev(SPEC, beam), abs=0.01)
    truth = json.loads((files.folder / "truth.json").read_text())
    assert truth["beam"]["tube_kv"] == 60.0
    assert json.loads((plain.folder / "truth.json").read_text())["beam"] is None
    assert "tube_kv" not in yaml.safe_load(plain.scan_yaml.read_text())
