"""The quality of small volumes of known make, through the whole path."""

import json
import math

import numpy as np
import pytest
from scipy import ndimage

from pipeline.kernels.phases import plan_edges, refine_edges
from pipeline.kernels.threshold import classify_phases
from pipeline.model.plan import EDGE_REACH_VX
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.volume import open_volume

PHASES = ("pore", "matrix", "iron-rich", "copper-rich")
RAW = ("condition={denoise: {method: none}, mask: none, flatten: none}",)
CLEAN = ("condition={denoise: {method: none}, flatten: none}",)
TILES = "tiling.tile_shape=[32, 24, 40]"


def blurred(volume, noise=600.0):
    """Return a volume with edges of a blur of 0.8 voxels, and more noise."""
    grey = ndimage.gaussian_filter(volume.astype(np.float64), 0.8)
    return np.rint(grey + np.random.default_rng(9).normal(0, noise, volume.shape)).astype("uint16")


def large_bodies():
    """Return dark and bright bodies in a matrix of 20000."""
    smooth = ndimage.gaussian_filter(np.random.default_rng(3).random((50, 56, 60)), 4)
    low, high = np.quantile(smooth, (0.08, 0.92))
    return blurred(np.select([smooth < low, smooth > high], [9000, 30000], 20000))


def count(folder):
    """Run a job and return its scan's row, its phases by name, its particles, and its labels."""
    run(folder.path)
    catalogue = Catalogue(folder.workspace / "catalogue")
    scan, phases, particles = (
        catalogue.read(name).to_pylist() for name in ("scans", "phases", "particles")
    )
    labels = folder.workspace / "scans" / "scan.zarr" / "labels"
    for row in (*scan, *phases, *particles):
        assert all(math.isfinite(v) for v in row.values() if isinstance(v, float))
    return scan[0], {row["phase"]: row for row in phases}, particles, labels


def test_noise_and_contrast_of_a_known_specimen(specimen, make_job):
    scan, phases, _, _ = count(make_job("job", specimen("uint16"), *CLEAN, TILES))
    assert scan["noise_conditioned_sd"] == pytest.approx(800, rel=0.05)
    assert scan["noise_sd"] == pytest.approx(800, rel=0.15)
    assert scan["threshold_shift"] == round(scan["noise_conditioned_sd"])
    grey = {"pore": 5000, "matrix": 21000, "iron-rich": 33000, "copper-rich": 43000}
    for name, level in grey.items():
        assert phases[name]["pure_grey"] == pytest.approx(level, abs=400)
        wanted = None if name == "matrix" else pytest.approx(abs(level - 21000) / 800, rel=0.1)
        assert phases[name]["cnr_matrix"] == wanted
    # Bodies without any blur: no wider than the voxels themselves show.
    assert scan["edge_phase"] == "iron-rich"
    assert scan["edge_width_vx"] < 1.3
    assert scan["edge_width_um"] == pytest.approx(2 * scan["edge_width_vx"])


@pytest.mark.parametrize("edges", ["plain", "aware"])
def test_doubt_is_what_the_rule_says_for_moved_thresholds(specimen, make_job, edges):
    volume = blurred(specimen("uint16"))
    folder = make_job("job", volume, *RAW, TILES, f"segment.edges={edges}")
    scan, phases, particles, labels = count(folder)
    found = json.loads(folder.product("segment.json").read_bytes())

    def decide(by):
        cuts = [level + by for level in found["levels"]]
        padded = np.pad(volume, EDGE_REACH_VX, mode="edge")
        plain = classify_phases(padded, None, cuts)
        if edges == "plain":
            return plain[(slice(EDGE_REACH_VX, -EDGE_REACH_VX),) * 3]
        pure = [None if level is None else level + by for level in found["pure"]]
        return refine_edges(padded, plain, plan_edges(cuts, pure, found["noise_sd"], 1, "none"))

    shift = int(scan["threshold_shift"])
    now, lowered, raised = (decide(by) for by in (0, -shift, shift))
    doubt = np.count_nonzero((lowered != now) | (raised != now))
    assert doubt > 0
    assert scan["doubt_fraction"] == doubt / volume.size
    for position, name in enumerate(PHASES):
        row = phases[name]
        for column, moved in (("lowered", lowered), ("raised", raised)):
            share = np.count_nonzero(moved == position) / volume.size
            assert row[f"volume_fraction_{column}"] == share
        mine = [r for r in particles if r["phase"] == name]
        assert row["n_threshold_sensitive"] == sum(r["threshold_sensitive"] for r in mine)
        for r in mine:
            body = open_volume(labels / name / "0")[...] == r["particle_id"]
            kept = [np.count_nonzero((m == now) & body) for m in (lowered, raised)]
            assert [r["n_voxels_kept_lowered"], r["n_voxels_kept_raised"]] == kept
            assert r["threshold_sensitive"] == (min(kept) < 0.8 * r["n_voxels"])
            break


