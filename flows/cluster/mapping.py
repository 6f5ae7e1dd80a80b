"""Tiles handed to Dask workers, a few at a time, and watched while they run.

A worker receives a tile's number and returns a few numbers; all data are in files.  Two or three
tiles a thread are handed out at a time and a result is dropped as soon as it is taken, so that the
scheduler never holds more than a handful of keys and a worker that dies takes no finished tile
with it.  Tiles are idempotent: one that ran on a lost worker simply runs again, and a second copy
of a slow one leaves the same bytes.
"""

from __future__ import annotations

import itertools
import queue
import time
import uuid
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import CancelledError as FuturesCancelledError
from dataclasses import dataclass, field
from functools import partial
from statistics import median
from typing import TYPE_CHECKING, Any, Literal

from distributed import Client, Future, KilledWorker, get_worker
from distributed.client import FutureCancelledError
from distributed.comm import CommClosedError

from pipeline.errors import CastcensusError, JobError
from pipeline.model.reports import TileNotice, TileReport

if TYPE_CHECKING:
    from pipeline.run import ProcessTile

ALLOWED_WORKER_LOSSES = 10
"""Workers that one tile may lose before the job gives up on it."""

DRAIN_GRACE_S = 4.0
"""How long the end of a map waits for tiles under way before their workers are restarted."""

DRAIN_LIMIT_S = 120.0
"""How long it waits where workers cannot be restarted."""

ANSWER_LIMIT_S = 4.0
"""How long workers may take to say what they run; one that is frozen never does."""

LOOK_INTERVAL_S = 0.5
"""How often running tiles are looked at."""

REMEMBERED = 1001
"""Last tiles whose time makes the median."""


@dataclass(frozen=True, slots=True)
class Patience:
    """How long a running tile is waited for.

    Parameters
    ----------
    tile_limit_s : float or None
        Time from the worker's own start of a tile after which its worker is restarted; None waits
        for ever.
    straggler_factor : float
        Times the median after which a tile gets a second copy on another worker, once every tile
        has been handed out and half of them are done.
    straggler_least_s : float
        Tiles that run shorter than this are never copied.
    empty_limit_s : float
        How long a cluster may be without any worker: each is replaced, unless it died as it began.
    """

    tile_limit_s: float | None = None
    straggler_factor: float = 3.0
    straggler_least_s: float = 5.0
    empty_limit_s: float = 30.0


def process_announced(process: ProcessTile, number: int, topic: str) -> TileReport:
    """Process a tile on a worker, and say that it begins.

    Parameters
    ----------
    process : callable
        Takes a tile's number, returns its report.
    number : int
        The tile.
    topic : str
        Topic of the map's events.
    """
    worker = get_worker()
    worker.log_event(topic, [number, worker.address])
    return process(number)


@dataclass(slots=True)
class _Watched:
    """Tiles of one map: their copies, where and when those began, and how long others took."""

    copies: dict[int, list[Future]] = field(default_factory=dict)
    starts: dict[int, int] = field(default_factory=dict)
    notices: deque[TileNotice] = field(default_factory=deque)
    lost: set[str] = field(default_factory=set)
    began: dict[int, dict[str, float]] = field(default_factory=dict)
    restarts: dict[int, int] = field(default_factory=dict)
    seconds: list[float] = field(default_factory=list)
    n_done: int = 0
    peopled: float = field(default_factory=time.monotonic)

    def note_start(self, event: tuple[float, Any]) -> None:
        """Take in that a worker began a tile, at the driver's own clock."""
        number, worker = event[1]
        self.starts[number] = n = self.starts.get(number, 0) + 1
        kind: Literal["began", "retried", "copied"] = "began"
        n_copies = len(self.copies.get(number, ()))
        if n > 1:
            kind = "copied" if n <= n_copies else "retried"
        if kind == "retried" and n_copies == 1:
            # It would not have begun again if the worker that held it were there.
            for gone in set(self.began.get(number, ())) - self.lost - {worker}:
                self.lost.add(gone)
                self.notices.append(TileNotice("lost", number, gone))
        self.notices.append(TileNotice(kind, number, worker))
        if number in self.copies:
            self.began.setdefault(number, {})[worker] = time.monotonic()
        else:
            # The event of a short tile came after its report: a million of them would add up.
            self.starts.pop(number, None)

    def note_lost(self, alive: Sequence[str]) -> None:
        """Notice workers that ended while they held a tile."""
        for number, began in list(self.began.items()):
            for worker in list(began):
                if worker not in alive and worker not in self.lost:
                    self.lost.add(worker)
                    self.notices.append(TileNotice("lost", number, worker))

    def drop(self, number: int) -> list[Future]:
        """Forget a tile and return its copies."""
        self.began.pop(number, None)
        self.starts.pop(number, None)
        self.restarts.pop(number, None)
        return self.copies.pop(number, [])

    def note_done(self, report: TileReport) -> None:
        """Count a finished tile."""
        self.n_done += 1
        if len(self.seconds) < REMEMBERED:
            self.seconds.append(report.seconds)
        else:
            self.seconds[self.n_done % REMEMBERED] = report.seconds


