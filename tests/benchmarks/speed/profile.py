"""Where the time of each stage goes: reading, kernels, writing, the rest; on one process.

`python -m tests.benchmarks.speed.profile --size 256` prints a table.  Times are exclusive: a kernel
that is called while a file is read counts as kernel alone.
"""

from __future__ import annotations

import argparse
import importlib
import pkgutil
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from types import FunctionType
from typing import Any

import pipeline.stages
from pipeline.stages.registry import open_stage, process_tile
from pipeline.stores.job import JobFolder
from tests.benchmarks.speed.jobs import plan_job, simulate

READING = ("read_box", "read_arrays")
WRITING = ("write_tile", "write_arrays", "write_whole", "write_partly")


class Clock:
    """Exclusive seconds by kind of work."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self.names: dict[tuple[str, str], float] = defaultdict(float)
        self._open: list[list[Any]] = []

    def watch(self, kind: str, name: str, work: Callable[..., Any]) -> Callable[..., Any]:
        """Return the function, with its time noted under a kind."""

        def watched(*args: Any, **kwargs: Any) -> Any:
            self._open.append([kind, 0.0])
            start = time.perf_counter()
            try:
                return work(*args, **kwargs)
            finally:
                took = time.perf_counter() - start
                inner = self._open.pop()[1]
                self.seconds[kind] += took - inner
                self.names[kind, name] += took - inner
                if self._open:
                    self._open[-1][1] += took

        return watched


def watch_stages(clock: Clock) -> None:
    """Put a clock about everything that the stages' modules call by name."""
    for info in pkgutil.iter_modules(pipeline.stages.__path__):
        module = importlib.import_module(f"pipeline.stages.{info.name}")
        for name, value in list(vars(module).items()):
            home = getattr(value, "__module__", "") or ""
            if name in READING:
                setattr(module, name, clock.watch("read", name, value))
            elif name in WRITING:
                setattr(module, name, clock.watch("write", name, value))
            elif home.startswith("pipeline.kernels") and not isinstance(value, type):
                setattr(module, name, clock.watch("kernels", name, value))
            elif name == "open_planned" and isinstance(value, FunctionType):
                setattr(module, name, _watch_source(clock, value))


def _watch_source(clock: Clock, opener: Callable[..., Any]) -> Callable[..., Any]:
    """Return an opener whose sources have their reading clocked."""

    def opened(*args: Any, **kwargs: Any) -> Any:
        source = opener(*args, **kwargs)
        kind = type(source)
        if not getattr(kind.read, "watched", False):
            kind.read = clock.watch("read", "source", kind.read)
            kind.read.watched = True  # type: ignore[attr-defined]
        return source

    return opened


def profile(folder: Path, size: int, overrides: list[str], top: int) -> dict[str, dict[str, float]]:
    """Run a job in this process and print a line for each stage."""
    source = simulate(folder, size)
    warm = plan_job(simulate(folder, 96), folder / "warm", overrides)
    _run(warm.path, Clock())
    clock = Clock()
    watch_stages(clock)
    job = plan_job(source, folder / "job", overrides)
    print(f"{'stage':12} {'ns/voxel':>9} {'read':>7} {'kernels':>8} {'write':>7} {'rest':>7}")
    return _run(job.path, clock, size**3, top)


def _run(job: Path, clock: Clock, n_voxels: int = 0, top: int = 0) -> dict[str, dict[str, float]]:

    shares = {}
    for stage in JobFolder(job).read_plan().stages:
        clock.seconds.clear()
        clock.names.clear()
        start = time.perf_counter()
        opened = open_stage(str(job), stage.name, stage.key)
        opened.prepare()
        for number in range(stage.n_tiles):
            process_tile(str(job), stage.name, stage.key, number)
        opened.fold()
        whole = time.perf_counter() - start
        parts = {kind: clock.seconds[kind] for kind in ("read", "kernels", "write")}
        parts["rest"] = whole - sum(parts.values())
        shares[stage.name] = {"whole": whole, **parts}
        if n_voxels:
            ns = [1e9 * s / n_voxels for s in (whole, *parts.values())]
            print(
                f"{stage.name:12} {ns[0]:9.1f} {ns[1]:7.1f} {ns[2]:8.1f} {ns[3]:7.1f} {ns[4]:7.1f}"
            )
            longest = sorted(clock.names.items(), key=lambda item: -item[1])[:top]
            for (kind, name), seconds in longest:
                print(f"{'':14}{1e9 * seconds / n_voxels:7.1f}  {kind} {name}")
    return shares


def main() -> None:
    """Print the profile."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=256)
    parser.add_argument("--set", action="append", default=[], dest="overrides")
    parser.add_argument("--top", type=int, default=4, help="longest calls of each stage")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        profile(Path(name), given.size, given.overrides, given.top)


if __name__ == "__main__":
    sys.exit(main())
