"""What tiles are mapped on: a plain loop, threads, processes, a running scheduler, a batch system.

Whatever the kind, a worker reads and writes the workspace by the same path as the driver, and runs
the same versions: that is compared when the driver connects.
"""

from __future__ import annotations

import logging
import os
import platform
import signal
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, version
from multiprocessing import resource_tracker
from typing import TYPE_CHECKING, Any

import dask.config
from distributed import Client, LocalCluster, Security

from flows.cluster.batch import start_batch, start_ssh
from flows.cluster.mapping import ALLOWED_WORKER_LOSSES, DaskMap, Patience
from pipeline.errors import JobError
from pipeline.model.reports import TileNotice, TileReport

if TYPE_CHECKING:
    from flows.settings import ClusterConfig, ClusterSize, Tls
    from pipeline.run import MapTiles, ProcessTile

CONNECT_LIMIT_S = 10.0
"""How long a running scheduler may take to answer."""

START_LIMIT_S = 180.0
"""How long workers may take to start; a loaded machine imports slowly."""

OWN_EMPTY_LIMIT_S = 60.0
"""How long a job goes on without any worker of this machine: a lost one may take half of that."""

COMPARED = ("castcensus", "numpy", "numba", "scipy", "zarr", "numcodecs", "distributed")
"""What driver and workers must have in the same version: bits and messages depend on it."""

_OWN: dict[str, Any] = {
    # Dask gives up a process whose worker is not back after this, 15 s by default, and starts no
    # other one; a busy machine needs longer, and the process brings its worker back by itself.
    "distributed.deploy.lost-worker-timeout": "1h",
}

_SETTINGS: dict[str, Any] = {
    "distributed.scheduler.allowed-failures": ALLOWED_WORKER_LOSSES,
    # Workers hold no data, so there is nothing to spill and no use in pausing: what exceeds the
    # limit is stopped, and its tile done again.
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.terminate": 1.0,
    # Profiling a kernel that runs for seconds tells nothing and takes the interpreter lock.
    "distributed.worker.profile.enabled": False,
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
    "distributed.worker.multiprocessing-method": "spawn",
    # Loaded while other things start, and not by the first tile.
    "distributed.worker.preload": ["pipeline.stages.registry"],
    # Dask has workers give freed memory back at once, which makes every tile's arrays be mapped and
    # zeroed anew: measured at 5.0 s of system time for 1.3 s with these, on 512^3 voxels.
    "distributed.nanny.pre-spawn-environ.MALLOC_TRIM_THRESHOLD_": 1 << 29,
    "distributed.nanny.pre-spawn-environ.MALLOC_MMAP_THRESHOLD_": 1 << 25,
    # A kernel compiled or a shard encoded under load may keep a process from answering.
    "distributed.comm.timeouts.connect": "120s",
    "distributed.admin.tick.limit": "1h",
    # One event a tile is kept in case somebody asks; nobody asks for old ones.
    "distributed.admin.low-level-log-length": 1000,
    # What is lost is told once, by the error that ends the job.
    "logging.distributed": "critical",
}


@contextmanager
def interrupts_held() -> Iterator[None]:
    """Start processes and threads inside the block that an interrupt of the terminal spares.

    Ctrl-C goes to every process of the terminal's group.  What serves the driver must outlive it:
    the driver alone takes the interrupt, finishes what is under way, and then ends its servants.
    One that comes inside the block is delivered at its end.
    """
    # Starting this helper of multiprocessing unblocks the signal for everything after it.
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def open_cluster(config: ClusterConfig, size: ClusterSize) -> Iterator[MapTiles]:
    """Start, or connect to, what a job's tiles are mapped on.

    Parameters
    ----------
    config : ClusterConfig
        Kind of cluster.
    size : ClusterSize
        Workers, threads and memory limit, fitted to the plan.

    Yields
    ------
    MapTiles
        Maps tiles; valid inside the block.

    Raises
    ------
    JobError
        If workers do not start, a scheduler does not answer, or versions differ.
    """
    if config.kind == "loop":
        yield map_announced
        return
    for name in ("distributed", "distributed.client"):  # the client's has a level of its own
        logging.getLogger(name).setLevel(logging.CRITICAL)
    own = config.kind in ("local", "threads")
    with dask.config.set(_SETTINGS | (_OWN if own else {})), _connected(config, size) as client:
        if not own:
            check_versions(client)
        # Threads cannot be restarted one by one.
        limit = None if config.kind == "threads" else config.tile_limit_s
        empty_s = OWN_EMPTY_LIMIT_S if own else config.start_limit_s or START_LIMIT_S
        patience = Patience(limit, empty_limit_s=empty_s)
        mapped = DaskMap(client, config.tiles_in_flight, patience)
        try:
            yield mapped
        finally:
            mapped.drain()


