"""What is known of a job: its status file, its lock, and the flag that stops it."""

from __future__ import annotations

import os
import platform
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from filelock import FileLock, Timeout
from pydantic import BaseModel, ConfigDict, ValidationError

from flows.jobs.process import is_alive, mark_process
from flows.settings import ClusterConfig
from pipeline.errors import CastcensusError, DamageError, NotFoundError, UsageError
from pipeline.stages.image import describe_image
from pipeline.stores.job import JobFolder, write_whole

State = Literal["queued", "running", "done", "failed", "cancelled", "interrupted"]


SILENCE_S = 300.0
"""Silence after which a driver on another host is taken for dead; it writes every few seconds."""


class JobRequest(BaseModel):
    """How a job is to be run, beside its plan.

    Attributes
    ----------
    cluster : ClusterConfig
        On what to map tiles.
    replace : bool
        Whether the scan may be in the catalogue already.
    keep_scratch, keep_conditioned : bool
        Whether all intermediate volumes stay, or what a next job of the scan can take over.
    reuse : bool
        Whether stages are taken over that another job has done.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    cluster: ClusterConfig
    replace: bool = False
    keep_scratch: bool = False
    keep_conditioned: bool = True
    reuse: bool = True


class Failure(BaseModel):
    """Why a job ended without a result, and in which stage and at which tile."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: str
    what: str
    remedy: str
    exit_code: int
    stage: str | None = None
    tile: int | None = None


class RunningTile(BaseModel):
    """A tile that a worker has begun."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    tile: int
    worker: str
    since: datetime


class Incident(BaseModel):
    """Something that was overcome: a tile retried, a worker lost."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: datetime
    event: str
    stage: str
    tile: int
    worker: str


class JobResult(BaseModel):
    """What a finished job leaves: the object that `submit --json` prints.

    Attributes
    ----------
    job, scan, state : str
        Ids, and ``done``.
    particles : dict of str to int
        Particles in the catalogue by phase.
    voxels_per_s : float
        Voxels of the volume over the job's wall time, all stages included.
    seconds : float
        Wall time, that of interrupted runs of the job included.
    catalogue_version : int
        Version of the catalogue that holds the scan.
    peak_worker_bytes, driver_peak_bytes : int
        Largest resident size of a worker process and of the driver.
    planned_worker_bytes : int
        What the plan projected for a worker process.
    disk_bytes, stored_bytes : int
        Disk that the job held at its end, and that it keeps.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    job: str
    scan: str
    state: Literal["done"] = "done"
    particles: dict[str, int]
    voxels_per_s: float
    seconds: float
    catalogue_version: int
    peak_worker_bytes: int
    driver_peak_bytes: int
    planned_worker_bytes: int
    disk_bytes: int
    stored_bytes: int


class JobStatus(BaseModel):
    """State of a job as its driver last wrote it.

    Attributes
    ----------
    job, scan : str
        Ids.
    state : str
        ``queued running done failed cancelled``, or ``interrupted`` where the driver is gone.
    stage : str or None
        Stage under way.
    n_tiles, n_done : int
        Tiles of that stage, and how many are finished.
    voxels_per_s : float or None
        Speed of that stage.
    stage_left_s : float or None
        How long the rest of its tiles will take at the pace of the last ones.
    running : tuple of RunningTile
        Tiles that workers have begun.
    n_retried, n_retried_all : int
        Tiles of that stage, and of all, that were begun again.
    n_worker_losses : int
        Workers that ended with a tile unfinished, in all stages.
    incidents : tuple of Incident
        The last of both.
    stage_seconds : dict of str to float
        Wall time of finished stages.
    peak_worker_bytes, planned_worker_bytes : int
        Largest resident size of a worker process so far, and what the plan projects.
    priority : int
        Of waiting jobs the one with the highest begins first.
    seconds : float
        Wall time so far, all runs of the job together.
    pid, process, host : int, str, str
        The driver; see `flows.jobs.process`.
    created_at, updated_at : datetime
        When the job was submitted, and when this was written.
    error : Failure or None
        Why the job failed.
    result : JobResult or None
        What it left.
    image : str or None
        Where a source lies that is used in place, and whether it is still the same; told by
        `show_job` alone.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    job: str
    scan: str
    state: State = "queued"
    stage: str | None = None
    n_tiles: int = 0
    n_done: int = 0
    voxels_per_s: float | None = None
    stage_left_s: float | None = None
    running: tuple[RunningTile, ...] = ()
    n_retried: int = 0
    n_retried_all: int = 0
    n_worker_losses: int = 0
    incidents: tuple[Incident, ...] = ()
    stage_seconds: dict[str, float] = {}
    peak_worker_bytes: int = 0
    planned_worker_bytes: int = 0
    priority: int = 0
    seconds: float = 0.0
    pid: int | None = None
    process: str | None = None
    host: str | None = None
    created_at: datetime
    updated_at: datetime
    error: Failure | None = None
    result: JobResult | None = None
    image: str | None = None


