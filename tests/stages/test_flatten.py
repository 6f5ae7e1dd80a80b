"""Flattening through the stages: off where nothing is planted, exact under tiling, on record."""

import numpy as np
import pytest

from pipeline.run import run
from pipeline.stages.flatten import read_evenness
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.volume import open_volume

SHAPE = (64, 80, 80)
AXIS = (39.5, 39.5)
TILES = ((64, 80, 80), (24, 33, 80), (17, 48, 26))
SCALES = {
    "uint8": (0.01, 0.0),
    "uint16": (1.0, 0.0),
    "int16": (1.0, -20000.0),
    "float32": (1e-4, -0.5),
}
RECIPE = {
    "segment": {"method": "manual", "thresholds": [0.0]},
    "phases": [
        {"name": "matrix", "kind": "background"},
        {"name": "bright", "kind": "particles", "min_voxels": 8},
    ],
}


def scan_in_memory(dtype="uint16", artefacts=True):
    """A cylinder of 12000 in air of 4000 with bodies of 18000: cupped by 10 %, drift, rings."""
    rng = np.random.default_rng(6)
    y, x = np.indices(SHAPE[1:])
    radius = np.hypot(y - AXIS[0], x - AXIS[1])
    level = np.where(radius < 36, 8000.0, 0.0) * np.ones(SHAPE)
    for z, j, i in rng.integers(4, 70, (60, 3)):
        level[z : z + 5, j : j + 6, i : i + 6] *= 1.75
    if artefacts:
        rings = np.where(rng.random(60) < 0.2, rng.normal(0, 300, 60), 0.0)
        level *= 1 - 0.1 * (1 - np.minimum(radius / 36, 1) ** 2)
        level += np.where(radius < 36, rings[radius.astype(int)], 0.0)
        level *= rng.normal(1, 0.02, SHAPE[0])[:, None, None]
    gain, offset = SCALES[dtype]
    grey = (level + 4000 + rng.normal(0, 500, SHAPE)) * gain + offset
    return grey.astype(dtype) if dtype == "float32" else grey.round().astype(dtype)


@pytest.fixture
def count(plan_job, tmp_path):
    """Return a runner of one scan, cut into tiles: its folder, row and fingerprint."""

    def run_scan(name, volume, *overrides, tile=SHAPE):
        np.save(tmp_path / f"{name}.npy", volume)
        gain, offset = SCALES[str(volume.dtype)]
        job = plan_job(
            tmp_path / name,
            tmp_path / f"{name}.npy",
            RECIPE,
            f"segment.thresholds=[{15000 * gain + offset}]",
            f"tiling.tile_shape={list(tile)}",
            *overrides,
        )
        run(job.path)
        row = Catalogue(tmp_path / name / "catalogue").read("scans", "scan").to_pylist()[0]
        return job, row, fingerprint_scan(tmp_path / name, "scan")

    return run_scan


@pytest.mark.parametrize("dtype", SCALES)
def test_artefacts_are_taken_off_and_on_record(count, dtype):
    job, row, _ = count("scan", scan_in_memory(dtype))
    gain = SCALES[dtype][0]
    assert all("taken off" in note for note in row["flatten_notes"])
    assert [note.split(":")[0] for note in row["flatten_notes"]] == ["planes", "radial", "rings"]
    # 800 of the mean of the matrix, 7600 above air.
    assert row["flatten_radial_percent"] == pytest.approx(10.5, abs=2.1)
    assert row["flatten_radial_grey"] == pytest.approx(800 * gain, rel=0.25)
    assert row["flatten_planes_grey"] > 400 * gain
    assert row["flatten_rings_grey"] > 300 * gain
    y, x = np.indices(SHAPE[1:])
    radius = np.hypot(y - AXIS[0], x - AXIS[1])
    conditioned = open_volume(job.conditioned)[:].astype(float) * row["grey_gain"]
    middle = np.median(conditioned[:, radius < 10], axis=1)
    rim = np.median(conditioned[:, (radius > 28) & (radius < 33)], axis=1)
    # Before: 0.09 of 8000 between the two, 0.02 of 8000 from plane to plane.
    assert abs((rim - middle).mean()) < 200 * gain
    assert rim.std() < 80 * gain + 0.5 * (dtype == "uint8")


@pytest.mark.parametrize("dtype", ["uint16", "float32"])
def test_tilings_agree(count, dtype):
    volume = scan_in_memory(dtype)
    if dtype == "float32":
        volume[30, 20:22, 41] = np.nan
    extra = ["condition.nonfinite=outside"]
    found = [count(f"t{i}", volume, *extra, tile=tile) for i, tile in enumerate(TILES)]
    assert read_evenness(found[0][0]).correction is not None
    assert len({print_ for _, _, print_ in found}) == 1
    for job, _, _ in found[1:]:
        np.testing.assert_array_equal(
            open_volume(job.conditioned)[:], open_volume(found[0][0].conditioned)[:]
        )
    if dtype == "float32":
        assert found[0][1]["n_voxels_nonfinite"] == 2
        assert (open_volume(found[0][0].conditioned)[30, 20:22, 41] == 0).all()


def test_nothing_planted_leaves_every_bit(count):
    volume = scan_in_memory(artefacts=False)
    auto, row, _ = count("auto", volume)
    none, plain, _ = count("none", volume, "condition.flatten=none")
    assert read_evenness(auto).correction is None
    np.testing.assert_array_equal(
        open_volume(auto.conditioned)[:], open_volume(none.conditioned)[:]
    )
    assert all("left" in note for note in row["flatten_notes"])
    assert row["flatten_radial_grey"] is row["flatten_rings_percent"] is None
    assert plain["flatten_notes"] is None
    assert "flatten" not in [stage.name for stage in none.read_plan().stages]


def test_a_list_takes_off_what_it_names(count):
    _, row, _ = count("scan", scan_in_memory(), "condition.flatten=[rings, planes]")
    assert row["flatten_radial_grey"] is None
    assert row["flatten_planes_grey"] > 400
    assert row["flatten_rings_grey"] > 300


def test_without_air_shifts_are_taken_off(count):
    volume = scan_in_memory()[:, 18:62, 18:62]
    _, row, _ = count("scan", volume)
    assert row["flatten_radial_percent"] is row["flatten_planes_percent"] is None
    assert row["flatten_planes_grey"] > 300
    assert row["flatten_radial_grey"] > 200


def test_rings_lie_about_the_axis_that_is_stated(count):
    volume = np.ascontiguousarray(scan_in_memory()[:, 8:, 4:])
    stated = "condition.rotation_axis_vx=[31.5, 35.5]"
    _, guessed, _ = count("guessed", volume)
    _, told, _ = count("told", volume, stated)
    assert told["flatten_rings_grey"] > 300
    assert (guessed["flatten_rings_grey"] or 0) < 0.5 * told["flatten_rings_grey"]
    # Cupping lies about the specimen, wherever it turns.
    assert guessed["flatten_radial_percent"] == pytest.approx(10, abs=4)
