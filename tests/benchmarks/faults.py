"""Many random faults over a run of small jobs: none is lost, no row is lost or doubled.

`python -m tests.benchmarks.faults --faults 100 --seed 1` writes a small volume, counts it
undisturbed, and then again and again in one workspace, with a fault drawn every few tiles: a worker
killed or frozen, the driver killed or interrupted, the job cancelled, the Prefect server restarted.
A job that ended without a result is resumed.  `--in-every-stage 10` kills a worker in every stage
of one job instead.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import ExitStack, suppress
from pathlib import Path

import psutil

from tests.limits.faults import (
    GIVEN,
    POLL_S,
    Job,
    cluster_file,
    count_rows,
    free_port,
    kill_workers_in_every_stage,
    prefect_server,
    run_undisturbed,
    signal_worker,
)

FAULTS = {
    "worker killed": 8,
    "worker frozen": 2,
    "driver killed": 4,
    "driver interrupted": 2,
    "cancelled": 2,
    "server restarted": 1,
}
"""Kinds of faults, and how often each is drawn."""

RUNS_MAX = 40
"""Starts of one job after which it counts as lost."""


class Night:
    """Jobs that are disturbed one after the other, and what became of them."""

    def __init__(self, folder: Path, choose: random.Random, gap: int) -> None:
        self.folder, self.choose, self.gap = folder, choose, gap
        self.faults: Counter[str] = Counter()
        self.frozen: list[psutil.Process] = []
        self.port = free_port()
        self.server = ExitStack()
        self.api = self.server.enter_context(prefect_server(folder, self.port))

    def disturb(self, job: Job, driver: subprocess.Popen[str]) -> None:
        """Do one fault of a random kind to a running job."""
        (kind,) = self.choose.choices(list(FAULTS), list(FAULTS.values()))
        if kind.startswith("worker"):
            number = signal.SIGKILL if kind == "worker killed" else signal.SIGSTOP
            worker = signal_worker(driver.pid, number, self.choose)
            if worker is None:
                return
            if number == signal.SIGSTOP:
                self.frozen.append(worker)
        elif kind.startswith("driver"):
            driver.send_signal(signal.SIGKILL if kind == "driver killed" else signal.SIGINT)
        elif kind == "cancelled":
            if job.folder is not None:
                (job.folder / "cancel").touch()
        else:
            self.server.close()
            self.api = self.server.enter_context(prefect_server(self.folder, self.port))
        self.faults[kind] += 1

    def thaw(self) -> None:
        """Let workers go on that are still frozen: those of a killed driver then end themselves."""
        for worker in self.frozen:
            with suppress(psutil.Error):
                worker.send_signal(signal.SIGCONT)
        self.frozen.clear()

    def run(self, job: Job, n_faults: int) -> int:
        """Run a job to its result with some faults; return how often it was started."""
        left = n_faults
        for n_runs in range(1, RUNS_MAX + 1):
            job.environment["PREFECT_API_URL"] = self.api
            driver = job.start()
            due = job.n_records() + self.choose.randint(1, self.gap)
            while driver.poll() is None:
                if left and job.n_records() >= due:
                    before = sum(self.faults.values())
                    self.disturb(job, driver)
                    left -= sum(self.faults.values()) - before
                    due = job.n_records() + self.choose.randint(1, self.gap)
                time.sleep(POLL_S)
            self.thaw()
            _, err = driver.communicate()
            if driver.returncode == 0:
                return n_runs
            if driver.returncode not in (-signal.SIGKILL, 5, 130):
                print(f"{job.scan}: exit status {driver.returncode}: {err}", file=sys.stderr)
        return RUNS_MAX + 1


def main() -> None:
    """Disturb, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--faults", type=int, default=100)
    parser.add_argument("--a-job", type=int, default=10, help="faults of one job")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", type=int, default=64)
    parser.add_argument("--tile", type=int, default=16)
    parser.add_argument("--gap", type=int, default=40, help="most tiles between two faults")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--tile-limit-s", type=float, default=30.0)
    parser.add_argument("--in-every-stage", type=int, metavar="KILLS")
    given = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source, wanted, rows = run_undisturbed(folder, given.size, given.tile, given.seed)
        cluster = cluster_file(
            folder, kind="local", n_workers=given.workers, tile_limit_s=given.tile_limit_s
        )
        more = (*GIVEN, "--cluster", str(cluster))
        if given.in_every_stage:
            job = Job(folder / "kills", source, tile=given.tile, more=more)
            kills = kill_workers_in_every_stage(
                job, given.in_every_stage, random.Random(given.seed)
            )
            print(f"workers killed: {dict(kills)}")
            same = job.fingerprint() == wanted and count_rows(job.workspace)["specimen"] == rows
            print("the undisturbed fingerprint" if same else "ANOTHER FINGERPRINT")
            sys.exit(not same)
        night = Night(folder, random.Random(given.seed), given.gap)
        lost = differing = n_jobs = n_runs = 0
        doubled = missing = 0
        while sum(night.faults.values()) < given.faults:
            n_jobs += 1
            # One workspace each: a job takes stages over from another of its own, and the scan's
            # name is part of the fingerprint.
            job = Job(folder / f"night{n_jobs}", source, tile=given.tile, more=more)
            runs = night.run(job, min(given.a_job, given.faults - sum(night.faults.values())))
            n_runs += runs
            lost += runs > RUNS_MAX
            differing += runs <= RUNS_MAX and job.fingerprint() != wanted
            n_rows, n_distinct = count_rows(job.workspace).get(job.scan, (0, 0))
            doubled += n_rows - n_distinct
            missing += rows[1] - n_distinct
            told = ", ".join(f"{n} {kind}" for kind, n in sorted(night.faults.items()))
            print(
                f"{time.monotonic() - began:6.0f} s  job {n_jobs}: {runs} runs; {told}; "
                f"{lost} lost, {differing} differing, rows {missing} lost, {doubled} doubled",
                flush=True,
            )
        night.server.close()
    print(f"{sum(night.faults.values())} faults, {n_jobs} jobs, {n_runs} runs")
    print(f"jobs lost {lost}, other fingerprints {differing}, rows of a job {rows[1]}")
    print(f"rows lost {missing}, rows doubled {doubled}, seed {given.seed}")
    sys.exit(bool(lost or differing or doubled or missing))


if __name__ == "__main__":
    main()