def now() -> datetime:
    """Return the time, to the second, in UTC."""
    return datetime.now(UTC).replace(microsecond=0)


def write_status(folder: JobFolder, status: JobStatus) -> None:
    """Write the status, whole or not at all."""
    write_whole(folder.path / "status.json", status.model_dump_json(indent=1).encode())


def read_status(folder: JobFolder) -> JobStatus:
    """Read the status; a job whose driver is gone is ``interrupted``.

    Raises
    ------
    NotFoundError
        If there is no such job.
    DamageError
        If the file cannot be read back.
    """
    path = folder.path / "status.json"
    try:
        status = JobStatus.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        raise NotFoundError(
            f"there is no job {folder.name!r} in {folder.workspace}.",
            "List them with: castcensus jobs.",
        ) from None
    except (OSError, ValidationError) as error:
        raise DamageError(f"{path} cannot be read back: {error}.") from None
    begun = status.state == "running" or (status.state == "queued" and status.pid is not None)
    if begun and not _driver_lives(status):
        return status.model_copy(update={"state": "interrupted"})
    return status


def read_request(folder: JobFolder) -> JobRequest:
    """Read how a job is to be run."""
    path = folder.path / "request.json"
    try:
        return JobRequest.model_validate_json(path.read_bytes())
    except (OSError, ValidationError) as error:
        raise DamageError(
            f"{path} cannot be read back: {error}.", "Submit the scan again."
        ) from None


def write_request(folder: JobFolder, request: JobRequest) -> None:
    """Write how a job is to be run."""
    write_whole(folder.path / "request.json", request.model_dump_json(indent=1).encode())


def failure_of(error: CastcensusError, stage: str | None = None) -> Failure:
    """Return an error as it stands in a status, with the stage in which it was met."""
    return Failure(
        kind=type(error).__name__,
        what=error.what,
        remedy=error.remedy,
        exit_code=error.exit_code,
        stage=stage,
        tile=getattr(error, "tile", None),
    )


def list_jobs(workspace: Path) -> list[JobStatus]:
    """Return the jobs of a workspace, newest first; one whose files are damaged is left out."""
    statuses = []
    for path in sorted(workspace.glob("jobs/[!.]*/status.json")):
        try:
            statuses.append(read_status(JobFolder(path.parent)))
        except CastcensusError:
            continue
    return sorted(statuses, key=lambda s: (s.created_at, s.job), reverse=True)


def is_job(workspace: Path, name: str) -> bool:
    """Tell whether a name is the id of a job."""
    return (workspace / "jobs" / name / "status.json").is_file() and Path(name).name == name


def find_job(workspace: Path, name: str) -> JobFolder:
    """Return the folder of a job, by its id or as the newest job of a scan.

    Raises
    ------
    NotFoundError
        If there is neither such a job nor such a scan.
    """
    if is_job(workspace, name):
        return JobFolder(workspace / "jobs" / name)
    for status in list_jobs(workspace):
        if status.scan == name:
            return JobFolder(workspace / "jobs" / status.job)
    raise NotFoundError(
        f"there is no job and no scan {name!r} in {workspace}.",
        "List them with: castcensus jobs, or name another --workspace.",
    )


