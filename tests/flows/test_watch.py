"""A job watched from its folder: status, events, tiles, metrics; and whose turn it is."""

import json
import os
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from prometheus_client import generate_latest
from prometheus_client.parser import text_string_to_metric_families

from flows.cluster.kinds import map_announced
from flows.jobs.metrics import make_registry
from flows.jobs.planning import plan_source
from flows.jobs.process import is_alive, mark_process
from flows.jobs.recorder import Recorder
from flows.jobs.room import check_quota, disk_bytes
from flows.jobs.status import JobStatus, driven_by, list_jobs, now, read_status, write_status
from flows.jobs.submission import create_job
from flows.jobs.turns import jobs_ahead, take_turn
from flows.jobs.watch import follow_job, map_tiles, read_events
from flows.settings import find_cluster, find_recipe
from pipeline.errors import CancelledError, DamageError, NotFoundError, PlanError
from pipeline.model.header import ReadOptions
from pipeline.model.plan import Plan
from pipeline.model.reports import TileNotice
from pipeline.run import ignore_progress, run_stage
from pipeline.stores.job import JobFolder


@pytest.fixture(scope="module")
def plan(volume: Path) -> Plan:
    overrides = ["segment.thresholds=[1100]", "tiling.tile_shape=[24,24,24]"]
    recipe = find_recipe("one-phase", overrides)
    return plan_source(str(volume), "S", recipe, ReadOptions(voxel_um=(2, 1, 1)))


@pytest.fixture
def folder(plan: Plan, tmp_path: Path) -> JobFolder:
    return create_job(plan, tmp_path, find_cluster("loop"))


def record(folder: JobFolder) -> Recorder:
    recorder = Recorder(folder, read_status(folder), ignore_progress)
    recorder.begin()
    return recorder


def stop_after(n: int) -> Any:
    left = iter([False] * (n - 1) + [True])
    return lambda: next(left)


def test_status_events_and_tiles_tell_where_a_job_is_and_why_it_failed(
    folder: JobFolder, tmp_path: Path
) -> None:
    recorder = record(folder)
    run_stage(folder.path, "ingest", map_announced, recorder)
    with pytest.raises(CancelledError):  # asked after each notice and each report
        run_stage(folder.path, "condition", map_announced, recorder, stop_after(5))
    recorder.write("running")
    status = read_status(folder)
    assert (status.stage, status.n_done, status.n_tiles) == ("condition", 2, 8)
    assert [t.tile for t in status.running] == [2]
    # The peak is this test process's own, whatever it did before: only the plan bounds workers.
    assert status.planned_worker_bytes > 1 << 20
    assert status.peak_worker_bytes > 1 << 20
    assert status.stage_left_s is not None
    assert status.stage_seconds.keys() == {"ingest"}
    tiles = map_tiles(tmp_path, "S")
    assert tiles.counts == (2, 2, 2)
    assert tiles.states == ["done"] * 2 + ["running"] + ["waiting"] * 5
    assert map_tiles(tmp_path, "S", "ingest").totals["done"] == 8
    with pytest.raises(NotFoundError, match="'segment' with tiles"):
        map_tiles(tmp_path, "S", "segment")

    for name in ("condition", "segment", "label"):
        run_stage(folder.path, name, map_announced, recorder)
    folder.side("label", 7).unlink()
    with pytest.raises(DamageError) as caught:
        run_stage(folder.path, "seams", map_announced, recorder)
    recorder.write("failed", caught.value)
    recorder.close()
    failure = read_status(folder).error
    assert failure is not None
    assert (failure.kind, failure.stage, failure.tile) == ("DamageError", "seams", 0)
    assert map_tiles(tmp_path, "S").states == ["failed"] + ["waiting"] * 7
    events = read_events(folder)
    assert all(e["job"] == folder.name and e["time"] for e in events)
    assert [e["stage"] for e in events if e["event"] == "stage ended"] == [
        *("ingest", "condition", "segment", "label")
    ]
    assert (events[-1]["event"], events[-1]["tile"]) == ("failed", 0)
    assert "--replace" in events[-1]["remedy"]


def test_lost_workers_and_retried_tiles_are_counted_and_told(
    folder: JobFolder, tmp_path: Path
) -> None:
    def disturbed(process: Any, numbers: Any) -> Any:
        for number in numbers:
            yield TileNotice("began", number, "a")
            if number == 3:
                yield TileNotice("lost", number, "a")
                yield TileNotice("retried", number, "b")
            yield process(number)

    recorder = record(folder)
    run_stage(folder.path, "ingest", disturbed, recorder)
    recorder.write("running")
    recorder.close()
    status = read_status(folder)
    assert (status.n_worker_losses, status.n_retried, status.running) == (1, 1, ())
    assert [(i.event, i.tile, i.worker) for i in status.incidents] == [
        ("worker lost", 3, "a"),
        ("tile retried", 3, "b"),
    ]
    assert map_tiles(tmp_path, "S", "ingest").retried == [3]
    families = text_string_to_metric_families(generate_latest(make_registry(tmp_path)).decode())
    samples = {(s.name, s.labels.get("state")): s.value for f in families for s in f.samples}
    assert samples["castcensus_jobs", "running"] == 1
    assert samples["castcensus_job_tiles_done", "running"] == 8
    assert samples["castcensus_job_worker_losses_total", None] == 1
    assert samples["castcensus_job_tiles_retried_total", None] == 1
    assert samples["castcensus_job_peak_worker_bytes", "running"] == status.peak_worker_bytes
    assert samples["castcensus_job_stage_seconds", None] == status.stage_seconds["ingest"]


