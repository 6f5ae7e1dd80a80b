"""A job's life: done, refused, cancelled, interrupted, resumed; the same result each time."""

import json
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest
import zarr

from flows.jobs.planning import plan_source
from flows.jobs.status import (
    JobStatus,
    cancel_job,
    find_job,
    hold_job,
    is_held,
    list_jobs,
    now,
    read_status,
    scan_lock,
    show_job,
    write_status,
)
from flows.jobs.submission import Wishes, continue_job, create_job
from flows.settings import find_cluster, find_recipe
from pipeline.errors import NotFoundError, PlanError, StoreError, UsageError
from pipeline.model.header import ReadOptions
from pipeline.model.plan import Plan
from pipeline.run import run_stage
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.integrity import inspect_scan
from pipeline.stores.job import JobFolder

RECIPE = ("--recipe", "one-phase", "--set", "segment.thresholds=[1100]")
SMALL = ("--set", "tiling.tile_shape=[8,8,8]")
GIVEN = (*RECIPE, "--voxel-um", "2,1,1", "--temper", "T6", "--tag", "a")


def wait_for(true: Callable[[], bool], process: subprocess.Popen[str]) -> None:
    """Wait for something that a job does, and fail when the job ends before."""
    deadline = time.monotonic() + 120
    while not true():
        if process.poll() is not None:
            pytest.fail(f"ended with {process.returncode}: {process.communicate()}")
        assert time.monotonic() < deadline
        time.sleep(0.01)


def recorded(workspace: Path, scan: str, stage: str) -> int:
    """Return the bytes of a stage's ledger."""
    logs = workspace.glob(f"jobs/{scan}-*/ledger/{stage}.log")
    return sum(log.stat().st_size for log in logs)


def workers_of(driver: int) -> list[psutil.Process]:
    children = psutil.Process(driver).children()
    return [child for child in children if "spawn_main" in " ".join(child.cmdline())]


@pytest.fixture
def plan(volume: Path) -> Plan:
    recipe = find_recipe("one-phase", ["segment.thresholds=[1100]"])
    return plan_source(str(volume), "S", recipe, ReadOptions(voxel_um=(2, 1, 1)))


@pytest.fixture(scope="module")
def wanted(
    volume: Path, tmp_path_factory: pytest.TempPathFactory, run_command: Any
) -> dict[str, Any]:
    """Return result and fingerprint of an undisturbed run, one tile, in the plain loop."""
    cwd = tmp_path_factory.mktemp("undisturbed")
    run = run_command(cwd)
    result = run.json("submit", volume, "--scan", "S", *GIVEN, "--cluster", "loop")
    return {**result, "cwd": cwd, "run": run, "fingerprint": run("fingerprint", "S")[0]}


def test_a_job_leaves_a_scan_its_rows_and_a_result(wanted: dict[str, Any]) -> None:
    assert wanted["state"] == "done"
    assert wanted["scan"] == "S"
    assert len(wanted["particles"]) == 1
    assert sum(wanted["particles"].values()) > 3
    assert wanted["voxels_per_s"] > 0
    assert wanted["catalogue_version"] >= 0
    assert wanted["disk_bytes"] >= wanted["stored_bytes"] > 0
    workspace = wanted["cwd"] / "castcensus-workspace"
    job = workspace / "jobs" / wanted["job"]
    assert (workspace / "scans" / "S.zarr" / "zarr.json").is_file()
    assert not (job / "bodies.zarr").exists()
    assert {p.name for p in (job / "sides").iterdir()} == {"ingest", "condition"}
    (row,) = wanted["run"].json("scans")
    assert (row["temper"], row["tags"], row["voxel_z_um"]) == ("T6", ["a"], 2.0)
    shown = wanted["run"].json("show", "S")
    assert shown["result"]["particles"] == wanted["particles"]
    assert shown["census"]["job"] == wanted["job"]
    counted = {row["phase"]: row["n_particles"] for row in shown["census"]["phases"]}
    assert wanted["particles"].items() <= counted.items()
    assert wanted["run"].json("resume", wanted["job"])["seconds"] == wanted["seconds"]
    assert "Quality: noise" in wanted["run"]("resume", wanted["job"])[1]
    stated = json.loads(wanted["run"]("statistics", "S", "--format", "json")[0])
    fraction = next(r for r in stated if r["quantity"] == "volume_fraction" and r["at"] is None)
    assert fraction["low"] <= fraction["value"] <= fraction["high"]
    assert "volume_fraction" in wanted["run"]("statistics", "S")[0]
    name = stated[0]["phase"]
    one = json.loads(wanted["run"]("statistics", "S", "--phase", name, "--format", "json")[0])
    assert one == [row for row in stated if row["phase"] == name]
    assert wanted["run"]("check", "S")[0].split()[-1] == "0"
    assert (
        "--replace"
        in wanted["run"]("submit", row["source_location"], "--scan", "S", *GIVEN, status=2)[1]
    )


