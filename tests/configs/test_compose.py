"""The services of docker/compose.yaml, started by their own commands without containers.

A real Prefect server on a real PostgreSQL, a Dask scheduler and workers: a job is submitted to
them, cancelled, resumed, and ends in the fingerprint of the plain loop.
"""

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml

from tests.limits.faults import Job, ask, cluster_file, free_port, listens, started, wait_until

COMPOSE = Path(__file__).parents[2] / "docker" / "compose.yaml"
SERVICES: dict[str, Any] = yaml.safe_load(COMPOSE.read_text(encoding="utf-8"))["services"]


def find_postgres() -> Path:
    """Return the folder of PostgreSQL's programs; its absence is a failure in CI."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if os.geteuid() != 0:
        pytest.skip("only the superuser becomes the user postgres")
    if not found:
        message = "no PostgreSQL is installed: apt-get install postgresql"
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail(message)
        pytest.skip(message)
    return found[-1].parent


@contextmanager
def postgres(folder: Path, port: int) -> Iterator[None]:
    """Run PostgreSQL as its own user, as the image does, with the service's own user and base."""
    programs = find_postgres()
    values = SERVICES["database"]["environment"]
    data = folder / "data"
    folder.chmod(0o777)
    for parent in [folder, *folder.parents]:
        if parent != Path("/"):
            parent.chmod(parent.stat().st_mode | 0o111)
    as_postgres = ["runuser", "-u", "postgres", "--"]
    user = values["POSTGRES_USER"]
    initdb = [str(programs / "initdb"), "-D", str(data), "-U", user, "--auth=trust", "--no-sync"]
    subprocess.run([*as_postgres, *initdb], check=True, capture_output=True, cwd="/")
    server = [str(programs / "postgres"), "-D", str(data), "-p", str(port), "-k", str(folder)]
    with started(*as_postgres, *server, log=folder / "postgres.log"):
        check = [
            *SERVICES["database"]["healthcheck"]["test"][1:],
            "-h",
            "127.0.0.1",
            "-p",
            str(port),
        ]
        check[0] = str(programs / check[0])

        def healthy() -> bool:
            return subprocess.run(check, check=False, capture_output=True).returncode == 0

        wait_until("PostgreSQL", healthy, 60)
        createdb = [str(programs / "createdb"), "-h", "127.0.0.1", "-p", str(port), "-U", user]
        subprocess.run([*createdb, values["POSTGRES_DB"]], check=True)
        yield


def command_of(name: str, replaced: dict[str, str]) -> list[str]:
    """Return the command of a service, with places that only containers know replaced."""
    service = SERVICES[name]
    words = [*service["entrypoint"], *service["command"]]
    for old, new in replaced.items():
        words = [word.replace(old, new) for word in words]
    program = {"prefect": "prefect", "dask": "dask"}[words[0]]
    return [sys.executable, "-m", program, *words[1:]]


def is_healthy(name: str, replaced: dict[str, str]) -> bool:
    """Run the health check of a service."""
    words = SERVICES[name]["healthcheck"]["test"][1:]
    for old, new in replaced.items():
        words = [word.replace(old, new) for word in words]
    words[0] = sys.executable
    return subprocess.run(words, check=False, capture_output=True).returncode == 0


def test_every_long_running_service_has_a_health_check_and_waits_for_others() -> None:
    assert set(SERVICES) == {"database", "prefect", "scheduler", "worker", "castcensus"}
    for name, service in SERVICES.items():
        assert name == "castcensus" or service["healthcheck"]["test"][0] == "CMD"
        for other, wish in service.get("depends_on", {}).items():
            assert wish == {"condition": "service_healthy"}
            assert "healthcheck" in SERVICES[other]
        assert name == "database" or service["image"] == SERVICES["castcensus"]["image"]
    cluster = yaml.safe_load((COMPOSE.parent / "compose-cluster.yaml").read_text(encoding="utf-8"))
    assert cluster["address"] in SERVICES["worker"]["command"]


@pytest.mark.cluster
@pytest.mark.timeout(900)
def test_a_job_is_submitted_cancelled_and_resumed_on_the_services(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    np.save(tmp_path / "v.npy", rng.normal(1000, 200, (48, 48, 48)).astype(np.uint16))
    given = ("--voxel-um", "2", "--recipe", "one-phase", "--set", "segment.thresholds=[1300]")
    calm = Job(tmp_path / "calm", tmp_path / "v.npy", tile=16, more=(*given, "--cluster", "loop"))
    base, api, dask = free_port(), free_port(), free_port()
    replaced = {"4200": str(api), "8786": str(dask), "0.0.0.0": "127.0.0.1"}
    replaced |= {"tcp://scheduler": "tcp://127.0.0.1", "/tmp": str(tmp_path), "3GiB": "2GiB"}
    url = SERVICES["prefect"]["environment"]["PREFECT_API_DATABASE_CONNECTION_URL"]
    url = url.replace("${DATABASE_PASSWORD:-prefect}", "prefect")
    url = url.replace("database:5432", f"127.0.0.1:{base}")
    with ExitStack() as stack:
        place = tmp_path / "database"
        place.mkdir()
        stack.enter_context(postgres(place, base))
        settings = {**SERVICES["prefect"]["environment"]}
        settings |= {
            "PREFECT_API_DATABASE_CONNECTION_URL": url,
            "PREFECT_HOME": str(tmp_path / "p"),
        }
        for name, more in (("prefect", settings), ("scheduler", {}), ("worker", {})):
            command = command_of(name, replaced)
            log = tmp_path / f"{name}.log"
            stack.enter_context(started(*command, log=log, **more))
            if name != "worker":
                wait_until(log.name, lambda name=name: is_healthy(name, replaced), 240)
        assert listens(dask)
        file = cluster_file(tmp_path, kind="existing", address=f"tcp://127.0.0.1:{dask}")
        job = Job(
            tmp_path / "w", tmp_path / "v.npy", tile=16, more=(*given, "--cluster", str(file))
        )
        job.environment["PREFECT_API_URL"] = f"http://127.0.0.1:{api}/api"
        driver = job.start()
        wait_until("a tile", lambda: job.n_records() > 0 or driver.poll() is not None)
        assert is_healthy("worker", replaced)
        assert job.folder is not None
        job.ask("cancel", job.folder.name)
        _, err = driver.communicate(timeout=240)
        assert driver.returncode == 5, err
        fingerprint = job.run()
        runs = ask(job.environment["PREFECT_API_URL"], "/flow_runs/filter", {})
        assert sorted(run["state_type"] for run in runs) == ["CANCELLED", "COMPLETED"]
        assert {run["name"] for run in runs} == {job.folder.name}
        tables = ["-tAc", "select count(*) from flow_run"]
        where = ["-h", "127.0.0.1", "-p", str(base), "-U", "prefect", "prefect"]
        counted = subprocess.run(
            [shutil.which("psql") or "psql", *tables, *where], capture_output=True, check=True
        )
        assert int(counted.stdout) == 2
    assert fingerprint == calm.run()
