"""What a driver writes of its job while it runs: its status, and what happens, line by line.

``status.json`` is replaced by rename and is always whole, from any process and any host.
``events.jsonl`` has a line of JSON for each thing that happened: stages, tiles that were retried or
failed, workers that were lost, and how the job ended.  Finished tiles stand in the ledger.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections import deque
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any

from flows.jobs.status import (
    Incident,
    JobResult,
    JobStatus,
    RunningTile,
    State,
    driven_by,
    events_file,
    failure_of,
    now,
    write_status,
)
from pipeline.errors import CastcensusError
from pipeline.model.reports import TileNotice
from pipeline.run import OnProgress, Progress
from pipeline.stores.job import JobFolder

STATUS_INTERVAL_S = 1.0
"""Shortest time between two writings of a job's status."""

HEARTBEAT_S = 5.0
"""Longest time between two writings: other hosts judge a driver by its silence."""

SHOWN_INCIDENTS = 5
"""Incidents that the status keeps; all stand among the events."""

SPEED_WINDOW = 64
"""Last tiles whose pace tells how long the rest will take."""


class Recorder:
    """Keeps the status file and the events of a running job, and passes progress on.

    Parameters
    ----------
    folder : JobFolder
        The job.
    status : JobStatus
        Status as it was before.
    tell : callable
        Told of every tile.
    """

    def __init__(self, folder: JobFolder, status: JobStatus, tell: OnProgress) -> None:
        self._folder = folder
        self._tell = tell
        self._began: float | None = None
        self._written = time.monotonic()
        self._before_s = status.seconds
        self._lock = threading.RLock()
        self._stage = _StagePace()
        self._running: dict[int, RunningTile] = {}
        self._state: State = status.state
        self._over = threading.Event()
        fresh = status.model_copy(update={"error": None, "result": None})
        self.status = driven_by(fresh, os.getpid())
        self._heart = threading.Thread(target=self._beat, daemon=True, name="status")
        self._heart.start()

    @property
    def seconds(self) -> float:
        """Wall time of the job so far, all its runs together, without waiting."""
        return self._before_s + (time.monotonic() - self._began if self._began else 0.0)

    def begin(self) -> None:
        """Count the time from now on: the job runs."""
        self._began = time.monotonic()
        self.write("running")

    def __call__(self, progress: Progress) -> None:
        """Take progress in, and write the status if the last one is old enough."""
        with self._lock:
            self._take(progress)
            if time.monotonic() - self._written >= STATUS_INTERVAL_S:
                self.write("running")
        self._tell(progress)

    def write(
        self, state: State, error: CastcensusError | None = None, result: JobResult | None = None
    ) -> None:
        """Write the status now."""
        with self._lock:
            if state != self._state:
                failure = failure_of(error, self.status.stage) if error else None
                self.log(state, **(failure.model_dump(exclude={"stage"}) if failure else {}))
            self._state, self._written = state, time.monotonic()
            if state != "running":
                self._running.clear()
            self.status = self.status.model_copy(
                update={
                    "state": state,
                    "seconds": round(self.seconds, 3),
                    "updated_at": now(),
                    "running": tuple(sorted(self._running.values(), key=lambda t: t.tile)),
                    "error": failure_of(error, self.status.stage) if error else None,
                    "result": result,
                }
            )
            write_status(self._folder, self.status)

    def close(self) -> None:
        """Stop writing."""
        self._over.set()
        self._heart.join()

    def log(self, event: str, **facts: Any) -> None:
        """Append a line to the events of the job; a full disk takes the line, not the job."""
        line = {
            "time": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "event": event,
            "job": self.status.job,
            "scan": self.status.scan,
            "stage": self.status.stage,
            **{name: value for name, value in facts.items() if value is not None},
        }
        with self._lock, suppress(OSError), events_file(self._folder).open("ab") as file:
            file.write(json.dumps(line).encode() + b"\n")

    def _beat(self) -> None:
        while not self._over.wait(HEARTBEAT_S):
            # A status that cannot be written is met by the driver itself, with its remedy.
            with self._lock, suppress(CastcensusError):
                silent_s = time.monotonic() - self._written
                if silent_s >= HEARTBEAT_S and self._state in ("queued", "running"):
                    self.write(self._state)

    def _take(self, progress: Progress) -> None:
        update: dict[str, Any] = {"n_tiles": progress.n_tiles, "n_done": progress.n_done}
        begins = progress.stage != self.status.stage
        if begins:
            self._stage = _StagePace()
            self._running.clear()
            update |= {"stage": progress.stage, "n_retried": 0}
        self.status = self.status.model_copy(update=update)
        if begins and not progress.finished:
            self.log("stage began", tiles=progress.n_tiles, done=progress.n_done)
        report = progress.report
        if progress.notice is not None:
            self._note(progress.notice)
        elif report is not None:
            self._running.pop(report.number, None)
            self._stage.take(report.n_voxels)
            peak = max(self.status.peak_worker_bytes, report.peak_bytes)
            left = progress.n_tiles - progress.n_done
            self.status = self.status.model_copy(
                update={
                    "voxels_per_s": self._stage.voxels_per_s,
                    "stage_left_s": self._stage.left_s(left),
                    "peak_worker_bytes": peak,
                }
            )
        elif progress.finished:
            self._finish_stage(progress)

    def _finish_stage(self, progress: Progress) -> None:
        took = round(time.monotonic() - self._stage.began, 3)
        self.log("stage ended", seconds=took, reused_from=progress.reused_from)
        times = {**self.status.stage_seconds}
        if not progress.reused_from:
            times[progress.stage] = round(times.get(progress.stage, 0.0) + took, 3)
        self.status = self.status.model_copy(
            update={"stage_seconds": times, "voxels_per_s": None, "stage_left_s": None}
        )

    def _note(self, notice: TileNotice) -> None:
        tile, worker = notice.number, notice.worker
        if notice.kind == "lost":
            self._running.pop(tile, None)
            self._tell_of("worker lost", tile, worker, ("n_worker_losses",))
            return
        self._running[tile] = RunningTile(tile=tile, worker=worker, since=now())
        if notice.kind == "retried":
            self._tell_of("tile retried", tile, worker, ("n_retried", "n_retried_all"))
        elif notice.kind == "copied":
            self.log("tile copied", tile=tile, worker=worker)

    def _tell_of(self, event: str, tile: int, worker: str, counters: tuple[str, ...]) -> None:
        self.log(event, tile=tile, worker=worker)
        incident = Incident(
            at=now(), event=event, stage=self.status.stage or "", tile=tile, worker=worker
        )
        self.status = self.status.model_copy(
            update={
                **{name: getattr(self.status, name) + 1 for name in counters},
                "incidents": (*self.status.incidents, incident)[-SHOWN_INCIDENTS:],
            }
        )


class _StagePace:
    """How fast tiles of one stage are finished in this run."""

    def __init__(self) -> None:
        self.began = time.monotonic()
        self._n_voxels = 0
        self._ends: deque[float] = deque([self.began], maxlen=SPEED_WINDOW)

    def take(self, n_voxels: int) -> None:
        self._n_voxels += n_voxels
        self._ends.append(time.monotonic())

    @property
    def voxels_per_s(self) -> float:
        return self._n_voxels / max(time.monotonic() - self.began, 1e-9)

    def left_s(self, n_tiles: int) -> float:
        """Return how long tiles will take at the pace of the last ones."""
        return round(n_tiles * (self._ends[-1] - self._ends[0]) / (len(self._ends) - 1), 1)
