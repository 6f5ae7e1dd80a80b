"""On what a job runs: its cluster, this machine, and how many workers fit."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import psutil
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from flows.settings.values import read_bytes, validated
from pipeline.errors import PlanError, UsageError
from pipeline.model.plan import MIB, WORKER_BASE_BYTES, Plan
from pipeline.model.sizes import parse_bytes

BATCH_KINDS = ("ssh", "slurm", "pbs", "lsf")
"""Kinds whose workers run on other machines, of which this one knows nothing."""


def _auto_bytes(value: object) -> object:
    return value if value == "auto" else read_bytes(value)


class Tls(BaseModel):
    """Files with which driver, scheduler and workers know each other."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    ca: str
    cert: str
    key: str


class ClusterConfig(BaseModel):
    """On what a job's tiles are mapped.

    Attributes
    ----------
    kind : str
        ``loop``: this process, one tile after the other; ``threads``: threads of this process;
        ``local``: worker processes of this machine; ``existing``: a running scheduler; ``ssh``:
        workers on other hosts; ``slurm``, ``pbs``, ``lsf``: workers that a batch system starts.
    n_workers, threads_per_worker : int or "auto"
        Worker processes and the threads of each.
    memory_limit : int or "auto"
        Bytes that one worker process may take; auto leaves half as much again as the plan
        projects.
    tiles_in_flight : int
        Tiles handed out to a thread and not yet finished.
    scratch : str or None
        Folder for Dask's own files.
    tile_limit_s : float or None
        Seconds from a worker's own start of a tile after which that worker is restarted.
    start_limit_s : float or None
        How long workers may take to start; a batch system may let them queue.
    address : str or None
        Address of the scheduler of kind ``existing``.
    tls : Tls or None
        Certificates for it.
    hosts : tuple of str
        Hosts of kind ``ssh``, one worker each; a host may be named twice.
    python : str or None
        Interpreter on the hosts; that of the driver unless stated.
    queue, account, walltime_s, most_workers, directives, prologue, interface, log_folder
        Of a batch system: where and for how long a worker runs, up to how many there may be beyond
        `n_workers`, more lines of the job script, the network interface, and where logs go.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Literal["loop", "threads", "local", "existing", "ssh", "slurm", "pbs", "lsf"]
    n_workers: Annotated[int, Field(ge=1, le=4096)] | Literal["auto"] = "auto"
    threads_per_worker: Annotated[int, Field(ge=1, le=1024)] | Literal["auto"] = 1
    memory_limit: Annotated[
        Annotated[int, Field(ge=1)] | Literal["auto"], BeforeValidator(_auto_bytes)
    ] = "auto"
    tiles_in_flight: Annotated[int, Field(ge=1, le=16)] = 3
    scratch: str | None = None
    tile_limit_s: Annotated[float, Field(gt=0)] | None = 1800.0
    start_limit_s: Annotated[float, Field(gt=0)] | None = None
    address: str | None = None
    tls: Tls | None = None
    hosts: tuple[str, ...] = ()
    python: str | None = None
    queue: str | None = None
    account: str | None = None
    walltime_s: Annotated[float, Field(ge=60)] = 3600.0
    most_workers: Annotated[int, Field(ge=0, le=4096)] = 0
    directives: tuple[str, ...] = ()
    prologue: tuple[str, ...] = ()
    interface: str | None = None
    log_folder: str | None = None

    @model_validator(mode="after")
    def _kind_fits(self) -> ClusterConfig:
        if (self.kind == "existing") != (self.address is not None):
            raise ValueError("address goes with kind: existing; give both or neither")
        if (self.kind == "ssh") != bool(self.hosts):
            raise ValueError("hosts go with kind: ssh; give both or neither")
        if self.tls is not None and self.kind != "existing":
            raise ValueError("tls goes with kind: existing")
        if self.address is not None and self.address.startswith("tls://") != bool(self.tls):
            raise ValueError("tls: {ca, cert, key} goes with an address tls://...; give both")
        return self

    def adjusted(self, workers: int | None, memory_limit: str | None) -> ClusterConfig:
        """Return this cluster with a number of workers and a memory limit stated by the caller.

        Parameters
        ----------
        workers : int or None
            Worker processes; threads where the kind is ``threads``.
        memory_limit : str or None
            Such as ``2GiB``.

        Returns
        -------
        ClusterConfig
            The cluster, validated again.
        """
        values = self.model_dump()
        if workers is not None:
            if self.kind in ("loop", "existing", "ssh"):
                raise UsageError(
                    f"a cluster of kind {self.kind} takes no number of workers.",
                    "Leave --workers out, or name --cluster local or --cluster threads.",
                )
            values["threads_per_worker" if self.kind == "threads" else "n_workers"] = workers
        if memory_limit is not None:
            values["memory_limit"] = parse_bytes(memory_limit)
        return validated(ClusterConfig, values, "the cluster")


@dataclass(frozen=True, slots=True)
class Machine:
    """What this machine offers to this process.

    Parameters
    ----------
    n_cores : int
        Cores that may be used, by affinity and by the container's quota.
    memory_bytes, available_bytes : int
        Memory that may be used at most, and that is free now.
    """

    n_cores: int
    memory_bytes: int
    available_bytes: int


@dataclass(frozen=True, slots=True)
class ClusterSize:
    """Workers of a cluster, fitted to a plan and a machine.

    Parameters
    ----------
    n_workers, threads_per_worker : int
        Worker processes and the threads of each.
    memory_limit_bytes : int
        Bytes at which a worker process is stopped.
    """

    n_workers: int
    threads_per_worker: int
    memory_limit_bytes: int


def read_machine() -> Machine:
    """Return what this machine, or the container that this process runs in, offers."""
    memory = psutil.virtual_memory()
    limits = [
        _read_limit(f"/sys/fs/cgroup/{n}") for n in ("memory.max", "memory/memory.limit_in_bytes")
    ]
    total = min([memory.total, *(n for n in limits if n is not None)])
    affinity = getattr(os, "sched_getaffinity", None)
    n_cores = len(affinity(0)) if affinity else (os.cpu_count() or 1)
    quota = _read_words("/sys/fs/cgroup/cpu.max")
    if len(quota) == 2 and quota[0].isdigit():
        n_cores = max(1, min(n_cores, int(quota[0]) // int(quota[1])))
    return Machine(n_cores, total, min(memory.available, total))


def fit_cluster(config: ClusterConfig, plan: Plan, machine: Machine) -> ClusterSize:
    """Fit the workers of a cluster to a plan's projected memory, its tiles and the machine.

    Parameters
    ----------
    config : ClusterConfig
        The cluster; what it states is kept, what it leaves ``auto`` is chosen.
    plan : Plan
        The plan.
    machine : Machine
        The machine.

    Returns
    -------
    ClusterSize
        No more workers than tiles; at least one.

    Raises
    ------
    PlanError
        If a stated number of workers cannot fit the machine's memory.
    """
    tile_bytes = plan.worker_bytes - WORKER_BASE_BYTES
    most_tiles = max(1, *(stage.n_tiles for stage in plan.stages))
    room = int(0.9 * machine.available_bytes)
    limit = config.memory_limit if isinstance(config.memory_limit, int) else None
    n_threads = n_workers = 1
    if config.kind == "threads":
        share = min(limit or room, room) - WORKER_BASE_BYTES
        fitting = max(1, min(machine.n_cores, share // max(tile_bytes, 1)))
        n_threads = min(_stated(config.threads_per_worker, fitting), most_tiles)
    elif config.kind in ("local", *BATCH_KINDS):
        n_threads = _stated(config.threads_per_worker, 1)
    process_bytes = WORKER_BASE_BYTES + n_threads * tile_bytes
    if config.kind == "local":
        fitting = max(1, min(machine.n_cores // n_threads, room // process_bytes))
        n_workers = min(_stated(config.n_workers, fitting), most_tiles)
    elif config.kind in BATCH_KINDS:
        n_workers = min(_stated(config.n_workers, 1), most_tiles)
    here = config.kind in ("loop", "threads", "local")
    if here and n_workers * process_bytes > machine.memory_bytes:
        raise PlanError(
            f"{n_workers} workers of {n_threads} threads need "
            f"{n_workers * process_bytes / MIB:.0f} MiB, but this machine offers "
            f"{machine.memory_bytes / MIB:.0f} MiB.",
            "Ask for fewer --workers, or set smaller tiles, such as "
            "--set 'tiling.tile_shape=[128,128,128]'.",
        )
    most = machine.memory_bytes if config.kind not in BATCH_KINDS else process_bytes * 2
    return ClusterSize(n_workers, n_threads, limit or min(most, process_bytes * 3 // 2))


def _stated(value: int | Literal["auto"], fitting: int) -> int:
    return fitting if value == "auto" else value


def _read_words(path: str) -> list[str]:
    try:
        return Path(path).read_text(encoding="ascii").split()
    except OSError:
        return []


def _read_limit(path: str) -> int | None:
    words = _read_words(path)
    return int(words[0]) if words and words[0].isdigit() else None
