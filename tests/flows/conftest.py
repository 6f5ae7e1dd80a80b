"""The command line as its users meet it, and a small volume of bodies that cross tiles."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import flows
from flows.cli.main import main

HOME = str(Path(next(iter(flows.__path__))).parent)


class CommandLine:
    """Runs commands in processes of their own, in one folder."""

    def __init__(self, cwd: Path) -> None:
        self.cwd = cwd

    def start(self, *arguments: object) -> subprocess.Popen[str]:
        """Start a command in a process group of its own, as a terminal would."""
        kept = {
            k: v for k, v in os.environ.items() if not k.startswith(("CASTCENSUS_", "PREFECT_"))
        }
        return subprocess.Popen(
            [sys.executable, "-m", "flows.cli", *map(str, arguments)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=self.cwd,
            env={**kept, "PYTHONPATH": HOME},
            start_new_session=True,
        )

    def __call__(self, *arguments: object, status: int = 0) -> tuple[str, str]:
        """Run a command to its end, check its exit status, and return what it printed."""
        process = self.start(*arguments)
        out, err = process.communicate(timeout=240)
        assert process.returncode == status, f"{process.returncode}\n{out}\n{err}"
        assert "Traceback" not in err
        return out, err

    def json(self, *arguments: object) -> Any:
        """Run a command with --json and return what it printed."""
        return json.loads(self(*arguments, "--json")[0])


@pytest.fixture
def castcensus(tmp_path: Path) -> CommandLine:
    return CommandLine(tmp_path)


@pytest.fixture
def run_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[str, str]]:
    """Return what runs a command in this process, a tenth of the time of one of its own.

    Not for commands that start a job: they set up libraries for the whole process.
    """
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("CASTCENSUS_")]:
        monkeypatch.delenv(name)

    def run_main(*arguments: object, status: int = 0) -> tuple[str, str]:
        monkeypatch.setattr("sys.argv", ["castcensus", *map(str, arguments)])
        got = None
        try:
            main()
        except SystemExit as ended:
            got = ended.code
        out, err = capsys.readouterr()
        assert (got or 0) == status, f"{got}\n{out}\n{err}"
        return out, err

    return run_main


@pytest.fixture(scope="session")
def run_command() -> type[CommandLine]:
    return CommandLine


@pytest.fixture(scope="session")
def volume(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a NumPy file: smooth noise, so that one threshold leaves a few dozen bodies."""
    rng = np.random.default_rng(7)
    grey = rng.normal(size=(48, 48, 48))
    for axis in range(3):
        for _ in range(3):
            grey = (np.roll(grey, 1, axis) + grey + np.roll(grey, -1, axis)) / 3
    path = tmp_path_factory.mktemp("volume") / "grey.npy"
    np.save(path, (1000 + 200 * grey / grey.std()).astype(np.uint16))
    return path
