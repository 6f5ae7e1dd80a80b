"""The specimen's mask on the whole path: pores open to the surface, and volumes without air."""

import numpy as np

from pipeline.run import run
from pipeline.stages.segment import read_thresholds
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan

PORES = {
    "name": "pores",
    "condition": {"denoise": {"method": "median"}, "flatten": "none"},
    "describe": {"bending": False, "thickness": False, "neighbours": False},
    "phases": [{"name": "pore", "kind": "particles"}, {"name": "matrix", "kind": "background"}],
}


def test_a_pore_open_to_the_surface_is_one_row_for_every_tiling(make_job):
    z, y, x = np.ogrid[:40, :64, :64]
    solid = np.hypot(y - 31.5, x - 31.5) + 0 * z < 28
    pore = (z - 20) ** 2 + (y - 31.5) ** 2 + (x - 54) ** 2 < 6**2
    n_true = int((solid & pore).sum())
    noise = np.random.default_rng(0).normal(0, 3, solid.shape)
    volume = np.rint(np.where(solid & ~pore, 120, 40) + noise).astype(np.uint8)
    prints = set()
    for name, tile in (("whole", (64, 64, 64)), ("tiles", (40, 37, 23))):
        job = make_job(name, volume, f"tiling.tile_shape={list(tile)}", recipe=PORES)
        run(job.path)
        prints.add(fingerprint_scan(job.workspace, "scan"))
    assert len(prints) == 1
    (body,) = Catalogue(job.workspace / "catalogue").read("particles", "scan").to_pylist()
    assert body["touches_mask_edge"]
    (pore, _) = Catalogue(job.workspace / "catalogue").read("phases", "scan").to_pylist()
    assert (pore["n_touching_border"], pore["n_touching_mask"]) == (0, 1)
    # Without the outermost two voxels, and those that the ball dips into the opening.
    assert body["n_voxels"] > 0.65 * n_true


def test_a_bright_body_in_a_volume_without_air_leaves_all_of_it_searched(make_job):
    rng = np.random.default_rng(0)
    volume = rng.normal(20_000, 500, (48, 48, 48))
    volume[20:28, 20:28, 20:28] += 12_000
    job = make_job("bright", volume.astype(np.uint16), "condition.denoise.method=median")
    run(job.path)
    thresholds = read_thresholds(job)
    assert thresholds.n_voxels == 48**3
    assert any("bright body of 0.46 % of the volume" in note for note in thresholds.notes)
    rows = Catalogue(job.workspace / "catalogue").read("particles", "scan").to_pylist()
    assert [row["phase"] for row in rows] == ["iron-rich"]