def test_the_same_submission_goes_on_and_another_threshold_filters_nothing_again(
    wanted: dict[str, Any], volume: Path, plan: Plan, castcensus: Any, tmp_path: Path
) -> None:
    workspace = tmp_path / "castcensus-workspace"
    submit = ("submit", volume, "--scan", "S", *GIVEN, "--cluster", "loop", "--json")
    facts = {"temper": "T6", "tags": ["a"]}
    options = ReadOptions(voxel_um=(2, 1, 1))
    same = plan_source(str(volume), "S", plan.recipe, options, facts)
    begun = create_job(same, workspace, find_cluster("loop"))
    run_stage(begun.path, "ingest")
    assert "being processed by S-" in castcensus(*submit, status=2)[1]  # this process lives
    write_status(begun, read_status(begun).model_copy(update={"pid": None}))
    assert continue_job(same, workspace, find_cluster("loop"), Wishes(anew=True)) is None
    assert continue_job(plan, workspace, find_cluster("loop")) is None  # other facts
    out, said = castcensus(*submit)
    assert f"job {begun.name} goes on where it stopped: in stage condition" in said
    assert json.loads(out)["job"] == begun.name
    assert fingerprint_scan(workspace, "S") == wanted["fingerprint"].strip()
    out, said = castcensus(*submit, "--replace", "--set", "segment.thresholds=[1090]")
    second = workspace / "jobs" / json.loads(out)["job"]
    taken = [line.split()[0] for line in said.splitlines() if f"as job {begun.name} left" in line]
    assert taken == ["ingest", "condition"]
    assert fingerprint_scan(workspace, "S") != wanted["fingerprint"].strip()
    assert not (begun.path / "conditioned.zarr").exists()
    assert (second / "conditioned.zarr").exists()
    assert inspect_scan(workspace, "S").damages == ()


def test_a_zarr_source_is_used_in_place_unless_told_to_copy(
    volume: Path, castcensus: Any, tmp_path: Path
) -> None:
    grey = np.load(volume)
    array = zarr.create_array(tmp_path / "s.zarr", shape=grey.shape, dtype="u2", chunks=(48,) * 3)
    array[...] = grey
    copied = castcensus("plan", "s.zarr", *GIVEN[:6], *SMALL)[0]
    assert "copied: tiles of 8 x 8 x 8 are not made of whole chunks of 48 x 48 x 48" in copied
    told = castcensus.json("plan", "s.zarr", *GIVEN[:6], "--ingest", "copy")
    assert (told["in_place"], told["copied_because"]) == (False, None)
    recipe = find_recipe("one-phase", ["segment.thresholds=[1100]"])
    options = ReadOptions(voxel_um=(2, 1, 1))
    plan = plan_source(str(tmp_path / "s.zarr"), "S", recipe, options)
    assert told["disk_bytes"] - plan.disk_bytes == pytest.approx(grey.nbytes, rel=0.01)
    folder = create_job(plan, tmp_path / "workspace", find_cluster("loop"))
    run_stage(folder.path, "ingest")
    where = f"used in place at {tmp_path / 's.zarr'}"
    assert show_job(folder.workspace, "S").image == where
    array[0, 0, 0] = 7
    assert show_job(folder.workspace, "S").image == f"{where}, which has changed since"
    _, said = castcensus("resume", "S", "--workspace", "workspace", status=2)
    assert "s.zarr is used in place and has changed since the job began" in said


