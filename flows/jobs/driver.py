"""Drive a job: hold it, run it, keep its status, clear up after it.

Loads Prefect and Dask; call `flows.settings.prepare_environment` before importing this module.
"""

from __future__ import annotations

import json
import shutil
import traceback
from collections.abc import Callable
from pathlib import Path

from flows.jobs.donors import clear_earlier, hold_donors
from flows.jobs.recorder import Recorder
from flows.jobs.room import check_machine, disk_bytes
from flows.jobs.status import (
    JobRequest,
    JobResult,
    cancel_flag,
    find_job,
    hold_job,
    read_request,
    read_status,
    write_request,
)
from flows.jobs.turns import take_turn
from flows.runs import run_census
from flows.settings import code_version, load_settings
from pipeline.errors import (
    CancelledError,
    CastcensusError,
    DataError,
    JobError,
    UsageError,
)
from pipeline.model.plan import Plan
from pipeline.run import OnProgress, ignore_progress
from pipeline.stages.registry import peak_resident_bytes
from pipeline.stages.reuse import drop_scratch, reuse_stages
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.job import JobFolder
from pipeline.stores.probe import probe_workspace

KEPT = (
    "plan.json",
    "request.json",
    "status.json",
    "events.jsonl",
    "log.txt",
    "lock",
    "error.txt",
    "cancel",
)
"""What stays of a job whose input was refused."""


def ignore_wait(why: str) -> None:
    """Take no notice."""


def resume_job(
    workspace: Path,
    name: str,
    *,
    workers: int | None = None,
    memory_limit: str | None = None,
    on_progress: OnProgress = ignore_progress,
    on_wait: Callable[[str], None] = ignore_wait,
) -> JobResult:
    """Go on with a job that was cancelled, interrupted, or failed; finished tiles stay.

    Parameters
    ----------
    workspace : Path
        The workspace.
    name : str
        Id of the job, or of its scan.
    workers : int, optional
        Another number of workers than before.
    memory_limit : str, optional
        Another memory limit than before.
    on_progress : callable, optional
        Told of every tile.
    on_wait : callable, optional
        Told why the job does not begin yet, if it does not.

    Returns
    -------
    JobResult
        The result; that of a job that is done already is returned at once.

    Raises
    ------
    UsageError
        If another driver holds the job, or another version of the code planned it.
    CastcensusError
        As `drive_job`.
    """
    folder = find_job(workspace, name)
    request = read_request(folder)
    cluster = request.cluster.adjusted(workers, memory_limit)
    if cluster != request.cluster:
        check_machine(folder.read_plan(), workspace, cluster)
        write_request(folder, JobRequest(**{**dict(request), "cluster": cluster}))
    cancel_flag(folder).unlink(missing_ok=True)
    return drive_job(folder, on_progress, on_wait)


def drive_job(
    folder: JobFolder,
    on_progress: OnProgress = ignore_progress,
    on_wait: Callable[[str], None] = ignore_wait,
) -> JobResult:
    """Run what is left of a job in this process, and clear up after it.

    Parameters
    ----------
    folder : JobFolder
        The job.
    on_progress : callable, optional
        Told of every tile.
    on_wait : callable, optional
        Told why the job does not begin yet, if it does not.

    Returns
    -------
    JobResult
        What the job leaves.

    Raises
    ------
    UsageError, DataError
        If the input is refused, or another job entered the scan meanwhile; nothing stays of the
        job but its plan and its status.
    CancelledError
        If somebody asked it to stop; it can be resumed.
    JobError
        If it failed although its input was sound; it can be resumed.
    StoreError
        If the workspace cannot be written, or its file system is unfit.
    """
    plan, request = folder.read_plan(), read_request(folder)
    if plan.code_version != code_version():
        raise UsageError(
            f"job {folder.name} was planned by version {plan.code_version}, this is "
            f"{code_version()}.",
            "Submit the scan again.",
        )
    probe_workspace(folder.workspace, durable=plan.durable)
    with hold_job(folder, plan.scan_id):
        status = read_status(folder)
        if status.result is not None:
            return status.result
        limit = load_settings(folder.workspace).limits.running_jobs
        is_cancelled = cancel_flag(folder).exists
        recorder = Recorder(folder, status, on_progress)
        try:
            recorder.write("queued")
            with take_turn(folder, limit, is_cancelled, on_wait):
                recorder.begin()
                _check_kept(folder, plan, request)
                if request.reuse:
                    with hold_donors(folder, plan) as donors:
                        reuse_stages(folder, donors)
                _run(folder, request, recorder)
                result = _finish(folder, plan, request, recorder)
        except CancelledError as error:
            recorder.write("cancelled", error)
            raise
        except CastcensusError as error:
            if isinstance(error, UsageError | DataError):
                _discard(folder)
            recorder.write("failed", error)
            raise
        except BaseException:
            recorder.write("interrupted")
            raise
        finally:
            recorder.close()
        recorder.write("done", result=result)
        return result


