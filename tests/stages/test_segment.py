"""Methods of `segment` through the stages: equal for every tiling, refused where they must."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.errors import RecipeError
from pipeline.model.metadata import ScanMetadata
from pipeline.run import run
from pipeline.stages.segment import read_thresholds
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.volume import open_volume

TILES = ((64, 64, 64), (17, 26, 19), (31, 16, 64))
TWO = {
    "name": "two",
    "condition": {"mask": "none", "denoise": {"method": "median"}},
    "phases": [
        {"name": "void", "kind": "background"},
        {"name": "grain", "kind": "particles", "min_voxels": 5},
    ],
}

FOUR = [
    {"name": "pore", "kind": "particles"},
    {"name": "matrix", "kind": "background"},
    {"name": "iron-rich", "kind": "particles"},
    {"name": "copper-rich", "kind": "particles"},
]


def scan_of_two():
    rng = np.random.default_rng(6)
    smooth = ndimage.gaussian_filter(rng.random((40, 44, 48)), 2.0)
    grey = 9000.0 + 8000.0 * (smooth > np.quantile(smooth, 0.8))
    return ndimage.gaussian_filter(grey, 0.7) + rng.normal(0, 400, grey.shape)


@pytest.mark.parametrize(
    ("method", "dtype"), [("edge", "uint16"), ("edge", "float32"), ("li", "uint16")]
)
def test_tilings_agree(plan_job, tmp_path, method, dtype):
    volume = scan_of_two()
    if dtype == "float32":
        volume[11, 12, 13] = np.nan
    np.save(tmp_path / "volume.npy", volume.astype(dtype))
    prints, thresholds = set(), set()
    for number, tile in enumerate(TILES):
        job = plan_job(
            tmp_path / str(number),
            tmp_path / "volume.npy",
            TWO,
            f"segment.method={method}",
            f"tiling.tile_shape={list(tile)}",
            "condition.nonfinite=outside",
        )
        run(job.path)
        prints.add(fingerprint_scan(job.workspace, "scan"))
        thresholds.add(read_thresholds(job).source)
    assert len(prints) == 1
    ((threshold,),) = thresholds
    assert 11_000 < threshold < 15_000


def test_methods_for_two_phases_refuse_more(plan_job, tmp_path):
    np.save(tmp_path / "volume.npy", scan_of_two().astype(np.uint16))
    three = {**TWO, "phases": [*TWO["phases"], {"name": "bright", "kind": "particles"}]}
    with pytest.raises(RecipeError, match="parts two phases, got 3"):
        plan_job(tmp_path, tmp_path / "volume.npy", three, "segment.method=li")


@pytest.fixture(scope="module")
def without_iron(tmp_path_factory):
    """A bar in air with pores and copper-rich bodies, grey as at 60 keV, and no iron-rich ones."""
    rng = np.random.default_rng(8)
    shape = (40, 60, 58)
    smooth, other = (ndimage.gaussian_filter(rng.random(shape), 3.0) for _ in range(2))
    attenuation = np.full(shape, 0.749)
    attenuation[smooth > np.quantile(smooth, 0.97)] = 4.29
    attenuation[other > np.quantile(other, 0.97)] = 0.0
    y, x = np.indices(shape[1:])
    attenuation[:, np.hypot(y - 30, x - 29) > 26] = 0.0
    grey = 2_000 + 10_000 * ndimage.gaussian_filter(attenuation, 0.5)
    path = tmp_path_factory.mktemp("scan") / "volume.npy"
    np.save(path, (grey + rng.normal(0, 900, shape)).round().clip(0, 65_535).astype(np.uint16))
    return path


def rows_of(job):
    catalogue = Catalogue(job.workspace / "catalogue")
    phases = {row["phase"]: row for row in catalogue.read("phases").to_pylist()}
    return phases, catalogue.read("scans").to_pylist()[0]


def test_attenuation_names_phases(plan_job, tmp_path, without_iron):
    beam = ScanMetadata(beam_energy_kev=60.0)
    job = plan_job(tmp_path, without_iron, {"phases": FOUR}, metadata=beam)
    run(job.path)
    phases, scan = rows_of(job)
    counted = {name: row["n_particles"] for name, row in phases.items()}
    assert counted["iron-rich"] == phases["iron-rich"]["n_voxels"] == 0
    assert counted["pore"] > 3
    assert counted["copper-rich"] > 3
    # What is expected of it follows from the matrix and the air, as the recipe's materials are.
    assert phases["copper-rich"]["expected_grey"] == pytest.approx(44_900, rel=0.02)
    assert phases["iron-rich"]["expected_grey"] == pytest.approx(20_700, rel=0.02)
    assert all(row["told_apart"] for row in phases.values())
    (note,) = [n for n in scan["segment_notes"] if "60 keV" in n]
    assert "iron-rich absent" in note
    assert "copper-rich at 0." in note


def test_without_a_beam_rank_names_phases(plan_job, tmp_path, without_iron):
    job = plan_job(tmp_path, without_iron, {"phases": FOUR})
    run(job.path)
    phases, scan = rows_of(job)
    assert phases["copper-rich"]["n_particles"] == 0 < phases["iron-rich"]["n_particles"]
    assert phases["iron-rich"]["expected_grey"] is phases["iron-rich"]["told_apart"] is None
    assert not [n for n in scan["segment_notes"] if "keV" in n]
    for row in phases.values():
        assert row["n_unsure_bodies"] is row["n_voxels_unsure"] is row["sure_grey"] is None


def test_phases_that_look_alike_are_noted(plan_job, tmp_path, without_iron):
    recipe = {"phases": [*FOUR[:2], {"name": "silicon", "kind": "particles"}, *FOUR[2:]]}
    beam = ScanMetadata(beam_energy_kev=60.0)
    job = plan_job(tmp_path, without_iron, recipe, metadata=beam)
    run(job.path)
    phases, scan = rows_of(job)
    told = {name: row["told_apart"] for name, row in phases.items()}
    assert [name for name in told if not told[name]] == ["matrix", "silicon"]
    (note,) = [n for n in scan["segment_notes"] if "silicon" in n and "differ" in n]
    assert "0.4 %" in note


def test_bodies_that_nowhere_reach_the_sure_level_get_no_row_in_any_tiling(
    plan_job, tmp_path, without_iron
):
    prints = set()
    for number, tile in enumerate(TILES):
        job = plan_job(
            tmp_path / str(number),
            without_iron,
            {"phases": [phase | {"min_voxels": 4} for phase in FOUR]},
            "segment.sure=1",
            f"tiling.tile_shape={list(tile)}",
            metadata=ScanMetadata(beam_energy_kev=60.0),
        )
        run(job.path)
        prints.add(fingerprint_scan(job.workspace, "scan"))
    assert len(prints) == 1
    phases, _ = rows_of(job)
    labels = job.workspace / "scans" / "scan.zarr" / "labels"
    found, grey = open_volume(labels / "phases" / "0")[...], open_volume(job.conditioned)[...]
    n_unsure = 0
    for name, extreme in (("pore", ndimage.minimum), ("copper-rich", ndimage.maximum)):
        row, level = phases[name], phases[name]["sure_grey"]
        bodies, n = ndimage.label(found == row["position"], np.ones((3, 3, 3)))
        sizes = np.bincount(bodies.ravel())[1:]
        reached = extreme(grey, bodies, np.arange(1, n + 1))
        sure = reached <= level if name == "pore" else reached >= level
        large = sizes >= row["min_voxels"]
        assert row["n_particles"] == np.sum(large & sure) > 0
        assert row["n_unsure_bodies"] == np.sum(large & ~sure)
        assert row["n_voxels_unsure"] == sizes[large & ~sure].sum()
        assert row["n_small_bodies"] == np.sum(~large)
        kept = np.isin(bodies, 1 + np.flatnonzero(large & sure))
        np.testing.assert_array_equal(open_volume(labels / name / "0")[...] > 0, kept)
        n_unsure += row["n_unsure_bodies"]
    assert n_unsure > 1
    assert phases["matrix"]["sure_grey"] is None