def test_of_two_submissions_at_once_one_counts_the_scan_and_the_other_is_told(
    volume: Path, castcensus: Any, tmp_path: Path
) -> None:
    arguments = ("submit", volume, "--scan", "S", *GIVEN, "--cluster", "loop", "--json")
    both = [castcensus.start(*arguments) for _ in range(2)]
    told = [process.communicate(timeout=240) for process in both]
    assert sorted(process.returncode for process in both) == [0, 2]
    (refusal,) = [said for process, (_, said) in zip(both, told, strict=True) if process.returncode]
    assert "scan S is being processed by S-" in refusal or "scan S exists" in refusal
    states = [status.state for status in list_jobs(tmp_path / "castcensus-workspace")]
    assert states in (["done"], ["done", "failed"], ["failed", "done"])
    assert inspect_scan(tmp_path / "castcensus-workspace", "S").damages == ()


def test_a_job_does_not_replace_what_another_entered_meanwhile(
    wanted: dict[str, Any], plan: Plan, castcensus: Any, tmp_path: Path
) -> None:
    workspace = tmp_path / "castcensus-workspace"
    late = create_job(plan, workspace, find_cluster("loop"))
    theirs = wanted["cwd"] / "castcensus-workspace"
    shutil.copytree(theirs / "catalogue", workspace / "catalogue", dirs_exist_ok=True)
    assert wanted["job"] in castcensus("resume", late.name, status=2)[1]
    assert castcensus.json("show", late.name)["state"] == "failed"
    assert castcensus.json("scans")[0]["job"] == wanted["job"]


@pytest.mark.cluster
def test_a_killed_worker_and_a_killed_driver_change_nothing(
    wanted: dict[str, Any], volume: Path, castcensus: Any, tmp_path: Path
) -> None:
    workspace = tmp_path / "castcensus-workspace"
    arguments = ("submit", volume, "--scan", "S", *GIVEN, *SMALL, "--workers", "2")
    driver = castcensus.start(*arguments)
    wait_for(lambda: recorded(workspace, "S", "condition") > 0, driver)
    workers_of(driver.pid)[0].kill()
    wait_for(lambda: recorded(workspace, "S", "label") > 0, driver)
    servants = psutil.Process(driver.pid).children()
    driver.kill()
    driver.communicate()
    gone, alive = psutil.wait_procs(servants, timeout=20)
    assert (len(gone), alive) == (len(servants), [])
    (listed,) = castcensus.json("jobs")
    assert listed["state"] == "interrupted"
    ended = castcensus.json("resume", "S")
    assert ended["particles"] == wanted["particles"]
    assert castcensus("fingerprint", "S")[0] == wanted["fingerprint"]


@pytest.mark.cluster
def test_an_interrupt_of_the_whole_terminal_ends_cleanly_and_can_be_resumed(
    wanted: dict[str, Any], volume: Path, castcensus: Any, tmp_path: Path
) -> None:
    workspace = tmp_path / "castcensus-workspace"
    driver = castcensus.start("submit", volume, "--scan", "S", *GIVEN, *SMALL, "--workers", "2")
    wait_for(lambda: recorded(workspace, "S", "condition") > 0, driver)
    os.killpg(driver.pid, signal.SIGINT)
    out, err = driver.communicate(timeout=60)
    assert (driver.returncode, out) == (130, "")
    assert "castcensus resume S-" in err
    assert "Traceback" not in err
    assert castcensus.json("show", "S")["state"] == "interrupted"
    castcensus("resume", "S")
    assert castcensus("fingerprint", "S")[0] == wanted["fingerprint"]


@pytest.mark.cluster
def test_a_detached_job_is_watched_cancelled_and_resumed(
    wanted: dict[str, Any], volume: Path, castcensus: Any, tmp_path: Path
) -> None:
    workspace = tmp_path / "castcensus-workspace"
    arguments = ("submit", volume, "--scan", "S", *GIVEN, *SMALL, "--cluster", "threads")
    queued = castcensus.json(*arguments, "--no-wait")
    assert queued["state"] == "queued"
    deadline = time.monotonic() + 120
    while not recorded(workspace, "S", "ingest") and time.monotonic() < deadline:
        time.sleep(0.01)
    assert "being processed" in castcensus(*arguments, status=2)[1]
    castcensus("cancel", "S")
    psutil.wait_procs([p for p in [_process(queued["pid"])] if p], timeout=60)
    assert castcensus.json("show", "S")["state"] == "cancelled"
    assert "nothing to stop" in castcensus("cancel", "S", status=2)[1]
    assert castcensus.json("resume", queued["job"])["particles"] == wanted["particles"]
    assert castcensus("fingerprint", "S")[0] == wanted["fingerprint"]


