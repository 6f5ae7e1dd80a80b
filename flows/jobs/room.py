"""Whether a job has room: memory of this machine, disk of the workspace, and what it may take."""

from __future__ import annotations

import shutil
import stat
from contextlib import suppress
from pathlib import Path

from flows.settings import BATCH_KINDS, ClusterConfig, fit_cluster, load_settings, read_machine
from pipeline.errors import PlanError
from pipeline.model.plan import MIB, Limits, Plan, check_limits


def check_machine(plan: Plan, workspace: Path, cluster: ClusterConfig) -> None:
    """Refuse a plan that does not fit the workspace's disk, this machine, or a stated limit.

    Raises
    ------
    PlanError
        If it does not fit.
    """
    machine = read_machine()
    elsewhere = cluster.kind in BATCH_KINDS
    limit: int | None = None if elsewhere else machine.memory_bytes
    if isinstance(cluster.memory_limit, int) and cluster.kind != "existing":
        limit = min(limit or cluster.memory_limit, cluster.memory_limit)
    check_limits(plan, Limits(limit, free_bytes(workspace)))
    fit_cluster(cluster, plan, machine)


def free_bytes(workspace: Path) -> int:
    """Return the free space where a workspace lies or would lie."""
    place = next(p for p in (workspace, *workspace.parents) if p.exists())
    return shutil.disk_usage(place).free


def check_quota(plan: Plan, workspace: Path) -> None:
    """Refuse a plan that may exceed what the workspace may take; files are counted if there is one.

    Raises
    ------
    PlanError
        If it may.
    """
    quota = load_settings(workspace).limits.disk
    if quota is None:
        return
    used = disk_bytes(workspace)
    if used + plan.disk_bytes > quota:
        raise PlanError(
            f"{plan.scan_id} may need {plan.disk_bytes / MIB:.0f} MiB of disk, the workspace "
            f"{workspace} takes {used / MIB:.0f} MiB, and its limit is {quota / MIB:.0f} MiB.",
            "Remove scans or jobs, or raise limits.disk of the service file.",
        )


def disk_bytes(folder: Path) -> int:
    """Return the disk that the files below a folder occupy; one with several links counts once."""
    seen: dict[tuple[int, int], int] = {}
    for path in folder.rglob("*"):
        with suppress(OSError):  # gone in the meantime
            facts = path.lstat()
            if not stat.S_ISDIR(facts.st_mode):
                seen[facts.st_dev, facts.st_ino] = facts.st_blocks * 512
    return sum(seen.values())
