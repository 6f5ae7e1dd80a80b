"""The stages by name, and the one function that workers call."""

from __future__ import annotations

import os
import platform
import resource
import sys
import time
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Protocol

from pipeline.errors import DamageError
from pipeline.model.plan import Plan
from pipeline.model.reports import TileReport
from pipeline.stages.anatomy import AnatomyStage
from pipeline.stages.catalogue import CatalogueStage
from pipeline.stages.condition import ConditionStage
from pipeline.stages.distances import DistancesStage
from pipeline.stages.flatten import FlattenStage
from pipeline.stages.ingest import IngestStage
from pipeline.stages.label import LabelStage
from pipeline.stages.match import MatchStage
from pipeline.stages.present import PresentStage
from pipeline.stages.reduce import ReduceStage
from pipeline.stages.seams import SeamsStage
from pipeline.stages.segment import SegmentStage
from pipeline.stages.statistics import StatisticsStage
from pipeline.stages.stress import StressStage
from pipeline.stages.survey import SurveyStage
from pipeline.stores.durability import written_together
from pipeline.stores.job import JobFolder
from pipeline.stores.volume import prepare_process


class Stage(Protocol):
    """One stage of a job, opened once a process.

    `process` is idempotent: it reads, computes and writes one tile, and doing it twice, or twice
    at the same time, leaves the same bytes.  `fold` runs once on the driver, after all tiles.
    """

    def prepare(self) -> None:
        """Create what tiles write into; runs on the driver, before any tile."""
        ...

    def process(self, number: int) -> int:
        """Do one tile and return the number of voxels of its core."""
        ...

    def fold(self) -> None:
        """Reduce what the tiles left into the stage's product."""
        ...


STAGES: dict[str, Callable[[JobFolder, Plan], Stage]] = {
    "ingest": IngestStage,
    "survey": SurveyStage,
    "flatten": FlattenStage,
    "condition": ConditionStage,
    "segment": SegmentStage,
    "label": LabelStage,
    "seams": SeamsStage,
    "reduce": ReduceStage,
    "anatomy": AnatomyStage,
    "distances": DistancesStage,
    "statistics": StatisticsStage,
    "catalogue": CatalogueStage,
    "present": PresentStage,
    "stress": StressStage,
    "match": MatchStage,
}


@lru_cache(maxsize=4)
def open_stage(job: str, name: str, key: str) -> Stage:
    """Open a stage of a job, once a process for each key.

    Raises
    ------
    DamageError
        If the plan on disk is another one than the caller's.
    """
    folder = JobFolder(Path(job))
    plan = folder.read_plan()
    prepare_process(plan.durable)
    if plan.stage(name).key != key:
        raise DamageError(f"{folder.path} holds another plan than the one that is run.")
    return STAGES[name](folder, plan)


def process_tile(job: str, name: str, key: str, number: int) -> TileReport:
    """Do one tile of a stage: what a scheduler sends to a worker.

    Parameters
    ----------
    job : str
        Folder of the job, reachable from the worker.
    name, key : str
        Stage and its key in the plan.
    number : int
        Tile in raster order.

    Returns
    -------
    TileReport
        A few numbers; all data are in files.
    """
    start = time.perf_counter()
    try:
        with written_together():
            n_voxels = open_stage(job, name, key).process(number)
    except Exception as error:
        error.tile = number  # type: ignore[attr-defined]  # travels with the error, also pickled
        raise
    return TileReport(
        number=number,
        n_voxels=n_voxels,
        seconds=time.perf_counter() - start,
        worker=f"{platform.node()}:{os.getpid()}",
        peak_bytes=peak_resident_bytes(),
    )


def peak_resident_bytes() -> int:
    """Return the peak resident size of this process so far.

    Linux hands the peak that `getrusage` tells down to programs that a large process starts, so
    there the kernel's own mark of this program is read.
    """
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii")
        return int(status.split("VmHWM:")[1].split()[0]) * 1024
    except (OSError, IndexError, ValueError):
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        # macOS counts in bytes, others in KiB.
        return peak if sys.platform == "darwin" else peak * 1024
