"""Promise 1 through distances: bodies that span, cross, wind and enclose, in four tilings."""

import numpy as np
import pytest

from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan

SHAPE = (40, 56, 64)
TILES = ("[256, 256, 256]", "[20, 28, 32]", "[13, 56, 24]", "[40, 17, 11]")
RECIPE = {
    "condition": {"mask": "none", "denoise": {"method": "none"}},
    "segment": {"method": "manual", "thresholds": [0.5, 1.5, 2.5]},
    "phases": [
        {"name": "matrix", "kind": "background"},
        {"name": "pore", "kind": "particles", "min_voxels": 8},
        {"name": "iron-rich", "kind": "particles", "min_voxels": 8},
        {"name": "copper-rich", "kind": "particles", "min_voxels": 8},
    ],
}


def bodies():
    """A slab that spans the volume, a ball where eight tiles meet, a spiral, shells in shells."""
    z, y, x = np.indices(SHAPE).astype(float)
    grey = np.zeros(SHAPE, np.uint8)
    grey[np.abs(z + 0.4 * y - 0.2 * x - 34) < 2.2] = 1
    grey[np.hypot(np.hypot(z - 20, y - 28), x - 32) < 8.5] = 2
    turn = np.arctan2(y - 16, x - 14) / (2 * np.pi)
    radius = np.hypot(y - 16, x - 14)
    coil = (radius / 5 - turn) % 1 < 0.45
    grey[coil & (radius < 13) & (np.abs(z - 9) < 4)] = 3
    rings = np.hypot(np.hypot(z - 24, y - 40), x - 50)
    for inner, outer, phase in ((0, 2.5, 2), (2.5, 4, 0), (4, 8, 1), (8, 9, 0), (9, 12, 3)):
        grey[(rings >= inner) & (rings < outer)] = phase
    rng = np.random.default_rng(4)
    grey[rng.random(SHAPE) < 0.002] = 2
    return grey


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    path = tmp_path_factory.mktemp("scan") / "volume.npy"
    np.save(path, bodies())
    return path


@pytest.mark.parametrize(
    ("voxel_um", "most"), [((1.0, 1.0, 1.0), 128), ((2.0, 1.0, 1.0), 8)], ids=["cubic", "1:1:2"]
)
def test_one_fingerprint_for_every_tiling(tmp_path, plan_job, source, voxel_um, most):
    marks = set()
    for tile in TILES if most == 128 else TILES[1:]:
        name = tile.strip("[]").replace(", ", "-")
        keys = (f"tiling.tile_shape={tile}", f"describe.thickness_max_vx={most}")
        keys += ("describe.curvature=true",)
        job = plan_job(tmp_path / name, source, RECIPE, *keys, voxel_um=voxel_um)
        run(job.path)
        marks.add(fingerprint_scan(tmp_path / name, "scan"))
    assert len(marks) == 1
    rows = Catalogue(tmp_path / name / "catalogue").read("particles").to_pylist()
    unknown = [r for r in rows if r["local_thickness_mean_um"] is None]
    near = Catalogue(tmp_path / name / "catalogue").read("neighbours").to_pylist()
    assert {(r["phase"], r["other_phase"]) for r in near} >= {("pore", "copper-rich")}
    assert min(r["distance_um"] for r in near) == 0.0
    bent = [r for r in rows if r["surface_curvature_mean_per_um"] is not None]
    assert {r["phase"] for r in bent} == {"pore", "iron-rich", "copper-rich"}
    # The ball is thicker than 8 shortest edges: it has no thickness rather than a wrong one.
    assert bool(unknown) == (most == 8)
    assert all(r["inscribed_diameter_um"] is None for r in unknown)
    assert all(r["n_voxels"] > 500 for r in unknown)


def test_no_stage_where_none_is_asked_for(tmp_path, plan_job, source):
    off = ("describe.thickness=false", "describe.neighbours=false")
    job = plan_job(tmp_path, source, RECIPE, *off)
    assert "distances" not in [stage.name for stage in job.read_plan().stages]
    run(job.path)
    catalogue = Catalogue(tmp_path / "catalogue")
    rows = catalogue.read("particles").to_pylist()
    assert {r["local_thickness_mean_um"] for r in rows} == {None}
    assert catalogue.read("neighbours").num_rows == 0
