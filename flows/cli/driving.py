"""A job driven by the command that waits for it."""

from __future__ import annotations

from pathlib import Path

from flows.cli.census import tell_quality
from flows.cli.console import print_json, say
from flows.cli.progress import shown_progress
from flows.cli.tables import print_table
from flows.jobs.status import JobResult
from flows.settings import prepare_environment
from pipeline.model.plan import MIB
from pipeline.stores.job import JobFolder


def drive(
    folder: JobFolder,
    *,
    resuming: bool = False,
    workers: int | None = None,
    memory_limit: str | None = None,
) -> JobResult:
    """Drive a job to its end with progress on standard error.

    Parameters
    ----------
    folder : JobFolder
        The job.
    resuming : bool
        Whether an earlier request to stop is forgotten.
    workers, memory_limit : optional
        Resuming: other than before.

    Returns
    -------
    JobResult
        What it left.
    """
    prepare_environment(folder.workspace)
    # Prefect and Dask read the environment when they are imported: after it is prepared.
    from flows.jobs.driver import drive_job, resume_job

    try:
        with shown_progress() as tell:
            if not resuming:
                return drive_job(folder, tell, say)
            return resume_job(
                folder.workspace,
                folder.name,
                workers=workers,
                memory_limit=memory_limit,
                on_progress=tell,
                on_wait=say,
            )
    except KeyboardInterrupt:
        say(f"Go on with: castcensus resume {folder.name}")
        raise


def show_result(result: JobResult, as_json: bool, workspace: Path) -> None:
    """Print what a job left, and how good its scan is."""
    if as_json:
        print_json(result)
        return
    print_table(["phase", "particles"], list(result.particles.items()))
    say(
        f"scan {result.scan} is in version {result.catalogue_version} of the catalogue: "
        f"{result.seconds:.1f} s, {result.voxels_per_s / 1e6:.2f} Mvoxels/s, "
        f"{result.peak_worker_bytes / MIB:,.0f} MiB a worker "
        f"({result.planned_worker_bytes / MIB:,.0f} planned), "
        f"{result.stored_bytes / MIB:,.0f} MiB stored."
    )
    tell_quality(workspace, result.scan, result.job)
