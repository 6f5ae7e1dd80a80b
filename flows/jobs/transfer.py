"""A workspace copied while jobs go on: a scan that is being counted waits, or the copy does."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from flows.jobs.status import jobs_under_way, list_jobs, scan_lock
from pipeline.errors import UsageError
from pipeline.stores.places import Place
from pipeline.stores.transfer import Copied, copy_workspace


def copy_census(
    source: Place,
    target: Place,
    *,
    read_back: bool = True,
    take_over: bool = False,
    tell: Callable[[int, int, int], object] = lambda *_: None,
) -> Copied:
    """Copy a workspace with the records of its finished jobs.

    Parameters
    ----------
    source, target : Path or ObjectFolder
        From where, to where.
    read_back, take_over : bool
        Whether files are read again where they went, and whether another copy's mark is removed.
    tell : callable
        Told the files that are done, all files, and bytes sent.

    Returns
    -------
    Copied
        What was done.

    Raises
    ------
    UsageError
        If a scan is being counted.
    StoreError
        If the target is not to be written; see `pipeline.stores.transfer.copy_workspace`.
    """
    if not isinstance(source, Path):
        return copy_workspace(source, target, read_back=read_back, take_over=take_over, tell=tell)
    return copy_workspace(
        source,
        target,
        [status.job for status in list_jobs(source) if status.state == "done"],
        hold=lambda scan: _hold_scan(source, scan),
        read_back=read_back,
        take_over=take_over,
        tell=tell,
    )


@contextmanager
def _hold_scan(workspace: Path, scan_id: str) -> Iterator[None]:
    """Keep jobs of a scan from beginning inside the block."""
    path = scan_lock(workspace, scan_id)
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        with FileLock(path, timeout=1):
            yield
    except Timeout:
        who = [*jobs_under_way(workspace, scan_id), "another process"][0]
        raise UsageError(
            f"scan {scan_id} is being processed by {who}.", "Copy again when that has ended."
        ) from None
