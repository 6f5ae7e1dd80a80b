"""Every filter through the stages: tilings agree, `auto` chooses and says so, halos are enough."""

import shutil
from itertools import product

import numpy as np
import pytest
from scipy import ndimage

from pipeline.kernels.noise import Noise
from pipeline.kernels.variation import variation_scratch_bytes
from pipeline.model.plan import WORKER_BASE_BYTES, denoise_halo, method_halo
from pipeline.model.recipe import Denoise, read_recipe
from pipeline.run import run
from pipeline.stages.filters import open_filter
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.volume import open_volume

SHAPE = (44, 48, 52)
TILES = ((64, 64, 64), (16, 48, 24), (23, 17, 26))
METHODS = ("bilateral", "nlm", "tv", "auto")

RECIPE = {
    "condition": {"mask": "none"},
    "segment": {"method": "manual", "thresholds": [0.0]},
    "phases": [
        {"name": "matrix", "kind": "background"},
        {"name": "bright", "kind": "particles", "min_voxels": 8},
    ],
}


def scan_in_memory(dtype, sd=1.0):
    """A matrix at 20 with bright bodies at 24, in noise of `sd`; floats around 0."""
    rng = np.random.default_rng(21)
    texture = ndimage.gaussian_filter(rng.random(SHAPE), 2.5)
    grey = 20.0 + 4.0 * (texture > np.quantile(texture, 0.9)) + rng.normal(0, sd, SHAPE)
    if dtype == "float32":
        return (grey / 100).astype(dtype), 0.22
    gain = 5 if dtype == "uint8" else 1000
    return (grey * gain).round().astype(dtype), 22.0 * gain


def count(plan_job, folder, volume, threshold, tile, method):
    """Run one scan and return its fingerprint, its row and its conditioned volume."""
    folder.mkdir(exist_ok=True)
    np.save(folder / "volume.npy", volume)
    shutil.rmtree(folder / "workspace", ignore_errors=True)
    job = plan_job(
        folder / "workspace",
        folder / "volume.npy",
        RECIPE,
        f"segment.thresholds=[{threshold}]",
        f"tiling.tile_shape={list(tile)}",
        f"condition.denoise.method={method}",
        "condition.denoise.iterations=6",
    )
    run(job.path)
    row = Catalogue(folder / "workspace" / "catalogue").read("scans", "scan").to_pylist()[0]
    return fingerprint_scan(folder / "workspace", "scan"), row, open_volume(job.conditioned)[:]


@pytest.mark.parametrize(
    ("method", "dtype"),
    [*product(METHODS, ["uint16"]), ("auto", "float32"), ("nlm", "uint8"), ("nlm", "int16")],
)
def test_tilings_agree(plan_job, tmp_path, method, dtype):
    volume, threshold = scan_in_memory(dtype)
    found = [count(plan_job, tmp_path, volume, threshold, tile, method) for tile in TILES]
    assert len({print_ for print_, _, _ in found}) == 1
    for _, row, conditioned in found:
        np.testing.assert_array_equal(conditioned, found[0][2])
        assert row["noise_sd"] == found[0][1]["noise_sd"]
        assert row["denoise_used"] == found[0][1]["denoise_used"]
    unit = {"uint16": 1000.0, "int16": 1000.0, "uint8": 5.0, "float32": 0.01}[dtype]
    assert found[0][1]["noise_sd"] == pytest.approx(unit, rel=0.15)


@pytest.mark.parametrize(
    ("sd", "used"),
    [
        (0.02, "none"),
        (0.26, "median, radius 1 vx"),
        (1.5, "nlm, strength 1 noise sd, patch 1 vx, window 2 vx"),
    ],
)
def test_auto_says_what_it_chose_and_does_it(plan_job, tmp_path, sd, used):
    volume, threshold = scan_in_memory("uint16", sd)
    _, row, conditioned = count(plan_job, tmp_path, volume, threshold, (16, 48, 24), "auto")
    assert row["denoise_used"] == used
    method = used.split(",")[0]
    _, _, wanted = count(plan_job, tmp_path, volume, threshold, (64, 64, 64), method)
    np.testing.assert_array_equal(conditioned, wanted)


@pytest.mark.parametrize(
    ("method", "halo"),
    [("none", 0), ("median", 1), ("gaussian", 4), ("bilateral", 2), ("nlm", 3), ("tv", 20)],
)
def test_halo_is_what_the_filter_reads(method, halo):
    denoise = Denoise(method=method)
    assert method_halo(denoise, method) == halo
    rng = np.random.default_rng(1)
    padded = rng.integers(0, 65536, [2 * halo + 5] * 3).astype(np.uint16)
    found = open_filter(denoise, Noise(900.0, 1.0, 1000))
    assert found.apply(padded, halo).shape == (5, 5, 5)
    # A tile with more halo than the filter reads gives the same voxels.
    wide = np.pad(padded, 2, mode="reflect")
    np.testing.assert_array_equal(found.apply(wide, halo + 2), found.apply(padded, halo))


def test_halo_of_auto_is_the_widest_it_may_pick():
    recipe = read_recipe(
        "{condition: {denoise: {method: auto, radius_vx: 2, window_vx: 3, patch_vx: 2}}, "
        "phases: [{name: a, kind: background}, {name: b, kind: particles}]}",
        "test",
    )
    assert denoise_halo(recipe) == 5


def test_strength_is_the_methods_own_where_none_is_stated():
    assert [Denoise().strength_of(m) for m in ("bilateral", "nlm", "tv")] == [2.0, 1.0, 1.0]
    assert Denoise(strength=0.5).strength_of("nlm") == 0.5


def test_the_plan_counts_the_planes_of_total_variation(plan_job, tmp_path):
    np.save(tmp_path / "volume.npy", scan_in_memory("uint16")[0])
    job = plan_job(tmp_path, tmp_path / "volume.npy", RECIPE, "condition.denoise.method=tv")
    stage = job.read_plan().stage("condition")
    assert stage.halo_vx == 20
    assert stage.worker_bytes - WORKER_BASE_BYTES > variation_scratch_bytes(20)