def _check_kept(folder: JobFolder, plan: Plan, request: JobRequest) -> None:
    """Refuse to replace a scan that another job has entered since this one was submitted."""
    catalogue = Catalogue(folder.workspace / "catalogue")
    if request.replace or not catalogue.has(plan.scan_id):
        return
    holder = catalogue.read("scans", plan.scan_id, ["job"])["job"][0].as_py()
    if holder != folder.name:
        raise UsageError(
            f"scan {plan.scan_id} was entered by job {holder} after job {folder.name} was "
            "submitted.",
            "Submit the source under another --scan, or with --replace.",
        )


def _run(folder: JobFolder, request: JobRequest, recorder: Recorder) -> None:
    try:
        run_census(folder.path, request.cluster, recorder, cancel_flag(folder).exists)
    except CastcensusError:
        raise
    except Exception as error:
        # What was not foreseen is kept whole for whoever mends it, and told in one paragraph.
        (folder.path / "error.txt").write_text(traceback.format_exc(), encoding="utf-8")
        failed = JobError(
            f"job {folder.name} failed in stage {recorder.status.stage}: "
            f"{type(error).__name__}: {error}.",
            f"Resume it with: castcensus resume {folder.name}; the details stand in "
            f"{folder.path / 'error.txt'}.",
        )
        failed.tile = getattr(error, "tile", None)
        raise failed from error


def _finish(folder: JobFolder, plan: Plan, request: JobRequest, recorder: Recorder) -> JobResult:
    """Take the scratch away and count what the scan left."""
    stored = folder.workspace / "scans" / f"{plan.scan_id}.zarr"
    used = disk_bytes(folder.path) + disk_bytes(stored)
    if not request.keep_scratch:
        drop_scratch(folder, keep_conditioned=request.keep_conditioned and plan.counts_scan)
    if plan.counts_scan:
        clear_earlier(folder, plan.scan_id)
    version = int(json.loads(folder.product("commit.json").read_bytes())["version"])
    columns = ["phase", "kind", "n_particles"]
    catalogue = Catalogue(folder.workspace / "catalogue")
    phases = catalogue.read("phases", plan.scan_id, columns, version).to_pylist()
    return JobResult(
        job=folder.name,
        scan=plan.scan_id,
        particles={r["phase"]: r["n_particles"] for r in phases if r["kind"] == "particles"},
        voxels_per_s=round(plan.header.n_voxels / recorder.seconds, 1),
        seconds=round(recorder.seconds, 3),
        catalogue_version=version,
        peak_worker_bytes=recorder.status.peak_worker_bytes,
        driver_peak_bytes=peak_resident_bytes(),
        planned_worker_bytes=plan.worker_bytes,
        disk_bytes=used,
        stored_bytes=disk_bytes(folder.path) + disk_bytes(stored),
    )


def _discard(folder: JobFolder) -> None:
    """Remove everything that a job made of an input that turned out to be unfit."""
    for path in folder.path.iterdir():
        if path.name in KEPT:
            continue
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
