"""From a plan to a job: what can be refused is refused here."""

from __future__ import annotations

import os
import secrets
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from filelock import FileLock

from flows.jobs.room import check_machine, check_quota
from flows.jobs.status import (
    JobRequest,
    JobStatus,
    cancel_flag,
    driven_by,
    is_held,
    jobs_under_way,
    list_jobs,
    now,
    read_status,
    scan_lock,
    write_request,
    write_status,
)
from flows.settings import (
    ClusterConfig,
    prepare_environment,
)
from pipeline.errors import CastcensusError, UsageError
from pipeline.model.plan import Plan
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.job import JobFolder
from pipeline.stores.probe import probe_workspace


@dataclass(frozen=True, slots=True)
class Wishes:
    """How a job is to be run.

    Parameters
    ----------
    replace : bool
        Whether a scan of this id may be replaced.
    keep_scratch : bool
        Whether the job's intermediate volumes stay.
    keep_conditioned : bool
        Whether the conditioned volume stays, which a next job with other thresholds starts from.
    anew : bool
        Whether everything is done again that this or another job has done.
    priority : int
        Of waiting jobs the one with the highest begins first.
    """

    replace: bool = False
    keep_scratch: bool = False
    keep_conditioned: bool = True
    anew: bool = False
    priority: int = 0


def create_job(
    plan: Plan, workspace: Path, cluster: ClusterConfig, wishes: Wishes | None = None
) -> JobFolder:
    """Create the folder of a job, after everything that can be refused was checked.

    Parameters
    ----------
    plan : Plan
        The plan.
    workspace : Path
        Holds everything that is made.
    cluster : ClusterConfig
        On what to map tiles.
    wishes : Wishes, optional
        How it is to be run.

    Returns
    -------
    JobFolder
        A job in state ``queued``.

    Raises
    ------
    PlanError
        If the plan does not fit the machine.
    UsageError
        If the scan exists or is being processed.
    StoreError
        If the workspace cannot be written, or its file system is unfit.
    """
    wishes = wishes or Wishes()
    check_machine(plan, workspace, cluster)
    _check_free(plan.scan_id, workspace, wishes.replace)
    probe_workspace(workspace, durable=plan.durable)
    check_quota(plan, workspace)
    with _claim(workspace, plan.scan_id):
        # Again: somebody may have come first.
        _check_free(plan.scan_id, workspace, wishes.replace)
        return _make_folder(plan, workspace, cluster, wishes)


def _make_folder(plan: Plan, workspace: Path, cluster: ClusterConfig, wishes: Wishes) -> JobFolder:
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S")
    name = f"{plan.scan_id}-{stamp}-{secrets.token_hex(2)}"
    folder = JobFolder(workspace / "jobs" / name)
    folder.write_plan(plan)
    write_request(folder, _request(cluster, wishes))
    status = JobStatus(
        job=name,
        scan=plan.scan_id,
        created_at=now(),
        updated_at=now(),
        planned_worker_bytes=plan.worker_bytes,
        priority=wishes.priority,
    )
    write_status(folder, driven_by(status, os.getpid()))
    return folder


def continue_job(
    plan: Plan, workspace: Path, cluster: ClusterConfig, wishes: Wishes | None = None
) -> JobFolder | None:
    """Return the job that was to do the same and has not ended with a result, made ready to go on.

    Parameters
    ----------
    plan : Plan
        The plan; a job goes on where its own is equal.
    workspace : Path
        Holds everything that is made.
    cluster : ClusterConfig
        On what to map tiles from now on.
    wishes : Wishes, optional
        How the job is to be run from now on.

    Returns
    -------
    JobFolder or None
        The newest such job; None where there is none.

    Raises
    ------
    PlanError, UsageError
        As `create_job`.
    """
    wishes = wishes or Wishes()
    if wishes.anew:
        return None
    if _find_unfinished(plan, workspace) is None:
        return None
    check_machine(plan, workspace, cluster)
    with _claim(workspace, plan.scan_id):
        folder = _find_unfinished(plan, workspace)
        if folder is None:
            return None
        _check_free(plan.scan_id, workspace, wishes.replace, folder.name)
        write_request(folder, _request(cluster, wishes))
        cancel_flag(folder).unlink(missing_ok=True)
        queued = {"state": "queued", "priority": wishes.priority, "updated_at": now()}
        status = read_status(folder).model_copy(update=queued)
        write_status(folder, driven_by(status, os.getpid()))
        return folder


def _find_unfinished(plan: Plan, workspace: Path) -> JobFolder | None:
    for status in list_jobs(workspace):
        if status.scan != plan.scan_id or status.state in ("done", "running"):
            continue
        if status.state == "queued" and status.pid is not None:
            continue  # somebody drives it
        folder = JobFolder(workspace / "jobs" / status.job)
        try:
            if _identity(folder.read_plan()) == _identity(plan):
                return folder
        except CastcensusError:
            continue
    return None


def _identity(plan: Plan) -> object:
    """Return what two plans agree in that lead to the same rows of the same source."""
    keys = [stage.key for stage in plan.stages]
    return keys, plan.scan_id, plan.source, plan.recipe, plan.metadata


@contextmanager
def _claim(workspace: Path, scan_id: str) -> Iterator[None]:
    """Let one process at a time decide which job a scan gets."""
    lock = scan_lock(workspace, f"{scan_id}.claim")
    lock.parent.mkdir(parents=True, exist_ok=True)
    with FileLock(lock, timeout=30):
        yield


def _request(cluster: ClusterConfig, wishes: Wishes) -> JobRequest:
    return JobRequest(
        cluster=cluster,
        replace=wishes.replace,
        keep_scratch=wishes.keep_scratch,
        keep_conditioned=wishes.keep_conditioned,
        reuse=not wishes.anew,
    )


def start_detached(folder: JobFolder) -> int:
    """Start a driver of its own for a queued job, which outlives this process.

    Returns
    -------
    int
        Its process id; what it says stands in ``log.txt`` of the job.
    """
    environment = dict(os.environ)
    prepare_environment(folder.workspace, environment)
    # The driver finds the package where this process found it.
    environment["PYTHONPATH"] = os.pathsep.join(p for p in sys.path if p)
    command = [sys.executable, "-m", "flows.cli", "resume", folder.name, "--detached"]
    with (folder.path / "log.txt").open("ab") as log:
        driver = subprocess.Popen(  # noqa: S603 - the command is ours
            [*command, "--workspace", str(folder.workspace)],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            env=environment,
            start_new_session=True,
        )
    # From now on the job is that process's; who asks meanwhile finds it queued and alive.
    status = read_status(folder)
    if status.state == "queued":
        write_status(folder, driven_by(status, driver.pid))
    return driver.pid


def _check_free(scan_id: str, workspace: Path, replace_scan: bool, own: str = "") -> None:
    """Refuse a scan that is being processed, or that another job than `own` has entered."""
    others = jobs_under_way(workspace, scan_id)
    if others or is_held(scan_lock(workspace, scan_id)):
        raise UsageError(
            f"scan {scan_id} is being processed by {others[0] if others else 'another job'}.",
            f"Wait for it, or stop it with: castcensus cancel {scan_id}",
        )
    if replace_scan:
        return
    catalogue = Catalogue(workspace / "catalogue")
    if catalogue.has(scan_id):
        taken = catalogue.read("scans", scan_id, ["job"])["job"][0].as_py() != own
    else:
        taken = (workspace / "scans" / f"{scan_id}.zarr").exists()
    if taken:
        raise UsageError(
            f"scan {scan_id} exists in {workspace}.",
            "Choose another --scan, or replace it with --replace.",
        )