def show_job(workspace: Path, name: str) -> JobStatus:
    """Return the status of a job, named by its id or by its scan; see `find_job`."""
    folder = find_job(workspace, name)
    return read_status(folder).model_copy(update={"image": describe_image(folder)})


def events_file(folder: JobFolder) -> Path:
    """Return the file of what happened to a job, a line of JSON each."""
    return folder.path / "events.jsonl"


def cancel_flag(folder: JobFolder) -> Path:
    """Return the file whose presence asks the driver to stop."""
    return folder.path / "cancel"


def cancel_job(workspace: Path, name: str) -> JobStatus:
    """Ask a job to stop after the tiles under way; finished tiles stay on record.

    Returns
    -------
    JobStatus
        ``running`` or ``queued`` while the driver still has to notice, else ``cancelled``.

    Raises
    ------
    UsageError
        If the job has ended.
    """
    folder = find_job(workspace, name)
    status = read_status(folder)
    if status.state in ("done", "failed", "cancelled"):
        raise UsageError(f"job {folder.name} is {status.state}: there is nothing to stop.")
    cancel_flag(folder).touch()
    if status.state == "running" or (status.state == "queued" and status.pid is not None):
        return status
    status = status.model_copy(update={"state": "cancelled", "updated_at": now()})
    write_status(folder, status)
    return status


@contextmanager
def hold_job(folder: JobFolder, scan_id: str) -> Iterator[None]:
    """Keep every other driver from this job, and from this scan, inside the block.

    The locks are the operating system's: they end with the process, however it ends.  A job that
    finds its scan taken before it has begun ends as failed, so that it is not taken for waiting.

    Raises
    ------
    UsageError
        If another driver holds the job or the scan.
    """
    others = scan_lock(folder.workspace, scan_id)
    others.parent.mkdir(parents=True, exist_ok=True)
    with ExitStack() as stack:
        try:
            # Who looks whether a lock is held holds it for a moment.
            stack.enter_context(FileLock(folder.path / "lock", timeout=1))
        except Timeout:
            raise UsageError(
                f"job {folder.name} is being processed by another driver.",
                f"Wait for it, or stop it with: castcensus cancel {folder.name}",
            ) from None
        try:
            stack.enter_context(FileLock(others, timeout=1))
        except Timeout:
            who = [job for job in jobs_under_way(folder.workspace, scan_id) if job != folder.name]
            error = UsageError(
                f"scan {scan_id} is being processed by {who[0] if who else 'another driver'}.",
                f"Wait for it, or stop it with: castcensus cancel {who[0] if who else scan_id}",
            )
            status = read_status(folder)
            if status.state == "queued":
                failed = {"state": "failed", "error": failure_of(error), "updated_at": now()}
                write_status(folder, status.model_copy(update=failed))
            raise error from None
        yield


def jobs_under_way(workspace: Path, scan_id: str) -> list[str]:
    """Return the jobs of a scan that other living processes drive, or are about to."""
    return [
        status.job
        for status in list_jobs(workspace)
        if status.scan == scan_id
        and status.state in ("queued", "running")
        and status.pid not in (None, os.getpid())
    ]


def driven_by(status: JobStatus, pid: int) -> JobStatus:
    """Return a status that names a process of this host as the driver."""
    driver = {"pid": pid, "process": mark_process(pid), "host": platform.node()}
    return status.model_copy(update=driver)


def scan_lock(workspace: Path, scan_id: str) -> Path:
    """Return the lock that whoever processes a scan holds."""
    return workspace / "jobs" / ".locks" / f"{scan_id}.lock"


def is_held(lock: Path) -> bool:
    """Tell whether some process holds a lock."""
    if not lock.exists():
        return False
    try:
        with FileLock(lock, timeout=0):
            return False
    except Timeout:
        return True


def _driver_lives(status: JobStatus) -> bool:
    """Tell whether a driver lives; of one on another host only its silence can be judged."""
    if status.host != platform.node():
        return (now() - status.updated_at).total_seconds() < SILENCE_S
    return status.pid is not None and is_alive(status.pid, status.process)