def map_announced(
    process: ProcessTile, numbers: Iterable[int]
) -> Iterator[TileReport | TileNotice]:
    """Map tiles in this process, one after the other, and say which one begins."""
    for number in numbers:
        yield TileNotice("began", number, f"{platform.node()}:{os.getpid()}")
        yield process(number)


def read_versions() -> dict[str, str]:
    """Return the versions that results and messages depend on; runs on workers too."""
    found = {"python": ".".join(platform.python_version_tuple()[:2])}
    for name in COMPARED:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "missing"
    return found


def check_versions(client: Client) -> None:
    """Refuse workers that run other versions than the driver.

    Raises
    ------
    JobError
        If one does: its tiles could differ in their last bits, or its messages not be understood.
    """
    own = read_versions()
    try:
        reports: dict[str, Any] = client.run(read_versions, on_error="return")
    except Exception as error:  # noqa: BLE001 - whatever a foreign worker answers is one refusal
        raise JobError(
            f"the workers do not answer: {error}.", "Install castcensus where workers run."
        ) from None
    for worker, theirs in reports.items():
        if isinstance(theirs, BaseException):
            raise JobError(
                f"worker {worker} cannot load castcensus: {theirs}.",
                "Install the driver's version of castcensus where workers run.",
            )
        differing = {k: (theirs.get(k), own[k]) for k in own if theirs.get(k) != own[k]}
        if differing:
            told = ", ".join(f"{k} {got} against {want}" for k, (got, want) in differing.items())
            raise JobError(
                f"worker {worker} differs from this driver: {told}.",
                "Give both the same environment: results must not depend on who made them.",
            )


@contextmanager
def _connected(config: ClusterConfig, size: ClusterSize) -> Iterator[Client]:
    if config.kind == "existing":
        with _connect_existing(config) as client:
            yield client
        return
    starts = {"local": _start_local, "threads": _start_local, "ssh": start_ssh}
    start = starts.get(config.kind, start_batch)
    try:
        with interrupts_held():
            cluster = start(config, size)
    except (OSError, RuntimeError, ValueError, ImportError) as error:
        raise _not_started(size, str(error.__cause__ or error)) from None
    wanted = size.n_workers if config.kind in ("local", "threads") else 1
    with cluster, Client(cluster, set_as_default=False) as client:
        try:
            client.wait_for_workers(wanted, timeout=config.start_limit_s or START_LIMIT_S)
        except TimeoutError:
            limit = config.start_limit_s or START_LIMIT_S
            raise _not_started(size, f"waited {limit:.0f} s") from None
        yield client


@contextmanager
def _connect_existing(config: ClusterConfig) -> Iterator[Client]:
    security = None if config.tls is None else _read_certificates(config.tls)
    try:
        client = Client(
            config.address, timeout=CONNECT_LIMIT_S, set_as_default=False, security=security
        )
    except (OSError, TimeoutError, ValueError, TypeError) as error:
        raise JobError(
            f"no scheduler answers at {config.address}: {error}.",
            "Start it, or correct address and certificates of the cluster, and resume the job.",
        ) from None
    with client:
        yield client


def _read_certificates(tls: Tls) -> Security:
    """Return what a driver shows a scheduler, and checks it by."""
    security = Security(
        tls_ca_file=tls.ca,
        tls_client_cert=tls.cert,
        tls_client_key=tls.key,
        require_encryption=True,
    )
    try:
        security.get_connection_args("client")
    except OSError as error:  # those of ssl are of this class
        raise JobError(
            f"the certificates of the cluster cannot be used: {error}.",
            f"Check the files {tls.ca}, {tls.cert} and {tls.key}, and resume the job.",
        ) from None
    return security


def _start_local(config: ClusterConfig, size: ClusterSize) -> LocalCluster:
    processes = config.kind == "local"
    return LocalCluster(
        n_workers=size.n_workers,
        threads_per_worker=size.threads_per_worker,
        processes=processes,
        # In threads the plan has checked the limit: a stopped process would end the job.
        memory_limit=size.memory_limit_bytes if processes else 0,
        dashboard_address=None,
        # The scheduler answers on this machine alone, and serves no pages.
        scheduler_kwargs={"dashboard": False, "dashboard_address": "127.0.0.1:0"},
        local_directory=config.scratch or tempfile.gettempdir(),
        silence_logs=logging.CRITICAL,
    )


def _not_started(size: ClusterSize, why: str) -> JobError:
    return JobError(
        f"{size.n_workers} workers did not start: {why}.",
        "Resume the job with fewer --workers, or name another cluster.",
    )
