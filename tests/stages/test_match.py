"""Matching: registration from the store, fates of known bodies, tilings, refusals."""

import json

import numpy as np
import pytest
from scipy import ndimage

from flows.jobs.match import MatchWish, plan_match
from pipeline.errors import NotFoundError, UsageError
from pipeline.model.records import FATES
from pipeline.run import run
from pipeline.stages.scenes import open_scene
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.job import JobFolder
from pipeline.stores.volume import open_volume

RECIPE = {
    "name": "blobs",
    "condition": {"mask": "none", "denoise": {"method": "none"}},
    "segment": {"method": "manual", "thresholds": [50.0, 150.0]},
    "phases": [
        {"name": "pore", "kind": "particles", "min_voxels": 5},
        {"name": "matrix", "kind": "background"},
        {"name": "iron-rich", "kind": "particles", "min_voxels": 5},
    ],
    "tiling": {"tile_shape": [40, 40, 40]},
}
SHAPE = (60, 64, 64)
KNOWN = {
    "split": (9, 5, 5),
    "shrunk": (25, 10, 10),
    "dissolved": (38, 6, 6),
    "kept": (50, 10, 10),
}
"""A voxel of each body whose fate is known."""


def make_before():
    """Blobs that hold a registration, and apart from them four bodies whose fate is known."""
    rng = np.random.default_rng(4)
    smooth = ndimage.gaussian_filter(rng.normal(size=SHAPE), 2.0)
    volume = np.full(SHAPE, 100, np.uint8)
    volume[smooth > np.quantile(smooth, 0.94)] = 200
    volume[smooth < np.quantile(smooth, 0.02)] = 10
    volume[:, :24, :24] = 100
    volume[8:12, 4:20, 4:20] = 200  # will split
    volume[22:30, 6:14, 6:14] = 200  # will shrink
    volume[36:42, 4:10, 4:10] = 200  # will dissolve
    volume[48:56, 6:18, 6:18] = 200  # stays
    return volume


def make_after(before):
    """The same after treatment, turned by 90 degrees about z and stood upside down."""
    after = before.copy()
    after[8:12, 11:13, 4:20] = 100
    after[22:30, 6:14, 6:14] = 100
    after[23:29, 7:13, 7:13] = 200
    after[36:42, 4:10, 4:10] = 100
    after[16:20, 16:22, 14:20] = 200  # new
    return np.ascontiguousarray(np.rot90(after, 1, (1, 2))[::-1, ::-1])


@pytest.fixture(scope="module")
def counted(tmp_path_factory, plan_job):
    """A workspace with both scans."""
    workspace = tmp_path_factory.mktemp("match") / "census"
    before = make_before()
    for name, volume in (("before", before), ("after", make_after(before))):
        path = workspace.parent / f"{name}.npy"
        np.save(path, volume)
        run(plan_job(workspace, path, RECIPE, scan_id=name, job=f"job-{name}").path)
    return workspace


@pytest.fixture(scope="module")
def plan(counted):
    return plan_match(counted, "before", "after", MatchWish())


