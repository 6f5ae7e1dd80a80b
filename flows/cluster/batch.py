"""Workers on other machines: over SSH, or as jobs of a batch system."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import dask.config
from distributed import SSHCluster

from pipeline.errors import UsageError

if TYPE_CHECKING:
    from flows.settings import ClusterConfig, ClusterSize

STAGGER = "2m"
"""Workers of a batch job end at different times, so that not all are lost at once."""


def start_ssh(config: ClusterConfig, size: ClusterSize) -> Any:
    """Start a scheduler here and workers on the hosts of a cluster over SSH.

    Keys and known hosts are those of the user's own SSH configuration.
    """
    # Addresses are read off what scheduler and workers log, which we quieten elsewhere.
    with dask.config.set({"logging.distributed": "info"}):
        return SSHCluster(
            ["localhost", *config.hosts],
            worker_options={
                "nthreads": size.threads_per_worker,
                "memory_limit": size.memory_limit_bytes,
            },
            scheduler_options={"dashboard": False},
            remote_python=config.python or sys.executable,
        )


def lifetime_s(walltime_s: float) -> float:
    """Return after how many seconds a worker should end by itself, before it is ended.

    A tenth of the walltime, but five minutes at most, is left to finish the tile under way.

    Examples
    --------
    >>> lifetime_s(3600.0), lifetime_s(120.0)
    (3300.0, 108.0)
    """
    return walltime_s - min(0.1 * walltime_s, 300.0)


def start_batch(config: ClusterConfig, size: ClusterSize) -> Any:
    """Start a scheduler here and let a batch system start workers, between the stated bounds.

    Raises
    ------
    UsageError
        If the optional library is not installed.
    """
    try:
        import dask_jobqueue  # noqa: PLC0415 - an optional extra
    except ImportError:
        raise UsageError(
            f"a cluster of kind {config.kind} wants the extra batch.",
            "Install it with: pip install 'castcensus[batch]'.",
        ) from None
    systems = {
        "slurm": dask_jobqueue.SLURMCluster,
        "pbs": dask_jobqueue.PBSCluster,
        "lsf": dask_jobqueue.LSFCluster,
    }
    life = lifetime_s(config.walltime_s)
    stagger = STAGGER if life > 1200 else "0s"
    options: dict[str, Any] = {
        "queue": config.queue,
        "account": config.account,
        "cores": size.threads_per_worker,
        "processes": 1,
        "memory": f"{size.memory_limit_bytes}B",
        "walltime": _clock(config.walltime_s, config.kind),
        "interface": config.interface,
        "python": config.python or sys.executable,
        "job_extra_directives": list(config.directives),
        "job_script_prologue": list(config.prologue),
        "worker_extra_args": ["--lifetime", f"{life:.0f}s", "--lifetime-stagger", stagger],
        "scheduler_options": {"dashboard": False, "dashboard_address": None},
        "local_directory": config.scratch,
        "log_directory": config.log_folder,
    }
    cluster = systems[config.kind](**{k: v for k, v in options.items() if v is not None})
    # Adaptive also where the bounds are equal: a worker that reached its walltime is replaced.
    cluster.adapt(minimum=size.n_workers, maximum=max(size.n_workers, config.most_workers))
    return cluster


def _clock(seconds: float, kind: str) -> str:
    """Return a time limit as a batch system writes it.

    Examples
    --------
    >>> _clock(5400.0, "slurm"), _clock(5400.0, "lsf")
    ('01:30:00', '01:30')
    """
    hours, minutes = divmod(int(seconds) // 60, 60)
    text = f"{hours:02d}:{minutes:02d}"
    return text if kind == "lsf" else f"{text}:{int(seconds) % 60:02d}"
