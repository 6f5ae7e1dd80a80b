"""Workers that a real SSH daemon starts on this machine."""

import os
import shutil
import subprocess
import time
from collections import Counter
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from flows.cluster import open_cluster
from flows.settings import ClusterConfig, ClusterSize
from pipeline.errors import JobError
from pipeline.model.reports import TileReport
from tests.flows.conftest import HOME
from tests.limits.faults import free_port, listens, started, wait_until

CONFIGURATION = """
Host {host}
    HostName 127.0.0.1
    Port {port}
    User root
    IdentityFile {folder}/own
    UserKnownHostsFile {folder}/.ssh/known_hosts
"""


def note(folder: str, number: int) -> TileReport:
    """Leave a file that names the daemon's connection."""
    Path(folder, f"{number}.{os.getpid()}").write_text(os.environ["SSH_CONNECTION"])
    time.sleep(0.01)
    return TileReport(number, 1, 0.01, str(os.getpid()), 1)


def make_key(path: Path) -> str:
    """Make a key without a passphrase and return its public half."""
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(path)], check=True)
    return path.with_suffix(".pub").read_text(encoding="ascii")


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Start a daemon, and return a home folder whose user it lets in."""
    daemon = shutil.which("sshd") or "/usr/sbin/sshd"
    if not Path(daemon).exists() or os.geteuid() != 0:
        pytest.skip("an SSH daemon cannot be started here: openssh-server, and the superuser")
    pytest.importorskip("asyncssh")
    folder, port = tmp_path / "home", free_port()
    (folder / ".ssh").mkdir(parents=True)
    (folder / "authorized").write_text(make_key(folder / "own"), encoding="ascii")
    known = make_key(folder / "hosts")
    (folder / ".ssh" / "known_hosts").write_text(f"[127.0.0.1]:{port} {known}", encoding="ascii")
    told = CONFIGURATION.format(host="localhost node", port=port, folder=folder)
    (folder / ".ssh" / "config").write_text(told, encoding="utf-8")
    Path("/run/sshd").mkdir(exist_ok=True)
    options = {
        "HostKey": folder / "hosts",
        "AuthorizedKeysFile": folder / "authorized",
        "ListenAddress": "127.0.0.1",
        "PidFile": "none",
        "StrictModes": "no",
        "PermitRootLogin": "prohibit-password",
        "SetEnv": f"PYTHONPATH={HOME}",
    }
    command = [daemon, "-D", "-e", "-f", "/dev/null", "-p", str(port)]
    command += [f"-o{name}={value}" for name, value in options.items()]
    monkeypatch.setenv("HOME", str(folder))
    with started(*command, log=tmp_path / "sshd.log"):
        wait_until("the SSH daemon", lambda: listens(port), 30)
        yield folder


@pytest.mark.cluster
def test_workers_over_ssh_report_each_tile_once(home: Path, tmp_path: Path) -> None:
    config = ClusterConfig(kind="ssh", hosts=("node",))
    noted = tmp_path / "noted"
    noted.mkdir()
    with open_cluster(config, ClusterSize(1, 1, 1 << 30)) as map_tiles:
        told = list(map_tiles(partial(note, str(noted)), range(12)))
    assert sorted(r.number for r in told if isinstance(r, TileReport)) == list(range(12))
    assert Counter(int(f.name.split(".")[0]) for f in noted.iterdir()) == Counter(range(12))
    (worker,) = {f.name.split(".")[1] for f in noted.iterdir()}
    assert worker != str(os.getpid())
    wait_until("the worker to end", lambda: not Path("/proc", worker).exists(), 30)


@pytest.mark.cluster
def test_a_host_that_lets_nobody_in_is_named(home: Path) -> None:
    (home / "authorized").write_text("", encoding="ascii")
    with (
        pytest.raises(JobError, match=r"did not start: .*[Pp]ermission denied"),
        open_cluster(ClusterConfig(kind="ssh", hosts=("node",)), ClusterSize(1, 1, 1 << 30)),
    ):
        pass