def test_a_job_is_followed_from_another_process_until_it_ends(
    folder: JobFolder, castcensus: Any, tmp_path: Path
) -> None:
    seen = castcensus.start("show", "S", "--follow", "--json", "--workspace", tmp_path)
    first = json.loads(seen.stdout.readline())
    assert first["state"] == "queued"
    recorder = record(folder)
    run_stage(folder.path, "ingest", map_announced, recorder)
    recorder.write("running")
    while (line := json.loads(seen.stdout.readline()))["n_done"] < 8:
        assert line["state"] == "running"
    recorder.write("cancelled", CancelledError("it was stopped.", "Resume it."))
    recorder.close()
    out, err = seen.communicate(timeout=60)
    assert json.loads(out.splitlines()[-1])["state"] == "cancelled"
    assert (seen.returncode, err) == (5, "")
    assert [s.state for s in follow_job(tmp_path, "S")] == ["cancelled"]


def test_a_silent_driver_shows_that_it_lives(
    folder: JobFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("flows.jobs.recorder.HEARTBEAT_S", 0.02)
    recorder = record(folder)
    before = (folder.path / "status.json").stat().st_mtime_ns
    deadline = time.monotonic() + 20
    while (folder.path / "status.json").stat().st_mtime_ns == before:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    recorder.close()


def test_time_between_two_runs_of_a_job_does_not_count(folder: JobFolder) -> None:
    for _ in range(2):
        recorder = record(folder)
        with pytest.raises(CancelledError):
            run_stage(folder.path, "ingest", map_announced, recorder, stop_after(3))
        recorder.write("cancelled")
        recorder.close()
        time.sleep(0.5)
    key = folder.read_plan().stage("ingest").key
    ledger = folder.ledger("ingest", key)
    assert ledger.finished()[0] == {0, 1}
    records = [json.loads(line) for line in ledger.path.read_bytes().splitlines()]
    assert ledger.seconds() == pytest.approx(sum(r["at_s"] for r in records))
    assert len({r["run"] for r in records}) == 2


def test_a_number_that_another_process_got_is_no_driver(folder: JobFolder) -> None:
    own = os.getpid()
    assert is_alive(own, mark_process(own))
    assert not is_alive(own, "another boot:1")
    status = driven_by(read_status(folder), own).model_copy(update={"state": "running"})
    write_status(folder, status)
    assert read_status(folder).state == "running"
    write_status(folder, status.model_copy(update={"process": "another boot:1"}))
    assert read_status(folder).state == "interrupted"


def queued(workspace: Path, job: str, priority: int) -> JobFolder:
    folder = JobFolder(workspace / "jobs" / job)
    status = JobStatus(job=job, scan=job, priority=priority, created_at=now(), updated_at=now())
    write_status(folder, driven_by(status, os.getpid()))
    return folder


def test_of_waiting_jobs_the_highest_priority_begins_first(tmp_path: Path) -> None:
    first = queued(tmp_path, "a", 0)
    order: list[str] = []
    told: list[str] = []

    def wait(folder: JobFolder) -> None:
        with take_turn(folder, 1, lambda: False, told.append):
            order.append(folder.name)
            write_status(folder, read_status(folder).model_copy(update={"state": "running"}))

    with take_turn(first, 1, lambda: False, told.append):
        write_status(first, read_status(first).model_copy(update={"state": "running"}))
        others = [queued(tmp_path, "b", 0), queued(tmp_path, "c", 5)]
        assert jobs_ahead(others[0]) == ["c"]
        threads = [threading.Thread(target=wait, args=(folder,)) for folder in others]
        for thread in threads:
            thread.start()
        stopped = queued(tmp_path, "d", -1)
        with (
            pytest.raises(CancelledError, match="waited for its turn"),
            take_turn(stopped, 1, lambda: bool(told), told.append),
        ):
            pass
        assert order == []
    for thread in threads:
        thread.join()
    assert order == ["c", "b"]
    assert "1 jobs may run at once" in told[0]


def test_a_workspace_takes_no_more_disk_than_its_limit(
    plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a").write_bytes(bytes(1 << 20))
    os.link(tmp_path / "a", tmp_path / "b")
    assert disk_bytes(tmp_path) == pytest.approx(1 << 20, rel=0.1)
    service = tmp_path / "service.yaml"
    monkeypatch.setenv("CASTCENSUS_SERVICE", str(service))
    service.write_text("limits: {disk: 1GiB}")
    check_quota(plan, tmp_path)
    service.write_text("limits: {disk: 2MiB}")
    with pytest.raises(PlanError, match="its limit is 2 MiB"):
        create_job(plan, tmp_path, find_cluster("loop"))
    assert list_jobs(tmp_path) == []