def test_thresholds_given_by_hand_have_a_quality_too(make_job):
    given = ("segment.method=manual", "segment.thresholds=[14500, 25000, 45000]")
    scan, phases, _, _ = count(make_job("job", large_bodies(), *RAW, *given, TILES))
    assert scan["noise_conditioned_sd"] == pytest.approx(600, rel=0.2)
    levels = [phases[name]["pure_grey"] for name in PHASES]
    assert levels[:3] == pytest.approx([9000, 20000, 30000], abs=400)
    assert levels[3] is None
    assert phases["iron-rich"]["n_edges"] > 100
    # 0.8 voxels of blur: an error function, 10-90 % in 2.563 of its standard deviations.
    assert scan["edge_width_vx"] == pytest.approx(2.563 * 0.8, rel=0.1)
    assert phases["iron-rich"]["volume_fraction_raised"] < phases["iron-rich"]["volume_fraction"]


def test_what_is_not_there_is_null(make_job):
    grey = np.random.default_rng(8).normal(20000, 500, (40, 40, 40)).astype(np.uint16)
    scan, phases, particles, _ = count(make_job("noise", grey, *RAW, TILES))
    assert particles == []
    assert scan["noise_conditioned_sd"] == pytest.approx(500, rel=0.05)
    assert (scan["edge_width_vx"], scan["edge_phase"]) == (None, None)
    assert (scan["n_platelets"], scan["thin_platelets"]) == (0, None)
    for name in PHASES:
        assert phases[name]["cnr_matrix"] is None
        assert phases[name]["n_edges"] == 0
    assert phases["pore"]["pure_grey"] is None
    flat = np.full((8, 8, 8), 7, np.uint8)
    flat[0, 0, 0] = 8
    given = ("segment.method=manual", "segment.thresholds=[1, 2, 9]")
    scan, phases, _, _ = count(make_job("flat", flat, *RAW, *given))
    assert (scan["noise_conditioned_sd"], scan["doubt_fraction"]) == (0.0, 0.0)
    assert phases["iron-rich"]["volume_fraction_raised"] == 1.0
    given = ("segment.method=manual", "segment.thresholds=[9, 10, 11]")
    scan, _, _, _ = count(make_job("no-matrix", flat, *RAW, *given))
    assert (scan["noise_conditioned_sd"], scan["doubt_fraction"]) == (0.0, 0.0)
    scan, phases, _, _ = count(make_job("tiny", flat[:3, :3, :3], *RAW, *given))
    assert (scan["noise_conditioned_sd"], scan["doubt_fraction"]) == (None, None)
    assert phases["pore"]["volume_fraction_lowered"] is None


@pytest.mark.parametrize(("thick", "thin"), [(2, True), (5, False)])
def test_platelets_that_the_voxels_are_too_large_for(make_job, thick, thin):
    volume = np.full((64, 64, 64), 100, np.uint8)
    for i in range(4):
        for j in range(3):
            z, y = 4 + 15 * i, 2 + 21 * j
            volume[z : z + thick, y : y + 18, 4:60] = 200
    given = ("segment.method=manual", "segment.thresholds=[50, 150, 250]", *RAW)
    scan, _, _, _ = count(make_job("job", volume, *given, voxel_um=(2.0, 3.0, 3.0)))
    assert scan["n_platelets"] == 12
    # In um; surfaces along the voxels' axes are where Crofton's formula is least exact.
    a, b, c = 2 * thick, 3 * 18, 3 * 56
    exact = a * b * c / (a * b + b * c + c * a) / 2
    assert scan["platelet_thickness_vx"] == pytest.approx(exact, rel=0.2)
    assert scan["thin_platelets"] is thin


def test_quality_ignores_tiles_with_clean_up_and_unequal_voxels(make_job):
    marks, volume = set(), large_bodies()
    for i, tile in enumerate(([256, 256, 256], [16, 24, 32], [33, 20, 41])):
        folder = make_job(
            f"job-{i}",
            volume,
            "phases=[{name: dark, kind: particles, opening_vx: 1}, {name: matrix, kind: "
            "background}, {name: bright, kind: particles, closing_vx: 1, fill_holes_vx: 2}]",
            f"tiling.tile_shape={tile}",
            "condition.mask=none",
            voxel_um=(3.0, 2.0, 2.0),
        )
        scan, _, _, _ = count(folder)
        assert scan["edge_width_um"] > 0
        marks.add(fingerprint_scan(folder.workspace, "scan"))
    assert len(marks) == 1
