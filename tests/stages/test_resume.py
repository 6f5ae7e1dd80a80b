"""Tiles in any order, twice, stopped and resumed: the same result."""

from concurrent.futures import ThreadPoolExecutor, as_completed

import numpy as np
import pytest

from pipeline.errors import CancelledError
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.volume import open_volume

SMALL_TILES = "tiling.tile_shape=[24, 24, 32]"


def mark(folder):
    return fingerprint_scan(folder.workspace, "scan")


@pytest.fixture
def undisturbed(specimen, make_job):
    """Fingerprint of the specimen from a run that nothing disturbs."""
    folder = make_job("undisturbed", specimen(), SMALL_TILES)
    run(folder.path)
    return mark(folder)


class BrokenOffError(Exception):
    """What a test throws into a run."""


def break_at(stage, after):
    """A map of tiles that dies in one stage after so many tiles."""

    def map_tiles(process, numbers):
        name = process.args[1]
        for i, number in enumerate(numbers):
            if name == stage and i == after:
                process(number)  # its data are in place, its record is not
                raise BrokenOffError
            yield process(number)

    return map_tiles


@pytest.mark.parametrize("after", [0, 5])
@pytest.mark.parametrize("stage", ["ingest", "condition", "label", "seams", "present"])
def test_resume_after_a_failure_in_any_stage(specimen, make_job, undisturbed, stage, after):
    folder = make_job("job", specimen(), SMALL_TILES)
    with pytest.raises(BrokenOffError):
        run(folder.path, break_at(stage, after))
    planned = folder.read_plan().stage(stage)
    assert folder.ledger(stage, planned.key).finished() == (set(range(after)), False)
    done = []

    def note(progress):
        if progress.stage == stage and progress.report:
            done.append(progress.report.number)

    run(folder.path, on_progress=note)
    assert done == list(range(after, planned.n_tiles))
    assert mark(folder) == undisturbed


@pytest.mark.parametrize("name", ["label", "present"])
def test_resume_with_a_torn_ledger(specimen, make_job, undisturbed, name):
    folder = make_job("job", specimen(), SMALL_TILES)
    with pytest.raises(BrokenOffError):
        run(folder.path, break_at(name, 7))
    planned = folder.read_plan().stage(name)
    ledger = folder.ledger(name, planned.key)
    ledger.path.write_bytes(ledger.path.read_bytes()[:-9])
    assert ledger.finished() == (set(range(6)), False)
    run(folder.path)
    assert mark(folder) == undisturbed


def test_order_and_repetition_of_tiles_do_not_matter(specimen, make_job, undisturbed):
    rng = np.random.default_rng(3)

    def shuffled(process, numbers):
        order = rng.permutation(list(numbers)).tolist()
        for number in order:
            process(number)
            yield process(number)

    folder = make_job("job", specimen(), SMALL_TILES)
    run(folder.path, shuffled)
    assert mark(folder) == undisturbed


def test_threads_give_the_same(specimen, make_job, undisturbed):
    def threaded(process, numbers):
        with ThreadPoolExecutor(4) as pool:
            # Every tile twice at the same time, as a scheduler may do when it loses one.
            futures = {pool.submit(process, n): n for n in numbers for _ in range(2)}
            seen = set()
            for future in as_completed(futures):
                report = future.result()
                if report.number not in seen:
                    seen.add(report.number)
                    yield report

    folder = make_job("job", specimen(), SMALL_TILES)
    run(folder.path, threaded)
    assert mark(folder) == undisturbed


def test_stop_and_resume(specimen, make_job, undisturbed):
    folder = make_job("job", specimen(), SMALL_TILES)
    seen = []

    def should_stop():
        return bool(seen) and seen[-1].stage == "condition" and seen[-1].n_done == 3

    with pytest.raises(CancelledError, match="job job was stopped in stage condition"):
        run(folder.path, on_progress=seen.append, should_stop=should_stop)
    planned = folder.read_plan().stage("condition")
    assert folder.ledger("condition", planned.key).finished() == ({0, 1, 2}, False)
    assert Catalogue(folder.workspace / "catalogue").version() == -1
    run(folder.path)
    assert mark(folder) == undisturbed


def test_progress_counts_every_tile(specimen, make_job):
    folder = make_job("job", specimen(), SMALL_TILES)
    seen = []
    run(folder.path, on_progress=seen.append)
    stages = folder.read_plan().stages
    for stage in stages:
        mine = [p for p in seen if p.stage == stage.name]
        assert [p.n_done for p in mine] == [*range(stage.n_tiles + 1), stage.n_tiles]
        assert [p.finished for p in mine] == [False] * (stage.n_tiles + 1) + [True]
        assert sum(p.report.n_voxels for p in mine if p.report) in (
            0,
            folder.read_plan().header.n_voxels,
        )
    assert [p.stage for p in seen if p.finished] == [s.name for s in stages]


def test_running_a_finished_job_does_nothing(specimen, make_job):
    folder = make_job("job", specimen(), SMALL_TILES)
    run(folder.path)
    before, version = mark(folder), Catalogue(folder.workspace / "catalogue").version()
    seen = []
    run(folder.path, on_progress=seen.append)
    assert all(p.finished for p in seen)
    assert Catalogue(folder.workspace / "catalogue").version() == version
    assert mark(folder) == before


@pytest.mark.parametrize("name", ["catalogue", "present"])
def test_a_fold_that_was_not_recorded_may_run_again(specimen, make_job, undisturbed, name):
    folder = make_job("job", specimen(), SMALL_TILES)
    run(folder.path)
    path = folder.ledger(name, "").path
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:-1]))
    run(folder.path)
    assert mark(folder) == undisturbed


def test_a_second_job_replaces_the_scan(specimen, make_job, tmp_path):
    workspace = tmp_path / "workspace"
    one = make_job("one", specimen(), workspace=workspace, job="one")
    run(one.path)
    first = mark(one)
    two = make_job("two", specimen("uint16"), workspace=workspace, job="two")
    run(two.path)
    assert mark(two) != first
    catalogue = Catalogue(workspace / "catalogue")
    assert catalogue.read("scans")["job"].to_pylist() == ["two"]
    assert set(catalogue.read("particles")["job"].to_pylist()) == {"two"}
    image = open_volume(workspace / "scans" / "scan.zarr" / "0")
    assert np.array_equal(image[:], specimen("uint16"))
    assert sorted(p.name for p in (workspace / "scans").iterdir()) == ["scan.zarr"]
