"""Whose turn it is among the jobs of a workspace: no more run at once than its limit says.

There is no daemon.  A driver that may not begin yet waits, with its job in state ``queued``; of the
waiting ones that with the highest priority goes first, then the oldest.  A turn is a lock of the
operating system's: it ends with its process, however that ends.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from filelock import FileLock, Timeout

from flows.jobs.status import JobStatus, list_jobs, now
from pipeline.errors import CancelledError
from pipeline.stores.job import JobFolder

LOOK_INTERVAL_S = 1.0
"""How often a waiting driver looks whether it is its turn."""

WAITING_SILENCE_S = 60.0
"""Silence after which others no longer wait behind a waiting driver; it writes more often."""


@contextmanager
def take_turn(
    folder: JobFolder,
    limit: int | None,
    should_stop: Callable[[], bool],
    tell: Callable[[str], None],
) -> Iterator[None]:
    """Wait until a job may run, and hold its turn inside the block.

    Parameters
    ----------
    folder : JobFolder
        The job; its status says that it is queued, by this process.
    limit : int or None
        Jobs of the workspace that may run at once.
    should_stop : callable
        Asked while waiting.
    tell : callable
        Told once, if there is a wait.

    Raises
    ------
    CancelledError
        If `should_stop` said so.
    """
    if limit is None:
        yield
        return
    locks = folder.workspace / "jobs" / ".locks"
    locks.mkdir(parents=True, exist_ok=True)
    told = False
    while True:
        if should_stop():
            raise CancelledError(
                f"job {folder.name} was stopped while it waited for its turn.",
                f"Go on with: castcensus resume {folder.name}",
            )
        n_ahead = len(jobs_ahead(folder))
        turn = None if n_ahead else _free_turn(locks, limit)
        if turn is not None:
            break
        if not told:
            told = True
            tell(f"waiting: {limit} jobs may run at once, {n_ahead} wait ahead of this one.")
        time.sleep(LOOK_INTERVAL_S)
    try:
        yield
    finally:
        turn.release()


def jobs_ahead(folder: JobFolder) -> list[str]:
    """Return the waiting jobs of a workspace whose turn comes before a job's."""
    statuses = list_jobs(folder.workspace)
    own = next(status for status in statuses if status.job == folder.name)
    return [
        status.job
        for status in statuses
        if status.state == "queued"
        and status.pid is not None
        and (now() - status.updated_at).total_seconds() < WAITING_SILENCE_S
        and _place(status) < _place(own)
    ]


def _place(status: JobStatus) -> tuple[int, datetime, str]:
    return (-status.priority, status.created_at, status.job)


def _free_turn(locks: Path, limit: int) -> FileLock | None:
    for number in range(limit):
        lock = FileLock(locks / f"turn-{number}.lock")
        try:
            lock.acquire(timeout=0)
        except Timeout:
            continue
        return lock
    return None
