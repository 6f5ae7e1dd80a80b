"""Jobs as a user starts them, disturbed by real kills of real processes.

`tests/limits/test_faults.py` holds each fault on a small volume, `tests/benchmarks/faults.py` runs
many.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pyarrow.compute as pc
import yaml

from pipeline.stores.catalogue import Catalogue

WAIT_S = 600.0
POLL_S = 0.005


GIVEN = ("--voxel-um", "2", "--set", "condition.denoise.method=none")
"""Arguments of `submit` for the volume of `write_balls`."""


def write_balls(path: Path, size: int, seed: int) -> Path:
    """Write a NumPy file: balls of three phases in grey with noise, some hundred particles."""
    rng = np.random.default_rng(seed)
    grey = rng.normal(10_000, 300, (size,) * 3)
    z, y, x = np.indices(grey.shape)
    for level in (4_000, 16_000, 24_000):
        for c in rng.uniform(4, size - 4, (size**3 // 10_000, 3)):
            inside = (z - c[0]) ** 2 + (y - c[1]) ** 2 + (x - c[2]) ** 2 < rng.uniform(8, 25)
            grey[inside] = rng.normal(level, 300, np.count_nonzero(inside))
    np.save(path, grey.astype(np.uint16))
    return path


def wait_until(what: str, ready: Any, limit_s: float = WAIT_S) -> None:
    """Wait until something holds; fail with its name."""
    deadline = time.monotonic() + limit_s
    while not ready():
        assert time.monotonic() < deadline, f"waited {limit_s:.0f} s for {what}"
        time.sleep(POLL_S)


@dataclass
class Job:
    """A scan that is submitted with `castcensus`, and gone on with as often as it is disturbed.

    `more` are further arguments of `submit`; `environment` is added to this process's own.
    """

    workspace: Path
    source: Path
    scan: str = "specimen"
    tile: int = 32
    more: tuple[str, ...] = ("--workers", "2")
    environment: dict[str, str] = field(default_factory=dict)

    def start(self) -> subprocess.Popen[str]:
        """Submit the scan, or resume its job if there is one."""
        if self.folder is None:
            tile = f"tiling.tile_shape=[{self.tile},{self.tile},{self.tile}]"
            command = ["submit", str(self.source), "--scan", self.scan, "--set", tile]
            return self._start(*command, *self.more, "--json")
        return self._start("resume", self.folder.name, "--json")

    def ask(self, *command: str) -> str:
        """Run another command of castcensus on the workspace and return what it prints."""
        process = self._start(*command)
        out, err = process.communicate(timeout=WAIT_S)
        assert process.returncode == 0, err
        return out.strip()

    def run(self) -> str:
        """Run the job undisturbed and return its fingerprint."""
        process = self.start()
        out, err = process.communicate(timeout=WAIT_S)
        assert process.returncode == 0, err
        assert json.loads(out)["state"] == "done"
        return self.fingerprint()

    def fingerprint(self) -> str:
        """Return what `castcensus fingerprint` prints."""
        return self.ask("fingerprint", self.scan)

    @property
    def folder(self) -> Path | None:
        """Folder of the scan's newest job."""
        found = sorted(self.workspace.glob(f"jobs/{self.scan}-*/status.json"))
        return found[-1].parent if found else None

    def stages(self) -> dict[str, tuple[int, bool]]:
        """Return the tiles on record of each stage that has begun, and whether it is sealed."""
        found = {}
        for ledger in sorted(self.folder.glob("ledger/*.log")) if self.folder else []:
            data = ledger.read_bytes()
            found[ledger.stem] = (data.count(b'"tile"'), b'"sealed"' in data)
        return found

    def stages_with_tiles(self) -> list[str]:
        """Return the stages of the job's plan that workers take part in."""
        assert self.folder is not None
        plan = json.loads((self.folder / "plan.json").read_bytes())
        return [stage["name"] for stage in plan["stages"] if stage["n_tiles"]]

    def under_way(self, n_tiles: int = 1) -> str | None:
        """Return the stage that has so many tiles on record and is not sealed, if any."""
        open_stages = [s for s, (n, sealed) in self.stages().items() if n >= n_tiles and not sealed]
        return open_stages[0] if open_stages else None

    def n_records(self) -> int:
        """Return the tiles on record of all stages together."""
        return sum(n for n, _ in self.stages().values())

    def wait_for(self, stage: str, driver: subprocess.Popen[str]) -> None:
        """Wait until some, not all, tiles of a stage are on record."""
        wait_until(
            f"stage {stage}", lambda: self.under_way(2) == stage or driver.poll() is not None
        )
        assert driver.poll() is None, driver.communicate()

    def _start(self, *command: str) -> subprocess.Popen[str]:
        kept = {k: v for k, v in os.environ.items() if not k.startswith("CASTCENSUS_")}
        return subprocess.Popen(
            [sys.executable, "-m", "flows.cli", *command, "--workspace", str(self.workspace)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**kept, **self.environment},
            start_new_session=True,
        )


