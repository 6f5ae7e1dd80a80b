"""Tiles mapped over Dask workers: the only importer of Dask.

A worker receives a tile's number and returns a few numbers; all data are in files.  Two or three
tiles a thread are handed out at a time and a result is dropped as soon as it is taken, so that the
scheduler never holds more than a handful of keys and a worker that dies takes no finished tile
with it.  Tiles are idempotent: one that ran on a lost worker simply runs again.
"""

from __future__ import annotations

import itertools
import logging
import signal
import tempfile
import time
import uuid
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from multiprocessing import resource_tracker
from typing import TYPE_CHECKING, Any

import dask.config
from distributed import Client, Future, KilledWorker, LocalCluster, as_completed
from distributed.client import FutureCancelledError

from pipeline.errors import JobError
from pipeline.model.records import TileReport

if TYPE_CHECKING:
    from flows.settings import ClusterConfig, ClusterSize
    from pipeline.run import MapTiles, ProcessTile

ALLOWED_WORKER_LOSSES = 10
"""Workers that one tile may lose before the job gives up on it."""

DRAIN_LIMIT_S = 120.0
"""How long the end of a map waits for tiles that are still running."""

CONNECT_LIMIT_S = 10.0
"""How long a running scheduler may take to answer."""

START_LIMIT_S = 180.0
"""How long workers may take to start; a loaded machine imports slowly."""

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
    # Dask has workers give freed memory back at once, which makes every tile's arrays be mapped and
    # zeroed anew: measured at 5.0 s of system time for 1.3 s with these, on 512^3 voxels.
    "distributed.nanny.pre-spawn-environ.MALLOC_TRIM_THRESHOLD_": 1 << 29,
    "distributed.nanny.pre-spawn-environ.MALLOC_MMAP_THRESHOLD_": 1 << 25,
    # A kernel compiled or a shard encoded under load may keep a process from answering.
    "distributed.comm.timeouts.connect": "120s",
    "distributed.admin.tick.limit": "1h",
    # What is lost is told once, by the error that ends the job.
    "logging.distributed": "critical",
}


class DaskMap:
    """Maps tiles over the workers of a client; a `pipeline.run.MapTiles`.

    Parameters
    ----------
    client : Client
        Connected client.
    tiles_in_flight : int
        Tiles handed out to a thread and not yet finished.
    """

    def __init__(self, client: Client, tiles_in_flight: int) -> None:
        self._client = client
        self._tiles_in_flight = tiles_in_flight
        self._outstanding: set[Future] = set()

    def __call__(self, process: ProcessTile, numbers: Iterable[int]) -> Iterator[TileReport]:
        """Yield the report of each tile once, as tiles finish.

        Parameters
        ----------
        process : callable
            Takes a tile's number, returns its report; it can be pickled.
        numbers : iterable of int
            The tiles.

        Yields
        ------
        TileReport
            One a tile, in order of completion.

        Raises
        ------
        CastcensusError
            What a tile raised, as it was raised; then no tile is running any more.
        JobError
            If a tile keeps losing its worker, or the scheduler is lost.
        """
        waiting = iter(numbers)
        run = uuid.uuid4().hex[:8]
        try:
            first = list(itertools.islice(waiting, self._n_slots()))
            finished = as_completed(
                [self._submit(process, number, run) for number in first], loop=self._client.loop
            )
            for future in finished:
                report = self._take(future)
                for number in itertools.islice(waiting, 1):
                    finished.add(self._submit(process, number, run))
                yield report
        finally:
            self.drain()

    def drain(self) -> None:
        """Take back tiles that have not begun and wait for those that are running."""
        if not self._outstanding:
            return
        self._client.cancel(list(self._outstanding), force=True)
        self._outstanding.clear()
        deadline = time.monotonic() + DRAIN_LIMIT_S
        while time.monotonic() < deadline:
            counts = self._client.run(count_running, on_error="ignore")
            if not any(counts.values()):
                return
            time.sleep(0.1)  # nothing tells when a task that was let go of ends: ask again

    def _n_slots(self) -> int:
        n_threads = sum(self._client.nthreads().values())
        if not n_threads:
            raise JobError("the cluster has no workers.", "Start some and resume the job.")
        return int(n_threads) * self._tiles_in_flight

    def _submit(self, process: ProcessTile, number: int, run: str) -> Future:
        # An old key would return the old future: each tile of each map gets its own.
        future = self._client.submit(process, number, key=f"tile-{run}-{number}", pure=False)
        self._outstanding.add(future)
        return future

    def _take(self, future: Future) -> TileReport:
        try:
            report: TileReport = future.result()
        except KilledWorker as error:
            raise JobError(
                f"{error.task} lost its worker {ALLOWED_WORKER_LOSSES} times over: "
                "it ran out of memory or crashed.",
                "Set smaller tiles or a larger --memory-limit, and resume the job.",
            ) from None
        except FutureCancelledError as error:
            raise JobError(
                f"the scheduler was lost: {error}.", "Resume the job when it is back."
            ) from None
        self._outstanding.discard(future)
        future.release()
        return report


def count_running(dask_worker: Any) -> int:
    """Return how many tasks occupy a thread of a worker; runs on the worker."""
    return len(dask_worker.state.all_running_tasks)


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
        If workers do not start, or a scheduler does not answer.
    """
    if config.kind == "loop":
        yield map
        return
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    with dask.config.set(_SETTINGS), _connected(config, size) as client:
        mapped = DaskMap(client, config.tiles_in_flight)
        try:
            yield mapped
        finally:
            mapped.drain()


@contextmanager
def _connected(config: ClusterConfig, size: ClusterSize) -> Iterator[Client]:
    if config.kind == "existing":
        try:
            client = Client(config.address, timeout=CONNECT_LIMIT_S, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            raise JobError(
                f"no scheduler answers at {config.address}: {error}.",
                "Start it, or correct the address of the cluster, and resume the job.",
            ) from None
        with client:
            yield client
        return
    with (
        _start_workers(config, size) as cluster,
        Client(cluster, set_as_default=False) as client,
    ):
        try:
            client.wait_for_workers(size.n_workers, timeout=START_LIMIT_S)
        except TimeoutError:
            raise _not_started(size, f"waited {START_LIMIT_S:.0f} s") from None
        yield client


def _start_workers(config: ClusterConfig, size: ClusterSize) -> LocalCluster:
    processes = config.kind == "local"
    try:
        with interrupts_held():
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
    except (OSError, RuntimeError) as error:
        raise _not_started(size, str(error.__cause__ or error)) from None


def _not_started(size: ClusterSize, why: str) -> JobError:
    return JobError(
        f"{size.n_workers} workers did not start: {why}.",
        "Resume the job with fewer --workers.",
    )
