"""Stages taken over from another job: the same result as from scratch, only where it is safe."""

import os
import shutil

import numpy as np
import pytest

from pipeline.errors import CancelledError, SourceError
from pipeline.run import run, run_stage
from pipeline.stages.reuse import PRODUCTS, drop_scratch, reuse_stages
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.job import JobFolder
from pipeline.stores.ome import job_of
from pipeline.stores.volume import open_volume
from tests.stages.conftest import RECIPE

TILES = "tiling.tile_shape=[24, 32, 40]"
OTHER = ("segment.method=multi-otsu", "phases.iron-rich.min_voxels=9")
STAGES = [name for name in PRODUCTS if name != "survey"]


def mark(folder):
    return fingerprint_scan(folder.workspace, "scan")


def stages_of(reused):
    return [stage.stage for stage in reused]


@pytest.fixture(scope="module")
def source(tmp_path_factory, specimen):
    """The specimen as a file."""
    path = tmp_path_factory.mktemp("source") / "volume.npy"
    np.save(path, specimen())
    return path


@pytest.fixture(scope="module")
def finished(tmp_path_factory, source, plan_job):
    """A finished job, of which is kept what another may take over."""
    folder = plan_job(tmp_path_factory.mktemp("w"), source, RECIPE, TILES, job="first")
    run(folder.path)
    drop_scratch(folder, keep_conditioned=True)
    return folder


@pytest.fixture
def first(finished, tmp_path):
    """The finished job, in a workspace of its own."""
    shutil.copytree(finished.workspace, tmp_path / "w")
    return JobFolder(tmp_path / "w" / "jobs" / "first")


@pytest.fixture
def plan_next(first, source, plan_job):
    """Return a planner of jobs in the workspace of the first."""

    def plan_next(*overrides, job="second", path=source, **options):
        return plan_job(first.workspace, path, RECIPE, TILES, *overrides, job=job, **options)

    return plan_next


def test_another_threshold_takes_over_what_it_leaves_as_it_was(
    first, plan_next, specimen, make_job
):
    scratch = make_job("scratch", specimen(), TILES, *OTHER)
    run(scratch.path)
    second = plan_next(*OTHER)
    assert stages_of(reuse_stages(second, [first])) == STAGES
    before = mark(first)
    done = []
    run(second.path, on_progress=lambda p: done.append(p.stage) if p.report else None)
    assert set(done) == {"label", "seams", "anatomy", "distances", "present"}
    assert mark(second) == mark(scratch) != before
    # The first job's own copy is its own: what it left can be taken away.
    shutil.rmtree(first.path)
    assert np.array_equal(open_volume(second.workspace / "scans/scan.zarr/0")[...], specimen())
    assert job_of(second.workspace / "scans/scan.zarr") == "second"


def test_every_stage_that_is_reused_brings_what_later_ones_need(specimen, make_job, tmp_path):
    volume = specimen("float32")
    one = make_job("float", volume, TILES, workspace=tmp_path / "w", job="one")
    run(one.path)
    wanted = mark(one)
    for last, unsealed in (("condition", ("condition", "flatten")), ("survey", ())):
        two = make_job("float", volume, TILES, workspace=tmp_path / last, job="two")
        assert stages_of(reuse_stages(two, [one]))[-1] == last
        run(two.path)
        assert mark(two) == wanted
        for name in unsealed:
            one.ledger(name, "").path.unlink()


@pytest.mark.parametrize(
    ("override", "kept"),
    [
        ("condition.denoise.method=gaussian", ["ingest", "flatten"]),
        ("condition.flatten=none", ["ingest"]),
        ("condition.mask=none", []),
        ("segment.method=edge", ["ingest", "flatten"]),  # wants slopes of the filtered grey
        ("tiling.tile_shape=[24, 32, 48]", []),
        ("phases.pore.kind=background", STAGES),
    ],
)
def test_keys_tell_what_a_parameter_changes(first, plan_next, override, kept):
    more = ("segment.method=multi-otsu",) if "kind" in override else ()
    second = plan_next(*more, override)
    assert stages_of(reuse_stages(second, [first])) == kept
    keys = [{s.name: s.key for s in f.read_plan().stages} for f in (first, second)]
    assert keys[0]["segment"] != keys[1]["segment"]


def test_another_voxel_size_measures_again_but_filters_nothing(
    first, plan_next, specimen, make_job
):
    voxel = (3.0, 2.0, 1.0)
    scratch = make_job("scratch", specimen(), TILES, voxel_um=voxel)
    run(scratch.path)
    second = plan_next(voxel_um=voxel)
    assert stages_of(reuse_stages(second, [first])) == STAGES
    run(second.path)
    assert mark(second) == mark(scratch)
    facts = [(f.workspace / "scans/scan.zarr/zarr.json").read_text() for f in (second, scratch)]
    assert facts[0].replace("second", "job") == facts[1]


def test_a_source_with_other_contents_is_not_the_same(first, plan_next, source, specimen, tmp_path):
    path = tmp_path / "volume.npy"
    np.save(path, specimen())
    one = plan_next(path=path, job="one")
    run_stage(one.path, "ingest")
    os.utime(path, ns=(1, 1))  # another time of change, the same contents: read once, known again
    assert stages_of(reuse_stages(plan_next(path=path, job="two"), [one])) == ["ingest"]
    volume = specimen()
    volume[3, 3, 3] ^= 1
    np.save(path, volume)
    assert reuse_stages(plan_next(path=path, job="three"), [one]) == []


def stop_after(n):
    """Return a wish to stop after some tiles."""
    left = iter([False] * (n - 1) + [True])
    return lambda: next(left)


def test_a_source_that_changes_before_it_is_read_whole_ends_the_job(specimen, make_job, tmp_path):
    folder = make_job("volume", specimen(), TILES)
    with pytest.raises(CancelledError):
        run_stage(folder.path, "ingest", should_stop=stop_after(2))
    os.utime(tmp_path / "volume.npy", ns=(1, 1))
    with pytest.raises(SourceError, match=r"volume\.npy has changed since the job began"):
        run_stage(folder.path, "ingest")


@pytest.mark.parametrize("loss", ["side", "shard", "seal", "conditioned"])
def test_what_is_not_whole_is_done_again(first, plan_next, loss):
    ledger = first.ledger("condition", first.read_plan().stage("condition").key)
    lost = {
        "side": first.side("condition", 1).unlink,
        "shard": (first.conditioned / "c/0/1/0").unlink,
        "seal": lambda: ledger.path.write_bytes(ledger.path.read_bytes()[:-20]),
        "conditioned": lambda: drop_scratch(first, keep_conditioned=False),
    }
    lost[loss]()
    reused = stages_of(reuse_stages(plan_next(), [first]))
    assert reused == ([] if loss == "conditioned" else ["ingest", "flatten"])


def test_a_job_that_has_begun_a_stage_keeps_its_own(first, plan_next):
    second = plan_next()
    run_stage(second.path, "ingest")
    with pytest.raises(CancelledError):
        run_stage(second.path, "flatten", should_stop=stop_after(2))
    assert reuse_stages(second, [first]) == []
