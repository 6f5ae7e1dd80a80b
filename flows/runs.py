"""The Prefect flow of a job, one task a stage: it shows and records, and does no arithmetic.

Whoever imports this module calls `flows.settings.prepare_environment` first: Prefect reads its
settings when it is imported.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from contextvars import copy_context
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any
from uuid import UUID

from httpx import HTTPError
from prefect import flow, get_client, task
from prefect.artifacts import create_progress_artifact, update_progress_artifact
from prefect.cache_policies import NO_CACHE
from prefect.context import FlowRunContext
from prefect.exceptions import (
    CancelledRun,
    ObjectNotFound,
    PrefectException,
    TerminationSignal,
)
from prefect.states import Cancelled, State

from flows.cluster import open_cluster
from flows.server import begun_server, served
from flows.settings import ClusterConfig, fit_cluster, read_machine
from pipeline.errors import CancelledError, JobError
from pipeline.run import (
    MapTiles,
    OnProgress,
    Progress,
    ShouldStop,
    ignore_progress,
    never_stop,
    run_stage,
)
from pipeline.stages.warm import warm_kernels
from pipeline.stores.job import JobFolder

CANCEL_INTERVAL_S = 2.0
"""How often a running server is asked whether the run shall be cancelled."""

ARTIFACT_INTERVAL_S = 5.0
"""Shortest time between two progress reports to Prefect: each is a request to its server."""

ARTIFACT_PATIENCE_S = 3.0
"""How long the end of a stage waits for its last report to arrive."""

OpenCluster = Callable[[], AbstractContextManager[MapTiles]]

_LOG = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Watch:
    """Who is told of a job's progress, and who may stop it.

    `is_public` says whether others know the job's server, and may stop it there.
    """

    on_progress: OnProgress = ignore_progress
    should_stop: ShouldStop = never_stop
    is_public: bool = False


@dataclass(slots=True)
class ProgressBoard:
    """Progress of one stage as a Prefect artifact, written seldom, and never waited for long.

    A server that is slow or gone must not hold up a job: reports are written in a thread of their
    own, one at a time, and one that fails is passed over.
    """

    stage: str
    _artifact: UUID | None = None
    _written: float = field(default=float("-inf"))
    _writing: threading.Thread | None = None

    def show(self, progress: Progress) -> None:
        """Write the progress if the last report is old enough and has arrived."""
        now = time.monotonic()
        if not progress.finished and (now - self._written < ARTIFACT_INTERVAL_S or self._busy(0.0)):
            return
        if self._busy(ARTIFACT_PATIENCE_S):
            return
        self._written = now
        percent = 100.0 if progress.finished else 100.0 * progress.n_done / max(progress.n_tiles, 1)
        # The context tells Prefect which run the artifact belongs to.
        self._writing = threading.Thread(
            target=copy_context().run, args=(self._write, percent), daemon=True
        )
        self._writing.start()
        if progress.finished:
            self._busy(ARTIFACT_PATIENCE_S)

    def _busy(self, patience_s: float) -> bool:
        if self._writing is None:
            return False
        self._writing.join(patience_s)
        return self._writing.is_alive()

    def _write(self, percent: float) -> None:
        try:
            if self._artifact is None:
                created: Any = create_progress_artifact(
                    percent, key=f"stage-{self.stage}", description=f"Tiles of stage {self.stage}"
                )
                self._artifact = created
            else:
                update_progress_artifact(self._artifact, percent)
        except (HTTPError, PrefectException) as error:
            _LOG.warning("Prefect took no progress of stage %s: %s", self.stage, error)


@task(
    name="stage",
    task_run_name="{name}",
    persist_result=False,
    cache_policy=NO_CACHE,
    retries=0,
)
def stage_task(job: str, name: str, map_tiles: MapTiles, watch: Watch) -> State[None] | None:
    """Do one stage of a job; a stage that was stopped ends as cancelled, not as failed."""
    board = ProgressBoard(name)

    def tell(progress: Progress) -> None:
        watch.on_progress(progress)
        board.show(progress)

    try:
        run_stage(Path(job), name, map_tiles, tell, watch.should_stop)
    except CancelledError as error:
        return Cancelled(message=error.what)
    return None


@flow(
    name="census",
    persist_result=False,
    validate_parameters=False,
    retries=0,
)
def census_flow(job: str, opener: OpenCluster, watch: Watch) -> State[None] | None:
    """Do every stage of a job that is not finished, on a cluster that lives as long as the flow.

    Parameters
    ----------
    job : str
        Folder of the job.
    opener : callable
        Opens what tiles are mapped on; Prefect looks into arguments, and would use up what is open.
    watch : Watch
        Who is told, and who may stop it.
    """
    plan = JobFolder(Path(job)).read_plan()
    with watched_cancel(watch) as watch, opener() as map_tiles:
        for stage in plan.stages:
            # A task that returns a state hands it to its caller as a value; it does not raise.
            stopped = stage_task(job, stage.name, map_tiles, watch)
            if stopped is not None:
                return stopped
    return None


@contextmanager
def watched_cancel(watch: Watch) -> Iterator[Watch]:
    """Have a wish to stop heard inside the block that somebody sets through Prefect's API.

    A temporary server of this process's own is asked nothing: nobody else knows it.  One that does
    not answer is asked again: it may come back.
    """
    context = FlowRunContext.get()
    run = context.flow_run if context else None
    if run is None or not watch.is_public:
        yield watch
        return
    wished, over = threading.Event(), threading.Event()

    def look() -> None:
        with get_client(sync_client=True) as client:
            while not over.wait(CANCEL_INTERVAL_S):
                try:
                    state = client.read_flow_run(run.id).state
                except (HTTPError, ObjectNotFound):
                    continue
                if state is not None and (state.is_cancelling() or state.is_cancelled()):
                    wished.set()
                    return

    # A thread begins with an empty context; Prefect keeps its settings there.
    looking = threading.Thread(
        target=copy_context().run, args=(look,), daemon=True, name="cancel-watch"
    )
    looking.start()
    try:
        yield Watch(watch.on_progress, lambda: wished.is_set() or watch.should_stop())
    finally:
        over.set()


def run_census(
    job: Path, cluster: ClusterConfig, on_progress: OnProgress, should_stop: ShouldStop
) -> None:
    """Run a job through Prefect.

    Parameters
    ----------
    job : Path
        Folder of the job.
    cluster : ClusterConfig
        On what to map tiles.
    on_progress : callable
        Told of every tile.
    should_stop : callable
        Asked after every tile.

    Raises
    ------
    CastcensusError
        What a stage raised, as it was raised.
    CancelledError
        If `should_stop` said so.
    KeyboardInterrupt
        If the process was asked to end.
    JobError
        If the Prefect server was gone for longer than a minute where a run begins or ends.
    """
    plan = JobFolder(job).read_plan()
    named = census_flow.with_options(flow_run_name=job.name)
    try:
        with begun_server() as server, ExitStack() as stack:
            # A cold kernel cache that several starting workers fill at once has crashed.
            warm_kernels()
            size = fit_cluster(cluster, plan, read_machine())
            opener: OpenCluster = partial(open_cluster, cluster, size)
            if server is not None:
                # Workers start while the server does.
                opener = _hand_over(stack.enter_context(opener()))
            stack.enter_context(served(server))
            named(str(job), opener, Watch(on_progress, should_stop, is_public=server is None))
    except CancelledRun:
        raise CancelledError(
            f"job {job.name} was stopped.", f"Go on with: castcensus resume {job.name}"
        ) from None
    except TerminationSignal:
        raise KeyboardInterrupt from None
    except HTTPError as error:
        raise JobError(
            f"the Prefect server was lost: {error}.",
            "Bring it back, or unset PREFECT_API_URL to use a temporary one; then resume the job.",
        ) from None


def _hand_over(map_tiles: MapTiles) -> OpenCluster:
    """Return what opens nothing, since all is open."""
    return lambda: nullcontext(map_tiles)
