"""Promise 1 through every filter and rule of a recipe: one fingerprint for three tilings."""

from itertools import pairwise
from typing import get_args

import numpy as np
import pytest
import yaml
from scipy import ndimage

from pipeline.kernels.cleanup import clean_phases, plan_clean_up
from pipeline.model.plan import EDGE_REACH_VX, clean_up_halo
from pipeline.model.recipe import (
    ARTEFACTS,
    TWO_PHASE_METHODS,
    Condition,
    Denoise,
    Segment,
    read_recipe,
)
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.volume import open_volume

SHAPE = (44, 50, 48)
TILES = ("[256, 256, 256]", "[33, 19, 48]", "[24, 50, 20]")
RECIPE = {
    "phases": [
        {"name": "pore", "kind": "particles", "min_voxels": 5},
        {"name": "matrix", "kind": "background"},
        {"name": "iron-rich", "kind": "particles", "min_voxels": 5},
        {"name": "copper-rich", "kind": "particles", "min_voxels": 5},
    ],
}
THRESHOLDS = [12_000, 27_000, 39_000]
MANUAL = (f"segment={{method: manual, thresholds: {THRESHOLDS}}}",)
OPEN = ("phases.pore.opening_vx=1", "phases.iron-rich.opening_vx=1.5")
CLOSE = ("phases.iron-rich.closing_vx=2", "phases.copper-rich.closing_vx=1")
FILL = ("phases.pore.fill_holes_vx=3", "phases.iron-rich.fill_holes_vx=6")

WAYS = {
    "no filter, opened": ("condition={flatten: none, denoise: {method: none}}", *OPEN),
    "gaussian, slopes, filled": (
        "condition.denoise.method=gaussian",
        "condition.denoise.sigma_vx=0.7",
        "segment={method: edge, edges: plain}",
        *FILL,
    ),
    "median, classes, closed": (
        "condition.denoise.method=median",
        "condition.flatten=[radial, planes, rings]",
        "segment.method=multi-otsu",
        "segment.edges=aware",
        *CLOSE,
    ),
    "bilateral, given levels, cleaned": (
        "condition.denoise.method=bilateral",
        *MANUAL,
        *(*OPEN, *CLOSE, *FILL),
    ),
    "nlm, classes, six neighbours": (
        "condition.denoise.method=nlm",
        "segment.method=multi-otsu",
        "label.connectivity=6",
    ),
    "tv, given levels, no mask": (
        *MANUAL,
        "condition.denoise={method: tv, iterations: 5}",
        "condition.mask=none",
        "label.connectivity=18",
    ),
    "auto": ("condition.denoise.method=auto",),
}


def scan_of_everything():
    """A bar in air: bodies of three phases with holes, gaps and specks, blur and noise."""
    rng = np.random.default_rng(29)
    smooth, other = (ndimage.gaussian_filter(rng.random(SHAPE), 2.0) for _ in range(2))
    rank = np.argsort(np.argsort(smooth.ravel())).reshape(SHAPE) / smooth.size
    grey = np.select(
        [rank < 0.04, other > np.quantile(other, 0.98), rank > 0.93],
        [2_000.0, 50_000.0, 33_000.0],
        20_000.0,
    )
    grey[rng.random(SHAPE) < 0.004] = 20_000.0
    y, x = np.indices(SHAPE[1:])
    grey[:, np.hypot(y - 25, x - 24) > 22] = 1_000.0
    grey = ndimage.gaussian_filter(grey, 0.5) + rng.normal(0, 1_100, SHAPE)
    return grey.clip(0, 65_535).round().astype(np.uint16)


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    path = tmp_path_factory.mktemp("scan") / "volume.npy"
    np.save(path, scan_of_everything())
    return path


@pytest.mark.parametrize("way", WAYS)
def test_one_fingerprint_for_three_tilings(tmp_path, plan_job, source, way):
    marks = set()
    for tile in TILES:
        name = tile.strip("[]").replace(", ", "-")
        job = plan_job(tmp_path / name, source, RECIPE, *WAYS[way], f"tiling.tile_shape={tile}")
        run(job.path)
        marks.add(fingerprint_scan(tmp_path / name, "scan"))
    assert len(marks) == 1
    rows = Catalogue(tmp_path / name / "catalogue").read("phases").to_pylist()
    assert all(r["n_particles"] > 3 for r in rows if r["kind"] == "particles"), rows


def test_every_filter_and_rule_is_among_them():
    recipes = [read_recipe(yaml.safe_dump(RECIPE), way, keys) for way, keys in WAYS.items()]
    for part, key, found in (
        (Condition, "mask", {r.condition.mask for r in recipes}),
        (Denoise, "method", {r.condition.denoise.method for r in recipes}),
        (Segment, "method", {r.segment.method for r in recipes}),
        (Segment, "edges", {r.segment.edges for r in recipes}),
    ):
        wanted = set(get_args(part.model_fields[key].annotation))
        # Methods for two phases stand in tests/stages/test_segment.py.
        assert found == wanted - set(TWO_PHASE_METHODS), key
    assert {r.label.connectivity for r in recipes} == {6, 18, 26}
    assert {"auto", "none", ARTEFACTS} == {r.condition.flatten for r in recipes}
    for key in ("opening_vx", "closing_vx", "fill_holes_vx"):
        assert any(getattr(phase, key) for r in recipes for phase in r.phases), key


def test_phases_are_cleaned_up_as_the_whole_map_would_be(tmp_path, plan_job, source):
    keys = (*MANUAL, *OPEN, *CLOSE, *FILL)
    raw = (
        "condition={mask: none, flatten: none, denoise: {method: none}}",
        "tiling.tile_shape=[24, 17, 20]",
    )
    job = plan_job(tmp_path, source, RECIPE, *keys, *raw)
    run(job.path)
    plan = job.read_plan()
    halo = clean_up_halo(plan.recipe)
    assert (halo, plan.stage("label").halo_vx) == (2 * 1 + 2 * 2 + 6, 1 + halo + EDGE_REACH_VX)
    plain = np.digitize(np.load(source), THRESHOLDS, right=True).astype(np.uint8)
    padded = np.pad(plain, halo, mode="edge")
    wanted = clean_phases(padded, plan_clean_up(plan.recipe), 1, halo)
    stored = open_volume(tmp_path / "scans" / "scan.zarr" / "labels" / "phases" / "0")
    np.testing.assert_array_equal(stored[...], wanted)
    # The specimen asks for each step: bodies lose voxels and gain some.
    moved = wanted != plain
    pairs = set(zip(plain[moved].tolist(), wanted[moved].tolist(), strict=True))
    assert pairs >= {(0, 1), (2, 1), (1, 2)}


def test_tiles_cut_the_volume_on_every_axis_and_never_evenly():
    edges = [[int(n) for n in tile.strip("[]").split(",")] for tile in TILES[1:]]
    cut = np.array(edges) < SHAPE
    assert cut.any(axis=0).all()
    assert all(n % e for tile in edges for n, e in zip(SHAPE, tile, strict=True) if e < n)
    assert all(a != b for a, b in pairwise(edges))