def _process(pid: int) -> psutil.Process | None:
    try:
        return psutil.Process(pid)
    except psutil.NoSuchProcess:
        return None


def test_an_input_that_turns_out_unfit_leaves_its_plan_and_its_error(
    castcensus: Any, tmp_path: Path
) -> None:
    voxels = np.ones((16, 16, 16), np.float32)
    voxels[3, 4, 5] = np.nan
    np.save(tmp_path / "nan.npy", voxels)
    arguments = ("submit", "nan.npy", "--scan", "S", *GIVEN, "--cluster", "loop")
    _, err = castcensus(*arguments, status=1)
    assert "1 voxel" in err
    workspace = tmp_path / "castcensus-workspace"
    left = {p.name for p in next(workspace.glob("jobs/S-*")).iterdir()}
    assert left <= {"plan.json", "request.json", "status.json", "events.jsonl", "lock"}
    assert not list((workspace / "scans").iterdir())
    shown = castcensus.json("show", "S")
    assert (shown["state"], shown["error"]["exit_code"]) == ("failed", 1)


def test_creating_a_job_refuses_what_cannot_be_carried_out(plan: Plan, tmp_path: Path) -> None:
    loop = find_cluster("loop")
    with pytest.raises(PlanError, match="the limit is 10 MiB"):
        create_job(plan, tmp_path / "w", loop.adjusted(None, "10MiB"))
    (tmp_path / "file").touch()
    with pytest.raises(StoreError, match="cannot be written"):
        create_job(plan, tmp_path / "file", loop)
    assert not (tmp_path / "w").exists()
    (tmp_path / "w" / "scans" / "S.zarr").mkdir(parents=True)
    with pytest.raises(UsageError, match="--replace"):
        create_job(plan, tmp_path / "w", loop)
    folder = create_job(plan, tmp_path / "w", loop, Wishes(replace=True))
    assert folder.read_plan() == plan
    assert read_status(folder).state == "queued"


def test_one_driver_holds_a_scan(plan: Plan, tmp_path: Path) -> None:
    first = create_job(plan, tmp_path, find_cluster("loop"))
    second = create_job(plan, tmp_path, find_cluster("loop"))
    with hold_job(first, "S"):
        assert is_held(scan_lock(tmp_path, "S"))
        with pytest.raises(UsageError, match="another driver"), hold_job(second, "S"):
            pass
        with pytest.raises(UsageError, match="being processed"):
            create_job(plan, tmp_path, find_cluster("loop"))
    assert not is_held(scan_lock(tmp_path, "S"))
    with hold_job(second, "S"):
        pass


def status_of(job: str, **values: Any) -> JobStatus:
    return JobStatus(job=job, scan=job[0], created_at=now(), updated_at=now(), **values)


def test_a_driver_that_is_gone_shows_as_interrupted(tmp_path: Path) -> None:
    dead = subprocess.Popen(["/bin/true"])
    dead.wait()
    host = os.uname().nodename
    for job, pid in (("A-1", dead.pid), ("B-1", os.getpid())):
        folder = JobFolder(tmp_path / "jobs" / job)
        write_status(folder, status_of(job, state="running", pid=pid, host=host))
    assert {s.job: s.state for s in list_jobs(tmp_path)} == {"A-1": "interrupted", "B-1": "running"}
    assert cancel_job(tmp_path, "A-1").state == "cancelled"
    assert cancel_job(tmp_path, "B-1").state == "running"
    assert (tmp_path / "jobs" / "B-1" / "cancel").exists()


def test_a_job_is_found_by_its_id_or_as_the_newest_of_its_scan(tmp_path: Path) -> None:
    for age, job in enumerate(("A-3", "A-2", "A-1")):
        status = status_of(job, state="done").model_copy(
            update={"created_at": now() - timedelta(hours=age)}
        )
        write_status(JobFolder(tmp_path / "jobs" / job), status)
    assert find_job(tmp_path, "A").name == "A-3"
    assert show_job(tmp_path, "A-1").job == "A-1"
    for name in ("B", "../jobs/A-1", ""):
        with pytest.raises(NotFoundError):
            find_job(tmp_path, name)
    (tmp_path / "jobs" / "A-2" / "status.json").write_text(json.dumps({"torn": True}))
    assert [s.job for s in list_jobs(tmp_path)] == ["A-3", "A-1"]
