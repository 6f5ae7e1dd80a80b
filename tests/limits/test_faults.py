"""Whatever dies, a job ends in the fingerprint of the undisturbed run.

`python -m tests.benchmarks.faults` does the same many times over.
"""

from __future__ import annotations

import os
import random
import re
import shutil
import subprocess
import time
from contextlib import ExitStack
from pathlib import Path

import pytest
from distributed import Client

from tests.limits.faults import (
    GIVEN,
    Job,
    cluster_file,
    count_rows,
    dask_scheduler,
    dask_worker_on,
    dask_workers,
    fill_disk,
    free_port,
    hosts,
    kill_workers_in_every_stage,
    prefect_server,
    small_disk,
    wait_until,
    write_balls,
)

pytestmark = [pytest.mark.cluster, pytest.mark.timeout(900)]


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a volume of a few dozen particles."""
    return write_balls(tmp_path_factory.mktemp("source") / "grey.npy", 64, seed=3)


@pytest.fixture(scope="module")
def calm(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Job:
    """Return the job that nothing disturbs, done."""
    more = (*GIVEN, "--cluster", "loop")
    job = Job(tmp_path_factory.mktemp("calm"), source, tile=16, more=more)
    job.run()
    return job


def test_a_worker_killed_in_every_stage(calm: Job, tmp_path: Path) -> None:
    job = Job(tmp_path, calm.source, tile=16, more=(*GIVEN, "--workers", "1"))
    kills = kill_workers_in_every_stage(job, 8, random.Random(1))
    assert sum(kills.values()) >= 4, kills
    assert set(kills) <= set(job.stages_with_tiles())
    assert job.fingerprint() == calm.fingerprint()
    assert count_rows(tmp_path) == count_rows(calm.workspace)
    assert not list(tmp_path.rglob("*.partial*"))


def test_a_scheduler_that_dies_and_workers_that_are_too_small_are_named_and_resumed(
    calm: Job, tmp_path: Path
) -> None:
    port = free_port()
    file = cluster_file(tmp_path, kind="existing", address=f"tcp://127.0.0.1:{port}")
    job = Job(tmp_path / "w", calm.source, tile=16, more=(*GIVEN, "--cluster", str(file)))
    with dask_scheduler(tmp_path, port) as scheduler, dask_workers(tmp_path, port, 1):
        driver = job.start()
        job.wait_for("condition", driver)
        scheduler.kill()
        began = time.monotonic()
        _, err = driver.communicate(timeout=120)
        assert time.monotonic() - began < 60
        assert driver.returncode == 5, err
        assert "the Dask scheduler was lost" in err
        assert "resume the job" in err
        assert not {"Traceback", "distributed"} & set(re.findall(r"\w+", err))
    with dask_scheduler(tmp_path, port):
        with dask_workers(tmp_path, port, 1, memory="240MiB"):
            driver = job.start()
            _, err = driver.communicate(timeout=400)
            assert driver.returncode == 5, err
            assert "out of memory" in err
        with dask_workers(tmp_path, port, 1):
            assert job.run() == calm.fingerprint()


def test_a_prefect_server_that_is_stopped_and_comes_back(calm: Job, tmp_path: Path) -> None:
    port = free_port()
    job = Job(tmp_path / "w", calm.source, tile=16, more=(*GIVEN, "--cluster", "loop"))
    with prefect_server(tmp_path, port) as api:
        job.environment["PREFECT_API_URL"] = api
        driver = job.start()
        job.wait_for("ingest", driver)
    began = time.monotonic()
    stages = len(job.stages())
    wait_until("the job to go on alone", lambda: len(job.stages()) > stages + 1)
    assert time.monotonic() - began < 60
    with prefect_server(tmp_path, port):
        _, err = driver.communicate(timeout=300)
        assert driver.returncode == 0, err
        assert job.fingerprint() == calm.fingerprint()


def test_a_disk_that_fills_up_is_named_and_the_job_resumed(calm: Job, tmp_path: Path) -> None:
    if os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("only the superuser mounts a small disk")
    with small_disk(tmp_path / "disk", 64 << 20) as disk:
        job = Job(disk / "w", calm.source, tile=16, more=(*GIVEN, "--cluster", "loop"))
        driver = job.start()
        job.wait_for("condition", driver)
        ballast = fill_disk(disk)
        _, err = driver.communicate(timeout=120)
        assert driver.returncode == 1, err
        assert "No space left on device" in err
        assert "Free some disk" in err
        assert "Traceback" not in err
        ballast.unlink()
        assert job.run() == calm.fingerprint()
        assert count_rows(job.workspace) == count_rows(calm.workspace)


@pytest.mark.slow
def test_a_host_that_is_cut_off_loses_its_tiles_to_another(calm: Job, tmp_path: Path) -> None:
    may = os.geteuid() == 0 and shutil.which("ip") is not None
    if not may or subprocess.run(["unshare", "--net", "true"], check=False).returncode:
        pytest.skip("only the superuser makes network namespaces, where the kernel lets him")
    port = free_port()
    file = cluster_file(tmp_path, kind="existing", address=f"tcp://127.0.0.1:{port}")
    job = Job(tmp_path / "w", calm.source, tile=16, more=(*GIVEN, "--cluster", str(file)))
    with hosts(2) as made, dask_scheduler(tmp_path, port, "0.0.0.0"), ExitStack() as workers:
        for host in made:
            workers.enter_context(dask_worker_on(host, tmp_path, port))
        wait_until("both hosts", lambda: n_workers(port) == 2)
        driver = job.start()
        job.wait_for("condition", driver)
        made[0].cut()
        _, err = driver.communicate(timeout=400)
        assert driver.returncode == 0, err
        assert job.fingerprint() == calm.fingerprint()
        assert count_rows(job.workspace) == count_rows(calm.workspace)
        assert job.folder is not None
        events = (job.folder / "events.jsonl").read_text()
        assert re.search("tile copied|worker lost", events), events


def n_workers(port: int) -> int:
    """Return how many workers a scheduler has."""
    with Client(f"tcp://127.0.0.1:{port}", set_as_default=False) as client:
        return len(client.nthreads())
