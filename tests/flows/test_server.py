"""A job on a Prefect server that somebody else started shows there as what it is."""

import json
import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

from flows.jobs.status import list_jobs
from flows.server import TemporaryServer, template_path
from pipeline.stores.fingerprint import fingerprint_scan
from tests.flows.conftest import HOME

START_LIMIT_S = 120.0


def ask(api: str, path: str, body: dict[str, Any] | None = None) -> Any:
    """Ask the server; a body makes it a POST."""
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(api + path, data, {"Content-Type": "application/json"})
    with urllib.request.urlopen(request, timeout=30) as answer:
        return json.loads(answer.read())


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Return the address of a Prefect server in a process of its own."""
    tmp_path = tmp_path_factory.mktemp("server")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {
        **os.environ,
        "PREFECT_HOME": str(tmp_path / "prefect"),
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1",
    }
    command = [sys.executable, "-m", "prefect", "server", "start", "--port", str(port)]
    with (tmp_path / "server.log").open("wb") as log:
        process = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
    api = f"http://127.0.0.1:{port}/api"
    deadline = time.monotonic() + START_LIMIT_S
    try:
        while True:
            try:
                ask(api, "/health")
                break
            except (urllib.error.URLError, OSError):
                assert process.poll() is None, (tmp_path / "server.log").read_text()
                assert time.monotonic() < deadline, "the server did not answer"
                time.sleep(0.2)
        yield api
    finally:
        process.terminate()
        process.wait(30)


def castcensus(server: str, workspace: Path, *arguments: object) -> subprocess.Popen[str]:
    """Start a command that names the server."""
    return subprocess.Popen(
        [sys.executable, "-m", "flows.cli", *map(str, arguments), "--workspace", str(workspace)],
        env={**os.environ, "PREFECT_API_URL": server, "PYTHONPATH": HOME},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def run(server: str, workspace: Path, *arguments: object) -> str:
    """Run a command that names the server to its end, and return what it printed."""
    process = castcensus(server, workspace, *arguments)
    out, err = process.communicate(timeout=240)
    assert process.returncode == 0, err
    return out


GIVEN = ("--scan", "s", "--voxel-um", "2", "--set", "condition.mask=none")


@pytest.fixture(scope="module")
def shown(server: str, volume: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    """Return a job that nothing disturbed, and its workspace."""
    workspace = tmp_path_factory.mktemp("shown") / "workspace"
    out = run(server, workspace, "submit", volume, *GIVEN, "--cluster", "loop", "--json")
    return json.loads(out)["job"], workspace


@pytest.mark.cluster
def test_a_running_server_shows_the_job_and_its_stages(
    server: str, shown: tuple[str, Path]
) -> None:
    job, workspace = shown
    (found,) = ask(server, "/flow_runs/filter", {"flow_runs": {"name": {"any_": [job]}}})
    assert found["state_type"] == "COMPLETED"
    tasks = ask(server, "/task_runs/filter", {"flow_runs": {"id": {"any_": [found["id"]]}}})
    assert {task["name"] for task in tasks} >= {"ingest", "condition", "label", "present"}
    artifacts = ask(server, "/artifacts/filter", {"flow_runs": {"id": {"any_": [found["id"]]}}})
    assert {artifact["type"] for artifact in artifacts} == {"progress"}
    # No server of the job's own was started beside it.
    assert not (workspace / "prefect" / "prefect.db").exists()


@pytest.mark.cluster
def test_a_temporary_server_starts_from_an_empty_database_that_is_kept(tmp_path: Path) -> None:
    for name in ("first", "second"):
        server = TemporaryServer(tmp_path / name)
        server.begin()
        try:
            api = server.answer()
            assert server.answer() == api
            assert ask(api, "/flow_runs/filter", {}) == []
            ask(api, "/flows/", {"name": name})
            assert [flow["name"] for flow in ask(api, "/flows/filter", {})] == [name]
            assert (tmp_path / name / "prefect.db").is_file()
        finally:
            server.end()
        assert template_path().is_file()
    with pytest.raises(urllib.error.URLError):
        ask(api, "/health")


def test_a_job_cancelled_through_the_server_leaves_no_process_and_is_resumed_to_the_same(
    server: str, shown: tuple[str, Path], volume: Path, tmp_path: Path
) -> None:
    workspace = tmp_path / "workspace"
    small = ("--workers", "1", "--set", "tiling.tile_shape=[12,12,12]")
    with castcensus(server, workspace, "submit", volume, *GIVEN, *small) as driver:
        deadline = time.monotonic() + START_LIMIT_S
        while not any(log.stat().st_size for log in workspace.glob("jobs/*/ledger/ingest.log")):
            assert driver.poll() is None, driver.communicate()
            assert time.monotonic() < deadline
            time.sleep(0.05)
        servants = psutil.Process(driver.pid).children(recursive=True)
        assert len(servants) >= 2
        (job,) = list_jobs(workspace)
        named = {"flow_runs": {"name": {"any_": [job.job]}}}
        (shown_run,) = ask(server, "/flow_runs/filter", named)
        began = time.monotonic()
        cancelling = {"state": {"type": "CANCELLING"}}
        ask(server, f"/flow_runs/{shown_run['id']}/set_state", cancelling)
        _, said = driver.communicate(timeout=60)
    assert time.monotonic() - began < 30  # 10 s where nothing else runs
    assert (driver.returncode, "Traceback" in said) == (5, False)
    assert "castcensus resume s-" in said
    assert psutil.wait_procs(servants, timeout=10)[1] == []
    (shown_run,) = ask(server, "/flow_runs/filter", named)
    assert shown_run["state_type"] == "CANCELLED"
    (job,) = list_jobs(workspace)
    assert job.state == "cancelled"
    run(server, workspace, "resume", "s")
    states = {found["state_type"] for found in ask(server, "/flow_runs/filter", named)}
    assert states == {"CANCELLED", "COMPLETED"}
    assert fingerprint_scan(workspace, "s") == fingerprint_scan(shown[1], "s")