class DaskMap:
    """Maps tiles over the workers of a client; a `pipeline.run.MapTiles`.

    Parameters
    ----------
    client : Client
        Connected client.
    tiles_in_flight : int
        Tiles handed out to a thread and not yet finished.
    patience : Patience, optional
        How long a running tile is waited for.
    """

    def __init__(
        self, client: Client, tiles_in_flight: int, patience: Patience | None = None
    ) -> None:
        self.client = client
        self._tiles_in_flight = tiles_in_flight
        self._patience = patience or Patience()
        self._watched = _Watched()
        self._run = ""

    def __call__(
        self, process: ProcessTile, numbers: Iterable[int]
    ) -> Iterator[TileReport | TileNotice | None]:
        """Yield the report of each tile once, as tiles finish.

        Parameters
        ----------
        process : callable
            Takes a tile's number, returns its report; it can be pickled.
        numbers : iterable of int
            The tiles.

        Yields
        ------
        TileReport, TileNotice or None
            One report a tile, in order of completion; what happens to tiles in between; None now
            and then while none finishes, so that whoever takes them can look up.

        Raises
        ------
        CastcensusError
            What a tile raised, as it was raised; then no tile is running any more.
        JobError
            If a tile keeps losing its worker or exceeding its time, or the scheduler is lost.
        """
        try:
            yield from self._map(process, iter(numbers))
        except CastcensusError:
            raise
        except Exception as error:
            if not self._tells_loss(error):
                raise
            raise _scheduler_lost(error) from None
        finally:
            self.drain()

    @property
    def _connected(self) -> bool:
        return str(self.client.status) == "running"

    def _tells_loss(self, error: Exception) -> bool:
        """Tell whether an error is whatever a client raises that has nobody left to talk to."""
        return not self._connected or isinstance(error, CommClosedError)

    def _map(
        self, process: ProcessTile, waiting: Iterator[int]
    ) -> Iterator[TileReport | TileNotice | None]:
        watched = self._watched = _Watched()
        # An old key would return the old future: each tile of each map gets its own.
        self._run = f"tiles-{uuid.uuid4().hex[:8]}"
        self.client.subscribe_topic(self._run, watched.note_start)
        finished: queue.SimpleQueue[tuple[int, Future]] = queue.SimpleQueue()
        try:
            self._hand_out(process, waiting, finished)
            looked = time.monotonic()
            while watched.copies:
                if time.monotonic() - looked >= LOOK_INTERVAL_S:
                    looked = time.monotonic()
                    self._hand_out(process, waiting, finished)
                    self._look_after(process, finished)
                while watched.notices:
                    yield watched.notices.popleft()
                try:
                    number, future = finished.get(timeout=LOOK_INTERVAL_S)
                except queue.Empty:
                    yield None
                    continue
                if number not in watched.copies:
                    continue  # the second copy of a tile that is done
                try:
                    report = self._take(number, future)
                except TimeoutError:
                    # Its worker is silent.  Ask again: it will answer, or the tile is done anew.
                    finished.put((number, future))
                    continue
                self._hand_out(process, waiting, finished)
                yield report
        finally:
            if self._connected:
                self.client.unsubscribe_topic(self._run)

    def drain(self) -> None:
        """Take back tiles that have not begun and wait for those that are running.

        A worker that is still busy after a while, or does not answer, is restarted: what it would
        have written is there, or is done again.  Threads, which nothing restarts, are waited for.
        Workers whose scheduler is lost end by themselves.
        """
        futures = [f for number in list(self._watched.copies) for f in self._watched.drop(number)]
        if not self._run:
            return
        try:
            self._take_back(futures)
        except Exception as error:
            if not self._tells_loss(error):
                raise

    def _take_back(self, futures: list[Future]) -> None:
        if not self._connected:
            return
        if futures:
            self.client.cancel(futures, force=True)
        for grace_s in (DRAIN_GRACE_S, DRAIN_LIMIT_S):
            busy = self._wait_idle(grace_s)
            if not busy:
                return
            try:
                self.client.restart_workers(busy, timeout=30, raise_for_error=False)
            except (ValueError, KeyError):  # nothing restarts it, or it has ended meanwhile
                continue
            return

    def _wait_idle(self, limit_s: float) -> list[str]:
        """Wait until no worker runs anything; return those that still do, or do not answer."""
        deadline = time.monotonic() + limit_s
        while True:
            busy = self._busy()
            if not busy or time.monotonic() >= deadline:
                return busy
            time.sleep(0.1)  # nothing tells when a task that was let go of ends: ask again

    def _busy(self) -> list[str]:
        try:
            return self._ask_running(None, ANSWER_LIMIT_S)
        except TimeoutError:
            pass
        busy = []
        for worker in list(self.client.nthreads()):
            try:
                busy += self._ask_running([worker], 1.0)
            except TimeoutError:
                busy.append(worker)
        return busy

    def _ask_running(self, workers: list[str] | None, limit_s: float) -> list[str]:
        counts = self.client.sync(
            self.client._run,
            partial(count_running, topic=self._run),
            workers=workers,
            on_error="ignore",
            callback_timeout=limit_s,
        )
        return [worker for worker, n in counts.items() if n]

    def _hand_out(
        self,
        process: ProcessTile,
        waiting: Iterator[int],
        finished: queue.SimpleQueue[tuple[int, Future]],
    ) -> None:
        """Hand out as many tiles as the workers of the moment have room for."""
        room = self._n_slots() - len(self._watched.copies)
        for number in itertools.islice(waiting, max(0, room)):
            self._submit(process, number, finished)

    def _n_slots(self) -> int:
        n_threads = sum(self.client.nthreads().values())
        # Workers may all be lost for a moment; then nothing new is handed out.
        if not n_threads and not self._watched.copies:
            raise JobError("the cluster has no workers.", "Start some and resume the job.")
        return int(n_threads) * self._tiles_in_flight

    def _submit(
        self,
        process: ProcessTile,
        number: int,
        finished: queue.SimpleQueue[tuple[int, Future]],
        workers: list[str] | None = None,
    ) -> None:
        copies = self._watched.copies.setdefault(number, [])
        future = self.client.submit(
            process_announced,
            process,
            number,
            self._run,
            key=f"{self._run}-{number}-{len(copies)}",
            workers=workers,
            pure=False,
        )
        copies.append(future)
        future.add_done_callback(lambda done: finished.put((number, done)))

    def _take(self, number: int, future: Future) -> TileReport:
        try:
            report: TileReport = future.result(timeout=LOOK_INTERVAL_S)
        except KilledWorker:
            raise JobError(
                f"tile {number} lost its worker {ALLOWED_WORKER_LOSSES} times over: "
                "it ran out of memory or crashed.",
                "Set smaller tiles or a larger --memory-limit, and resume the job.",
            ) from None
        except (FutureCancelledError, FuturesCancelledError) as error:
            raise _scheduler_lost(error) from None
        others = [copy for copy in self._watched.drop(number) if copy is not future]
        if others:
            self.client.cancel(others, force=True)
        future.release()
        self._watched.note_done(report)
        return report

    def _look_after(
        self, process: ProcessTile, finished: queue.SimpleQueue[tuple[int, Future]]
    ) -> None:
        """Copy stragglers to another worker, and restart workers whose tile takes too long."""
        watched, patience, now = self._watched, self._patience, time.monotonic()
        alive = list(self.client.nthreads())
        watched.note_lost(alive)
        if alive:
            watched.peopled = now
        elif now - watched.peopled > patience.empty_limit_s:
            raise JobError(
                f"no worker has been there for {patience.empty_limit_s:.0f} s: the last one ran "
                "out of memory or crashed.",
                "Set smaller tiles or a larger --memory-limit, and resume the job.",
            )
        usual = median(watched.seconds) if watched.seconds else float("inf")
        slow_s = max(patience.straggler_factor * usual, patience.straggler_least_s)
        ending = watched.n_done >= len(watched.copies)
        for number, began in list(watched.began.items()):
            running = {worker: now - at for worker, at in list(began.items()) if worker in alive}
            if number not in watched.copies or not running:
                continue
            limit = patience.tile_limit_s
            overdue = [w for w, s in running.items() if limit is not None and s > limit]
            if overdue:
                self._restart(number, overdue)
            elif ending and len(watched.copies[number]) == 1 and max(running.values()) > slow_s:
                others = [worker for worker in alive if worker not in running]
                if others:
                    self._submit(process, number, finished, others)

    def _restart(self, number: int, workers: list[str]) -> None:
        """Restart workers that hold a tile beyond its limit; the scheduler hands it out anew."""
        watched, limit = self._watched, self._patience.tile_limit_s
        watched.restarts[number] = watched.restarts.get(number, 0) + 1
        remedy = "Set smaller tiles or a longer tile_limit of the cluster, and resume the job."
        if watched.restarts[number] > 2:
            raise JobError(f"tile {number} exceeded its limit of {limit:g} s three times.", remedy)
        for worker in workers:
            watched.began[number].pop(worker, None)
            watched.lost.add(worker)
            watched.notices.append(TileNotice("lost", number, worker))
        try:
            self.client.restart_workers(workers, timeout=30, raise_for_error=False)
        except ValueError:
            raise JobError(
                f"tile {number} exceeded its limit of {limit:g} s on {workers[0]}, which nothing "
                "can restart.",
                remedy,
            ) from None
        except KeyError:
            return  # it has ended meanwhile: its tile is handed out anew


def _scheduler_lost(error: BaseException) -> JobError:
    what = str(error).partition("\n")[0].rstrip(".") or type(error).__name__
    return JobError(
        f"the Dask scheduler was lost: {what}.",
        "Finished tiles are kept: resume the job when a scheduler is there again.",
    )


def count_running(dask_worker: Any, topic: str) -> int:
    """Return how many tiles of a map occupy a thread of a worker; runs on the worker.

    Those of other jobs that share the cluster are none of its business.
    """
    return sum(str(task.key).startswith(topic) for task in dask_worker.state.all_running_tasks)
