"""Jobs of a workspace as Prometheus metrics, read from their status files when somebody asks."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import get_args

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from flows.jobs.status import JobStatus, State, list_jobs

SHOWN_JOBS = 50
"""Newest jobs that get series of their own; the counts by state are of all."""


class JobCollector(Collector):
    """Metrics of the jobs of a workspace.

    Parameters
    ----------
    workspace : Path
        The workspace.
    """

    def __init__(self, workspace: Path) -> None:
        self._workspace = workspace

    def collect(self) -> Iterator[Metric]:
        """Read the statuses of the jobs.

        Yields
        ------
        Metric
            The metrics as they are now.
        """
        statuses = list_jobs(self._workspace)
        jobs = GaugeMetricFamily("castcensus_jobs", "Jobs by state.", labels=["state"])
        for state in get_args(State):
            jobs.add_metric([state], sum(status.state == state for status in statuses))
        yield jobs
        shown = statuses[:SHOWN_JOBS]
        yield from _gauges(shown)
        yield from _counters(shown)
        seconds = GaugeMetricFamily(
            "castcensus_job_stage_seconds",
            "Wall time of finished stages in s.",
            labels=["job", "scan", "stage"],
        )
        for status in shown:
            for stage, value in status.stage_seconds.items():
                seconds.add_metric([status.job, status.scan, stage], value)
        yield seconds


def make_registry(workspace: Path) -> CollectorRegistry:
    """Return a registry that holds the metrics of a workspace's jobs and nothing else."""
    registry = CollectorRegistry()
    registry.register(JobCollector(workspace))
    return registry


def _gauges(statuses: list[JobStatus]) -> Iterator[Metric]:
    facts = {
        "tiles": ("Tiles of the stage under way.", "n_tiles"),
        "tiles_done": ("Tiles of the stage under way that are done.", "n_done"),
        "voxels_per_second": ("Speed of the stage under way; of the job when it is done.", ""),
        "peak_worker_bytes": ("Largest resident size of a worker.", "peak_worker_bytes"),
        "planned_worker_bytes": ("What the plan projects for it.", "planned_worker_bytes"),
        "seconds": ("Wall time of the job in s, all its runs.", "seconds"),
    }
    for name, (text, field) in facts.items():
        family = GaugeMetricFamily(
            f"castcensus_job_{name}", text, labels=["job", "scan", "stage", "state"]
        )
        for status in statuses:
            value = getattr(status, field) if field else _speed(status)
            if value is not None:
                labels = [status.job, status.scan, status.stage or "", status.state]
                family.add_metric(labels, value)
        yield family


def _counters(statuses: list[JobStatus]) -> Iterator[Metric]:
    facts = {
        "tiles_retried": ("Tiles begun again in all stages.", "n_retried_all"),
        "worker_losses": ("Workers that ended with a tile unfinished.", "n_worker_losses"),
    }
    for name, (text, field) in facts.items():
        family = CounterMetricFamily(f"castcensus_job_{name}", text, labels=["job", "scan"])
        for status in statuses:
            family.add_metric([status.job, status.scan], getattr(status, field))
        yield family


def _speed(status: JobStatus) -> float | None:
    return status.result.voxels_per_s if status.result else status.voxels_per_s
