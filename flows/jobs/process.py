"""Whether a process is still the one that was meant: its number alone is given again to others."""

from __future__ import annotations

from pathlib import Path

import psutil


def mark_process(pid: int) -> str | None:
    """Return what tells a process from a later one of the same number; None where there is none.

    On Linux the boot and the ticks since it when the process started, which no change of the clock
    moves; elsewhere the time when it started.

    Examples
    --------
    >>> import os
    >>> mark_process(os.getpid()) == mark_process(os.getpid())
    True
    """
    try:
        # After the name in parentheses, which may hold anything: state is field 3, start field 22.
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
        boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        return f"{boot}:{stat.rpartition(')')[2].split()[19]}"
    except OSError:
        pass
    try:
        return f"{psutil.Process(pid).create_time():.2f}"
    except psutil.Error:
        return None


def is_alive(pid: int, mark: str | None) -> bool:
    """Tell whether a process lives and is the one that was marked.

    Parameters
    ----------
    pid : int
        Its number.
    mark : str or None
        What `mark_process` returned for it; None where that is not known.
    """
    try:
        if psutil.Process(pid).status() == psutil.STATUS_ZOMBIE:
            return False
    except psutil.Error:
        return False
    return mark is None or mark_process(pid) == mark
