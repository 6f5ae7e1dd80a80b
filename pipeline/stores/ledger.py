"""The ledger: per stage and tile, what is finished; a record follows its data.

Only the driver writes it, one line a tile, appended and flushed when the tile's data are in place;
it costs one short write a tile and needs no lock.  A line is counted only when it is whole, so a
driver that dies while writing loses that record and does that tile again, which is harmless.  A
power failure may take the lines of the last second, for the same price: lines are forced to disk
once a second, and when the ledger is sealed or closed.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import BinaryIO
from uuid import uuid4

from pipeline.model.reports import TileReport
from pipeline.stores.durability import is_at_once, sync_files

SYNC_INTERVAL_S = 1.0
"""Longest time that a line waits to be forced to disk, while more come."""


class Ledger:
    """Records of one stage under one stage key.

    Parameters
    ----------
    path : Path
        The file; lines of another key in it do not count.
    key : str
        Key of the stage (see `pipeline.model.plan.StagePlan`).
    """

    def __init__(self, path: Path, key: str) -> None:
        self.path = path
        self.key = key
        self._file: BinaryIO | None = None
        self._synced = 0.0
        self._run, self._began = "", 0.0

    def __enter__(self) -> Ledger:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        self._run, self._began = uuid4().hex[:8], time.monotonic()
        torn = self.path.exists() and not self.path.read_bytes().endswith(b"\n")
        self._file = self.path.open("ab")
        if torn:
            self._file.write(b"\n")
        sync_files([self.path], self.path.parent)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._file is not None:
            self._sync()
            self._file.close()
            self._file = None

    def record(self, report: TileReport) -> None:
        """Append the record of one tile whose data are in place."""
        self._append({"tile": report.number, "seconds": round(report.seconds, 4), **self._when()})

    def seal(self, reused_from: str | None = None) -> None:
        """Append the record that the whole stage, its fold included, is finished.

        Parameters
        ----------
        reused_from : str, optional
            The job whose stage under the same key it is.
        """
        source = {"reused_from": reused_from} if reused_from else {}
        self._append({"sealed": True, **source, **self._when()})
        self._sync()

    def finished(self) -> tuple[set[int], bool]:
        """Return the tiles recorded under this key, and whether the stage is sealed."""
        tiles: set[int] = set()
        sealed = False
        for entry in self._entries():
            if "tile" in entry:
                tiles.add(int(str(entry["tile"])))
            sealed = sealed or bool(entry.get("sealed"))
        return tiles, sealed

    def reused_from(self) -> str | None:
        """Return the job that a sealed stage was taken over from; None where it was done here."""
        for entry in self._entries():
            if entry.get("reused_from"):
                return str(entry["reused_from"])
        return None

    def seconds(self) -> float:
        """Return how long the stage ran: all its runs, each up to its last record."""
        runs: dict[object, float] = {}
        for entry in self._entries():
            at_s = float(str(entry.get("at_s", 0.0)))
            runs[entry.get("run")] = max(runs.get(entry.get("run"), 0.0), at_s)
        return sum(runs.values())

    def _when(self) -> dict[str, object]:
        """Return which run of the stage a record belongs to, and how far into it."""
        return {"run": self._run, "at_s": round(time.monotonic() - self._began, 3)}

    def _entries(self) -> Iterator[dict[str, object]]:
        """Yield the whole lines under this key."""
        if not self.path.exists():
            return
        for line in self.path.read_bytes().splitlines():
            try:
                entry = json.loads(line)
            except ValueError:
                continue
            if isinstance(entry, dict) and entry.get("key") == self.key:
                yield entry

    def _append(self, entry: dict[str, object]) -> None:
        if self._file is None:
            raise RuntimeError("a ledger is written inside its `with` block")
        self._file.write(json.dumps({"key": self.key, **entry}).encode() + b"\n")
        self._file.flush()
        if time.monotonic() - self._synced >= SYNC_INTERVAL_S:
            self._sync()

    def _sync(self) -> None:
        if self._file is None:
            return
        self._file.flush()
        if is_at_once():
            os.fsync(self._file.fileno())
        self._synced = time.monotonic()
