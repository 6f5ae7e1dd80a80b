"""Whatever dies, a job ends in the fingerprint of the undisturbed run.

`python -m tests.benchmarks.faults` does the same many times over.
"""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from tests.limits.faults import (
    GIVEN,
    Job,
    cluster_file,
    dask_scheduler,
    dask_workers,
    free_port,
    prefect_server,
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


def test_the_memory_limit_of_workers_is_named_and_a_larger_one_resumes(
    calm: Job, tmp_path: Path
) -> None:
    port = free_port()
    file = cluster_file(tmp_path, kind="existing", address=f"tcp://127.0.0.1:{port}")
    job = Job(tmp_path / "w", calm.source, tile=16, more=(*GIVEN, "--cluster", str(file)))
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
