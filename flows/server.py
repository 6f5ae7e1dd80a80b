"""Prefect's temporary server, where no running one is named: started beside other work.

Prefect would start it where the first request is made, and keep everybody waiting; it would also
load the server into this process.  Whoever imports this module has called
`flows.settings.prepare_environment`.
"""

from __future__ import annotations

import atexit
import http.client
import importlib.metadata
import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from importlib.resources import files
from pathlib import Path

from filelock import FileLock
from prefect.client.orchestration import get_client
from prefect.settings import PREFECT_API_URL, get_current_settings, temporary_settings

from flows.cluster import interrupts_held
from pipeline.errors import JobError

ATTEMPTS = 3
"""How often a server is started that ends at once: another process may have taken its port."""

END_LIMIT_S = 5.0
"""How long a server may take to end before it is killed."""


class TemporaryServer:
    """A server in a process of its own, which ends with this process, however that ends.

    Its database stays in Prefect's home.  A new one is made by all of Prefect's migrations, some
    five seconds of processor time: what the first one on a machine comes to is kept beside the
    compiled code, and copied from then on.

    Parameters
    ----------
    home : Path
        Prefect's home.
    """

    def __init__(self, home: Path) -> None:
        self.database = home / "prefect.db"
        self._starting = FileLock(home / "start.lock")
        self._process: subprocess.Popen[bytes] | None = None
        self._guard: subprocess.Popen[bytes] | None = None
        self._port = 0
        self._n_starts = 0
        self._is_new = False

    def begin(self) -> None:
        """Start the process and return at once; databases are made by one process at a time."""
        if self._process is not None and self._process.poll() is None:
            return
        self.database.parent.mkdir(parents=True, exist_ok=True)
        self._starting.acquire()
        self._is_new = not self.database.exists() and not self._copy_template()
        self._n_starts = 0
        self._start()
        atexit.register(self.end)

    def answer(self) -> str:
        """Return the address of the server once it answers.

        Raises
        ------
        JobError
            If it does not.
        """
        if not self._starting.is_locked:
            return self._address
        try:
            limit_s = get_current_settings().server.ephemeral.startup_timeout_seconds
            deadline = time.monotonic() + limit_s
            while not self._is_healthy():
                assert self._process is not None
                if self._process.poll() is not None and self._n_starts < ATTEMPTS:
                    self._start()
                elif self._process.poll() is not None or time.monotonic() > deadline:
                    raise _unanswered(f"it was started {self._n_starts} times")
                time.sleep(0.05)
            if self._is_new:
                self._keep_template()
        finally:
            self.release()
        return self._address

    def release(self) -> None:
        """Let others start theirs."""
        self._starting.release()

    def end(self) -> None:
        """End the server."""
        if self._process is None:
            return
        self._process.terminate()
        try:
            self._process.wait(END_LIMIT_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process = None

    @property
    def _address(self) -> str:
        return f"http://127.0.0.1:{self._port}/api"

    def _start(self) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self._port = probe.getsockname()[1]
        self._n_starts += 1
        environment = {
            **os.environ,
            # As Prefect starts it: no pages, no services that look after other people's runs.
            "PREFECT_UI_ENABLED": "0",
            "PREFECT__SERVER_EPHEMERAL": "1",
            "PREFECT__SERVER_FINAL": "1",
            **get_current_settings().to_environment_variables(exclude_unset=True),
            "PREFECT_HOME": str(self.database.parent),
        }
        command = [sys.executable, "-m", "uvicorn", "--factory"]
        command += ["prefect.server.api.server:create_app", "--host", "127.0.0.1"]
        command += ["--port", str(self._port), "--log-level", "critical", "--lifespan", "on"]
        with interrupts_held():
            self._process = subprocess.Popen(command, env=environment)  # noqa: S603 - ours
        # A small shell waits at the end of a pipe for this process to end, and ends the server.
        script = f"read -r _; kill {self._process.pid} 2>/dev/null"
        self._guard = subprocess.Popen(  # noqa: S603 - the command is ours
            ["/bin/sh", "-c", script],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )

    def _is_healthy(self) -> bool:
        connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=5)
        with closing(connection), suppress(OSError, http.client.HTTPException):
            connection.request("GET", "/api/health")
            return connection.getresponse().status == 200
        return False

    def _copy_template(self) -> bool:
        if "PREFECT_API_DATABASE_CONNECTION_URL" in os.environ:
            return False
        partial = self.database.with_suffix(f".{os.getpid()}.partial")
        try:
            shutil.copyfile(template_path(), partial)
            partial.replace(self.database)
        except OSError:
            return False
        return True

    def _keep_template(self) -> None:
        """Keep the database of a server that has seen no run yet, if there is a place for it."""
        template = template_path()
        partial = template.with_suffix(f".{os.getpid()}.partial")
        try:
            template.parent.mkdir(exist_ok=True)
            with (
                closing(sqlite3.connect(f"{self.database.as_uri()}?mode=ro", uri=True)) as made,
                closing(sqlite3.connect(partial)) as kept,
            ):
                made.backup(kept)
            partial.replace(template)
        except (OSError, sqlite3.Error):
            partial.unlink(missing_ok=True)


def template_path() -> Path:
    """Return where the empty database of this version of Prefect is kept on this machine."""
    version = importlib.metadata.version("prefect")
    return Path(str(files("flows"))) / "__pycache__" / f"prefect-{version}.db"


_SERVERS: dict[Path, TemporaryServer] = {}


@contextmanager
def begun_server() -> Iterator[TemporaryServer | None]:
    """Begin to start a temporary server, one a process.

    Yields
    ------
    TemporaryServer or None
        None where a running one is named.
    """
    settings = get_current_settings()
    if settings.api.url is not None:
        yield None
        return
    server = _SERVERS.setdefault(settings.home, TemporaryServer(settings.home))
    try:
        server.begin()
        yield server
    finally:
        server.release()


@contextmanager
def served(server: TemporaryServer | None) -> Iterator[None]:
    """Have Prefect use a server inside the block: the temporary one, or the one that is named.

    Parameters
    ----------
    server : TemporaryServer or None
        As `begun_server` yields it.

    Yields
    ------
    None
        Once it answers.

    Raises
    ------
    JobError
        If it does not answer.
    """
    if server is not None:
        with temporary_settings({PREFECT_API_URL: server.answer()}):
            yield
        return
    with get_client(sync_client=True) as client:
        error = client.api_healthcheck()
    if error is not None:
        raise _unanswered(str(error))
    yield


def _unanswered(why: str) -> JobError:
    return JobError(
        f"the Prefect server does not answer: {why}.",
        "Check PREFECT_API_URL, or unset it to use a temporary server; then resume the job.",
    )