def find_workers(parent: int) -> list[psutil.Process]:
    """Return the live worker processes below a process: those that were spawned."""
    found = []
    with suppress(psutil.Error):
        for child in psutil.Process(parent).children(recursive=True):
            with suppress(psutil.Error):
                if "spawn_main" in " ".join(child.cmdline()):
                    found.append(child)
    return found


def signal_worker(parent: int, number: int, choose: random.Random) -> psutil.Process | None:
    """Send a signal to one of the workers below a process, and return it if there was one."""
    workers = find_workers(parent)
    if not workers:
        return None
    with suppress(psutil.Error):
        worker = choose.choice(workers)
        worker.send_signal(number)
        return worker
    return None


def kill_workers_in_every_stage(job: Job, n_kills: int, choose: random.Random) -> Counter[str]:
    """Run a job while workers are killed: one in every stage first, then wherever it is.

    Returns the kills by stage; the job has ended when it returns.
    """
    driver, kills, seen = job.start(), Counter[str](), -1
    wait_until("the job", lambda: job.folder is not None or driver.poll() is not None)
    n_stages = len(job.stages_with_tiles())
    while driver.poll() is None:
        stage = job.under_way()
        # A tile gives up after ten losses, so kills are spread: never two without a tile between.
        if stage and sum(kills.values()) < n_kills and job.n_records() > seen:
            spare = n_kills - sum(kills.values()) > n_stages - len(kills)
            if (not kills[stage] or spare) and signal_worker(driver.pid, signal.SIGKILL, choose):
                kills[stage] += 1
                seen = job.n_records()
        time.sleep(POLL_S)
    _, err = driver.communicate()
    assert driver.returncode == 0, err
    return kills