def match(workspace, plan, name, **tiles):
    """Run a match job, with tiles of other shapes than the census had if told so."""
    scans = {
        which: getattr(plan.match, which).model_copy(update={"tile_shape": shape})
        for which, shape in tiles.items()
    }
    task = plan.match.model_copy(update=scans)
    grids = [
        np.prod([-(-n // t) for n, t in zip(s.shape, s.tile_shape, strict=True)])
        for s in (task.before, task.after)
    ]
    stage = plan.stages[0].model_copy(update={"n_tiles": int(sum(grids)), "key": name})
    folder = JobFolder(workspace / "jobs" / name)
    folder.write_plan(plan.model_copy(update={"match": task, "stages": (stage,)}))
    run(folder.path, map_tiles=lambda process, numbers: map(process, reversed(list(numbers))))
    rows = Catalogue(workspace / "catalogue").read("fates", "before").to_pylist()
    kept = [c.name for c in FATES.columns if not c.provenance]
    return [{name: row[name] for name in kept} for row in rows]


def test_bodies_meet_their_known_fates(counted, plan):
    task = plan.match
    assert task.phases == ("pore", "iron-rich")
    places = np.random.default_rng(0).uniform(20, 100, (50, 3))
    assert np.abs(task.move.apply(places) - move_places(places)).max() < 0.3
    fingerprint = Catalogue(counted / "catalogue").fingerprint_rows("before")
    rows = match(counted, plan, "one")
    assert Catalogue(counted / "catalogue").fingerprint_rows("before") == fingerprint
    commit = json.loads(JobFolder(counted / "jobs" / "one").product("commit.json").read_bytes())
    assert commit["version"] == Catalogue(counted / "catalogue").version()
    iron = {r["particle_id"]: r for r in rows if r["phase"] == "iron-rich"}
    labels = open_volume(counted / "scans" / "before.zarr" / "labels" / "iron-rich" / "0")
    body = {fate: iron[int(labels[place])] for fate, place in KNOWN.items()}
    assert {fate: row["fate"] for fate, row in body.items()} == {fate: fate for fate in KNOWN}
    assert body["split"]["n_pieces"] == 2
    assert body["split"]["volume_ratio"] == pytest.approx(14 / 16, rel=0.01)
    assert body["shrunk"]["volume_ratio"] == pytest.approx(216 / 512, rel=0.01)
    assert body["shrunk"]["offset_um"] < 0.3
    new = [r for r in rows if r["side"] == "after"]
    assert [(r["fate"], r["n_voxels"]) for r in new] == [("new", 144)]
    others = [r for r in rows if r["side"] == "before" and r not in body.values()]
    assert {r["fate"] for r in others} == {"kept"}


def move_places(places):
    """Return where places in um come to lie, as `make_after` moves voxels."""
    depth, height, width = (2.0 * n for n in SHAPE)
    z, y, x = places.T
    # rot90 over (y, x) takes (y, x) to (width - x, y); then z and the new y are reversed.
    return np.stack([depth - z, height - (width - x), y], axis=1)


def test_tiles_and_their_order_change_nothing(counted, plan):
    one = match(counted, plan, "whole", before=SHAPE, after=SHAPE)
    assert one == match(counted, plan, "tiles", before=(17, 64, 23), after=(60, 20, 31))


def test_a_scan_matched_with_itself_is_kept(counted):
    told = []
    plan = plan_match(counted, "before", "before", MatchWish(), told.append)
    assert "with itself" in told[0]
    assert np.abs(plan.match.move.matrix - np.eye(3)).max() < 1e-3
    rows = match(counted, plan, "self")
    assert {r["fate"] for r in rows if r["scan_after"] == "before"} == {"kept"}
    # Rows of another pair stay beside these.
    assert {r["scan_after"] for r in rows} == {"before", "after"}


def test_what_cannot_be_matched_is_told(counted, tmp_path, plan_job):
    with pytest.raises(NotFoundError, match="nowhere"):
        plan_match(counted, "before", "nowhere", MatchWish())
    for wrong in ({"tolerance_vx": -1.0}, {"change_share": 1.5}, {"limit_vx": 0.0}):
        with pytest.raises(UsageError):
            MatchWish(**wrong)
    labels = counted / "scans" / "after.zarr" / "labels" / "pore"
    labels.rename(tmp_path / "pore")
    with pytest.raises(NotFoundError, match="labels/pore"):
        plan_match(counted, "before", "after", MatchWish())
    (tmp_path / "pore").rename(labels)
    scene = open_scene(counted, "before")
    assert scene.levels[0].shape == SHAPE
    assert scene.contrast[[0, 1, 2, 255]].tolist() == [-3.0, 0.0, 1.0, 0.0]


def test_a_scan_counted_again_meanwhile_is_told(counted, plan, plan_job):
    folder = JobFolder(counted / "jobs" / "late")
    other = plan.match.after.model_copy(update={"census_job": "another"})
    task = plan.match.model_copy(update={"after": other})
    folder.write_plan(plan.model_copy(update={"match": task}))
    with pytest.raises(NotFoundError, match="counted again"):
        run(folder.path)
