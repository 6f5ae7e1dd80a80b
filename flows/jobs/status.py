"""What is known of a job: its status file, its lock, and the flag that stops it."""

from __future__ import annotations

import os
import platform
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import psutil
from filelock import FileLock, Timeout
from pydantic import BaseModel, ConfigDict, ValidationError

from flows.settings import ClusterConfig
from pipeline.errors import CastcensusError, DamageError, NotFoundError, UsageError
from pipeline.stages.image import describe_image
from pipeline.stores.job import JobFolder, write_whole

State = Literal["queued", "running", "done", "failed", "cancelled", "interrupted"]


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
    """Why a job ended without a result."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: str
    what: str
    remedy: str
    exit_code: int


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
    peak_worker_bytes : int
        Largest resident size of a worker process so far.
    seconds : float
        Wall time so far, all runs of the job together.
    pid, host : int, str
        The driver.
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
    peak_worker_bytes: int = 0
    seconds: float = 0.0
    pid: int | None = None
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
    """Read the status; a running job whose driver is gone is ``interrupted``.

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
    if status.state == "running" and not _driver_lives(status):
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


def failure_of(error: CastcensusError) -> Failure:
    """Return an error as it stands in a status."""
    return Failure(
        kind=type(error).__name__,
        what=error.what,
        remedy=error.remedy,
        exit_code=error.exit_code,
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


def cancel_flag(folder: JobFolder) -> Path:
    """Return the file whose presence asks the driver to stop."""
    return folder.path / "cancel"


def cancel_job(workspace: Path, name: str) -> JobStatus:
    """Ask a job to stop after the tiles under way; finished tiles stay on record.

    Returns
    -------
    JobStatus
        ``running`` while the driver still has to notice, else ``cancelled``.

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
    if status.state == "running":
        return status
    status = status.model_copy(update={"state": "cancelled", "updated_at": now()})
    write_status(folder, status)
    return status


@contextmanager
def hold_job(folder: JobFolder, scan_id: str) -> Iterator[None]:
    """Keep every other driver from this job, and from this scan, inside the block.

    The locks are the operating system's: they end with the process, however it ends.

    Raises
    ------
    UsageError
        If another driver holds the job or the scan.
    """
    with ExitStack() as stack:
        for path, what in (
            (folder.path / "lock", f"job {folder.name}"),
            (scan_lock(folder.workspace, scan_id), f"scan {scan_id}"),
        ):
            path.parent.mkdir(parents=True, exist_ok=True)
            try:
                stack.enter_context(FileLock(path, timeout=0))
            except Timeout:
                raise UsageError(
                    f"{what} is being processed by another driver.",
                    "Wait for it, or stop it with: castcensus cancel JOB.",
                ) from None
        yield


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
        return (now() - status.updated_at).total_seconds() < 3600
    return status.pid is not None and (status.pid == os.getpid() or psutil.pid_exists(status.pid))