def free_port() -> int:
    """Return a port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def started(*command: str, log: Path, **environment: str) -> Iterator[subprocess.Popen[bytes]]:
    """Run a service inside the block; whatever it started ends with it."""
    with log.open("ab") as out:
        service = subprocess.Popen(
            command,
            stdout=out,
            stderr=out,
            env={**os.environ, **environment},
            start_new_session=True,
        )
    try:
        yield service
    finally:
        with suppress(ProcessLookupError):
            os.killpg(service.pid, signal.SIGTERM)
        try:
            service.wait(20)
        except subprocess.TimeoutExpired:
            os.killpg(service.pid, signal.SIGKILL)
            service.wait(20)


@contextmanager
def prefect_server(folder: Path, port: int, **environment: str) -> Iterator[str]:
    """Run a Prefect server, in processes of its own, inside the block; yield its address."""
    command = [sys.executable, "-m", "prefect", "server", "start", "--port", str(port)]
    settings = {
        "PREFECT_HOME": str(folder / "prefect"),
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1",
        **environment,
    }
    api = f"http://127.0.0.1:{port}/api"
    with started(*command, log=folder / "server.log", **settings) as server:

        def answers() -> bool:
            assert server.poll() is None, (folder / "server.log").read_text()
            try:
                return bool(ask(api, "/health"))
            except (urllib.error.URLError, OSError):
                return False

        wait_until("the Prefect server", answers)
        yield api


def ask(api: str, path: str, body: dict[str, Any] | None = None) -> Any:
    """Ask a Prefect server; a body makes it a POST."""
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(api + path, data, {"Content-Type": "application/json"})
    with urllib.request.urlopen(request, timeout=30) as answer:
        return json.loads(answer.read())


@contextmanager
def dask_scheduler(
    folder: Path, port: int, host: str = "127.0.0.1"
) -> Iterator[subprocess.Popen[bytes]]:
    """Run a Dask scheduler as its operators do, inside the block."""
    command = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--no-dashboard"]
    command += ["--host", host, "--port", str(port), "--no-show"]
    with started(*command, log=folder / "scheduler.log") as scheduler:
        wait_until("the scheduler", lambda: listens(port))
        yield scheduler


@contextmanager
def dask_workers(folder: Path, port: int, n_workers: int, memory: str = "2GiB") -> Iterator[int]:
    """Run Dask workers, each under a nanny, inside the block."""
    command = [sys.executable, "-m", "distributed.cli.dask_worker", f"tcp://127.0.0.1:{port}"]
    command += ["--nworkers", str(n_workers), "--nthreads", "1", "--memory-limit", memory]
    command += ["--no-dashboard", "--local-directory", str(folder)]
    with started(*command, log=folder / "workers.log") as workers:
        yield workers.pid


@dataclass(frozen=True)
class Host:
    """A network namespace: what runs in it meets this machine on one wire.

    `gateway` is this machine's address on it, `address` the host's own.
    """

    name: str
    gateway: str
    address: str

    def cut(self) -> None:
        """Take the wire away; nobody is told that connections have ended."""
        subprocess.run(["ip", "link", "set", f"{self.name}-near", "down"], check=True)


@contextmanager
def hosts(n_hosts: int) -> Iterator[list[Host]]:
    """Make hosts with a wire each to this machine inside the block."""
    made = []
    try:
        for number in range(1, n_hosts + 1):
            host = Host(f"cc{os.getpid()}{number}", f"10.213.{number}.1", f"10.213.{number}.2")
            near, far = f"{host.name}-near", f"{host.name}-far"
            subprocess.run(["ip", "netns", "add", host.name], check=True)
            made.append(host)
            within = ["-n", host.name]
            for command in (
                ["link", "add", near, "type", "veth", "peer", "name", far, "netns", host.name],
                ["address", "add", f"{host.gateway}/24", "dev", near],
                ["link", "set", near, "up"],
                [*within, "address", "add", f"{host.address}/24", "dev", far],
                [*within, "link", "set", far, "up"],
                [*within, "link", "set", "lo", "up"],
            ):
                subprocess.run(["ip", *command], check=True)
        yield made
    finally:
        for host in made:
            subprocess.run(["ip", "netns", "delete", host.name], check=True)


@contextmanager
def dask_worker_on(host: Host, folder: Path, port: int) -> Iterator[int]:
    """Run a Dask worker under a nanny on a host, inside the block."""
    command = ["ip", "netns", "exec", host.name, sys.executable]
    command += ["-m", "distributed.cli.dask_worker", f"tcp://{host.gateway}:{port}"]
    command += ["--host", host.address, "--nworkers", "1", "--nthreads", "1", "--no-dashboard"]
    command += ["--memory-limit", "2GiB", "--local-directory", str(folder / host.name)]
    with started(*command, log=folder / f"{host.name}.log") as worker:
        yield worker.pid


def listens(port: int) -> bool:
    """Tell whether something listens on a port of this machine."""
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def cluster_file(folder: Path, **values: Any) -> Path:
    """Write a cluster file."""
    path = folder / f"{values['kind']}.yaml"
    path.write_text(yaml.safe_dump(values), encoding="utf-8")
    return path


@contextmanager
def small_disk(place: Path, n_bytes: int) -> Iterator[Path]:
    """Mount a small file system in memory inside the block."""
    place.mkdir(parents=True)
    subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={n_bytes}", "none", str(place)], check=True
    )
    try:
        yield place
    finally:
        subprocess.run(["umount", "--lazy", str(place)], check=True)


def fill_disk(place: Path) -> Path:
    """Write a file that leaves no byte free, and return it."""
    ballast = place / "ballast"
    with ballast.open("wb", buffering=0) as file, suppress(OSError):
        free = shutil.disk_usage(place).free
        file.write(bytes(max(free - (1 << 16), 0)))
        while True:
            file.write(bytes(4096))
    return ballast


def flip_bit(path: Path, choose: random.Random) -> None:
    """Flip one bit of a file."""
    data = bytearray(path.read_bytes())
    data[choose.randrange(len(data))] ^= 1 << choose.randrange(8)
    path.write_bytes(data)


def count_rows(workspace: Path) -> dict[str, tuple[int, int]]:
    """Return rows of `particles` of each scan, and how many of them are distinct particles."""
    rows = Catalogue(workspace / "catalogue").read(
        "particles", columns=["scan_id", "phase", "particle_id"]
    )
    found = {}
    for scan in pc.unique(rows["scan_id"]).to_pylist():
        own = rows.filter(pc.equal(rows["scan_id"], scan))
        found[scan] = (len(own), len(own.group_by(own.column_names).aggregate([])))
    return found


def run_undisturbed(
    folder: Path, size: int, tile: int, seed: int
) -> tuple[Path, str, tuple[int, int]]:
    """Write a volume and run its job; return its path, the fingerprint, and its rows as counted."""
    source = write_balls(folder / "source.npy", size, seed)
    calm = Job(folder / "calm", source, tile=tile, more=(*GIVEN, "--cluster", "loop"))
    return source, calm.run(), count_rows(calm.workspace)["specimen"]
