"""Which jobs of a workspace a new one may take finished stages from, and what is cleared away."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from flows.jobs.status import list_jobs, scan_lock
from pipeline.errors import CastcensusError
from pipeline.model.plan import Plan
from pipeline.stages.reuse import drop_scratch
from pipeline.stores.job import JobFolder


@contextmanager
def hold_donors(folder: JobFolder, plan: Plan) -> Iterator[list[JobFolder]]:
    """Keep jobs that share their first stage with a plan from changing inside the block.

    A scan that is being processed is left out: its jobs may be cleared away at any moment.

    Parameters
    ----------
    folder : JobFolder
        The job that takes over; its own scan is held already.
    plan : Plan
        Its plan.

    Yields
    ------
    list of JobFolder
        Jobs to take from, newest first.
    """
    first = plan.stages[0].key.encode()
    donors, held = [], {plan.scan_id}
    with ExitStack() as stack:
        for path in _newest_plans(folder.workspace):
            donor = JobFolder(path.parent)
            try:
                if donor.path == folder.path or first not in path.read_bytes():
                    continue
                scan = donor.read_plan().scan_id
                if scan not in held:
                    stack.enter_context(FileLock(scan_lock(folder.workspace, scan), timeout=0))
                    held.add(scan)
            except (CastcensusError, OSError, Timeout):
                continue
            donors.append(donor)
        yield donors


def clear_earlier(folder: JobFolder, scan_id: str) -> None:
    """Clear away what other jobs of a scan left, now that this one has entered it.

    Their plans and statuses stay.  One that had not ended begins anew when it is resumed.

    Parameters
    ----------
    folder : JobFolder
        The job that entered the scan, and holds it.
    scan_id : str
        The scan.
    """
    for status in list_jobs(folder.workspace):
        other = JobFolder(folder.workspace / "jobs" / status.job)
        if status.scan != scan_id or other.path == folder.path or not _counts(other):
            continue
        if status.state != "done":
            shutil.rmtree(other.path / "ledger", ignore_errors=True)
            shutil.rmtree(other.scan_store, ignore_errors=True)
        drop_scratch(other, keep_conditioned=False)


def _counts(folder: JobFolder) -> bool:
    """Tell whether a job is one that counts a scan, and no other question to it."""
    try:
        return folder.read_plan().counts_scan
    except CastcensusError:
        return False


def _newest_plans(workspace: Path) -> list[Path]:
    plans = [(path.stat().st_mtime, path) for path in workspace.glob("jobs/[!.]*/plan.json")]
    return [path for _, path in sorted(plans, reverse=True)]
