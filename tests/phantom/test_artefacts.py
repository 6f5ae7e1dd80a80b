import dataclasses

import numpy as np
import pytest

from pipeline.errors import UsageError
from pipeline.model.grid import Box, TileGrid
from pipeline.phantom.artefacts import ring_strengths, slice_gains
from pipeline.phantom.exposure import blur_weights
from pipeline.phantom.render import Renderer, grey_scale
from pipeline.phantom.specimen import MATRIX, Artefacts, SpecimenSpec

# Matrix alone, of a wide cylinder.
BARE = SpecimenSpec(
    (60, 120, 130), 1.5, seed=4, iron_fraction=0, copper_fraction=0, pore_fraction=0, cnr=1000.0
)
ALL = Artefacts(correlation_vx=1.0, cupping=0.1, rings=0.02, drift=0.02)


def scan(spec):
    return Renderer(spec).render(Box((0, 0, 0), spec.size_vx)).grey.astype(np.float64)


def with_(spec, **artefacts):
    return dataclasses.replace(spec, artefacts=Artefacts(**artefacts))


def radii(spec):
    y, x = (np.arange(n) - c for n, c in zip(spec.size_vx[1:], spec.axis_vx, strict=True))
    return np.hypot(y[:, None], x[None])


def test_artefacts_do_not_depend_on_the_tiling():
    spec = dataclasses.replace(SpecimenSpec((50, 70, 80), 1.5, seed=6, temper="T6"), artefacts=ALL)
    renderer = Renderer(spec)
    wanted = renderer.render(Box((0, 0, 0), spec.size_vx)).grey
    for shape in ((32, 32, 32), (24, 40, 56), (1, 70, 80)):
        for tile in TileGrid(spec.size_vx, shape):
            got = renderer.render(tile.core).grey
            np.testing.assert_array_equal(got, wanted[tile.core.slices])


def test_cupping_is_a_parabola_of_the_asked_depth():
    r, edge, air = radii(BARE), BARE.radius_vx, grey_scale(BARE).air
    deep = r < edge - 4
    ratio = (scan(with_(BARE, cupping=0.1))[:, deep] - air) / (scan(BARE)[:, deep] - air)
    wanted = 1 - 0.1 * (1 - (r[deep] / edge) ** 2)
    # Noise of 10 grey levels in 9500, in 60 slices.
    assert np.abs(ratio.mean(axis=0) - wanted).max() < 2e-3


def test_rings_are_round_and_as_strong_as_asked():
    spec = with_(BARE, rings=0.03)
    added = (scan(spec) - scan(BARE)).mean(axis=0)
    contrast = grey_scale(BARE).levels[MATRIX] - grey_scale(BARE).air
    r = radii(BARE)
    strengths = ring_strengths(spec)
    inner = r < BARE.radius_vx - 1
    wanted = strengths[np.floor(r[inner]).astype(int)] * contrast
    assert np.abs(added[inner] - wanted).max() < 1
    there = strengths[strengths != 0]
    assert 0.08 < len(there) / len(strengths) < 0.4
    big = with_(SpecimenSpec((8, 4000, 4000), 1.0, seed=1), rings=0.03)
    there = ring_strengths(big)[ring_strengths(big) != 0]
    assert len(there) == pytest.approx(1800 / 5, abs=3 * np.sqrt(1800 * 0.16))
    assert there.std() == pytest.approx(0.03, rel=0.15)


def test_drift_scales_each_slice():
    spec = with_(BARE, drift=0.03)
    air = grey_scale(BARE).air
    deep = radii(BARE) < BARE.radius_vx - 5
    ratio = (scan(spec)[:, deep] - air).mean(axis=1) / (scan(BARE)[:, deep] - air).mean(axis=1)
    np.testing.assert_allclose(ratio, slice_gains(spec), atol=2e-4)
    gains = slice_gains(with_(SpecimenSpec((8000, 8, 8), 1.0, seed=1), drift=0.03))
    assert gains.std() == pytest.approx(0.03, rel=0.1)
    # Half of the variance wanders slowly: neighbours are alike by a half, far slices are not.
    deviation = gains - 1
    assert np.corrcoef(deviation[1:], deviation[:-1])[0, 1] == pytest.approx(0.5, abs=0.1)
    assert abs(np.corrcoef(deviation[500:], deviation[:-500])[0, 1]) < 0.15


@pytest.mark.parametrize("sigma", [0.6, 1.0, 2.0])
def test_correlated_noise_keeps_its_strength(sigma):
    spec = dataclasses.replace(BARE, cnr=6.0)
    deep = radii(BARE) < BARE.radius_vx - 5
    noise = scan(with_(spec, correlation_vx=sigma))[:, deep] - grey_scale(spec).levels[MATRIX]
    sd = grey_scale(spec).noise_sd
    # 400 000 voxels, of which one in (2 sqrt(pi) sigma)^3 counts.
    n_free = noise.size / (2 * np.sqrt(np.pi) * sigma) ** 3
    assert noise.std() == pytest.approx(sd, rel=4 / np.sqrt(2 * n_free))
    assert abs(noise.mean()) < 4 * sd / np.sqrt(n_free)
    weights = blur_weights(sigma).astype(float)
    wanted = weights[1:] @ weights[:-1] / (weights @ weights)
    along = np.mean(noise[1:] * noise[:-1]) / sd**2
    assert along == pytest.approx(wanted, abs=4 / np.sqrt(n_free))


def test_two_tempers_are_two_exposures():
    f = with_(BARE, rings=0.03, drift=0.03)
    t6 = dataclasses.replace(f, temper="T6")
    assert not np.array_equal(ring_strengths(f), ring_strengths(t6))
    assert not np.array_equal(slice_gains(f), slice_gains(t6))


@pytest.mark.parametrize(
    ("name", "value"),
    [("correlation_vx", 4.0), ("cupping", 1.0), ("rings", -0.1), ("drift", float("nan"))],
)
def test_artefacts_out_of_range_are_refused(name, value):
    with pytest.raises(UsageError, match=name):
        Artefacts(**{name: value})
