"""The folder of one job: its plan, what stages leave for each other, and its volumes.

Layout, below ``jobs/<job>/`` of a workspace::

    plan.json            the frozen plan
    ledger/<stage>.log   finished tiles
    sides/<stage>/       one small file a tile: tallies, seam layers, histograms
    products/            what a stage folds from its tiles: mask, thresholds, rows
    conditioned.zarr     grey scale that is segmented
    bodies.zarr          local ids of tiles
    scan.zarr            the OME-Zarr store, moved to scans/<scan>.zarr when it is complete
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import uuid4
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from pipeline.errors import DamageError, NotFoundError, StoreError
from pipeline.model.plan import Plan
from pipeline.stores.durability import is_at_once, sync_files, sync_path
from pipeline.stores.ledger import Ledger
from pipeline.stores.places import Place


@dataclass(frozen=True, slots=True)
class JobFolder:
    """Paths and small files of one job.

    Parameters
    ----------
    path : Path
        The job's folder; its name is the job's id, its grandparent the workspace.
    """

    path: Path

    @property
    def name(self) -> str:
        """Id of the job."""
        return self.path.name

    @property
    def workspace(self) -> Path:
        """The workspace that the job belongs to."""
        return self.path.parent.parent

    @property
    def scan_store(self) -> Path:
        """The OME-Zarr store while the job is under way."""
        return self.path / "scan.zarr"

    @property
    def conditioned(self) -> Path:
        """The conditioned volume."""
        return self.path / "conditioned.zarr"

    @property
    def bodies(self) -> Path:
        """The volume of local ids."""
        return self.path / "bodies.zarr"

    def side(self, stage: str, number: int) -> Path:
        """Return the small file that a tile of a stage leaves."""
        return self.path / "sides" / stage / f"{number:09d}.npz"

    def product(self, name: str) -> Path:
        """Return the file in which a stage leaves what it folded."""
        return self.path / "products" / name

    def ledger(self, stage: str, key: str) -> Ledger:
        """Return the ledger of a stage."""
        return Ledger(self.path / "ledger" / f"{stage}.log", key)

    def write_plan(self, plan: Plan) -> None:
        """Write the plan, whole or not at all."""
        write_whole(self.path / "plan.json", plan.model_dump_json(indent=1).encode())

    def read_plan(self) -> Plan:
        """Read the plan.

        Raises
        ------
        NotFoundError
            If the job does not exist.
        DamageError
            If the plan is damaged, or another version wrote it.
        """
        try:
            text = (self.path / "plan.json").read_bytes()
        except OSError:
            raise NotFoundError(f"there is no job {self.name} in {self.workspace}.") from None
        try:
            return Plan.model_validate_json(text)
        except ValidationError as error:
            raise DamageError(
                f"{self.path / 'plan.json'} cannot be read back, or another version wrote it: "
                f"{error.errors(include_url=False)[0]['msg']}.",
                "Submit the scan again.",
            ) from None


def make_folder(path: Path) -> None:
    """Make a folder, before the work whose results are to lie there.

    Raises
    ------
    StoreError
        If it cannot be made.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"{path} cannot be made: {error}.", "Choose another folder.") from None


def write_whole(path: Path, data: bytes) -> None:
    """Write a file by rename, so that a reader sees all of it or nothing.

    Raises
    ------
    StoreError
        If it cannot be written.
    """
    write_partly(path, lambda partial: partial.write_bytes(data))


def write_partly(path: Path, write: Callable[[Path], object]) -> None:
    """Let `write` fill a partial file, then put it in place by rename.

    Raises
    ------
    StoreError
        If it cannot be written.
    """
    # A name of its own: the same tile may be written twice at once, by threads or on two hosts.
    partial = path.with_name(f"{path.stem}.{uuid4().hex[:12]}.partial{path.suffix}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write(partial)
        if is_at_once():
            sync_path(partial)
        partial.replace(path)
        sync_files([path], path.parent)
    except OSError as error:
        with suppress(OSError):
            partial.unlink(missing_ok=True)
        raise StoreError(
            f"{path} cannot be written: {error}.", "Free some disk or choose another --workspace."
        ) from None


def link_file(source: Path, target: Path) -> None:
    """Give a file that is only ever replaced by rename a second place, by a hard link.

    It takes no disk, and what happens to one place leaves the other as it is.  Where the file
    system has no hard links, the file is copied.

    Raises
    ------
    StoreError
        If it cannot be read or placed.
    """

    def place(partial: Path) -> None:
        try:
            os.link(source, partial)
        except FileNotFoundError:
            raise
        except OSError:
            shutil.copyfile(source, partial)

    write_partly(target, place)


def write_arrays(path: Path, arrays: Mapping[str, NDArray[Any]]) -> None:
    """Write named arrays by rename, as they are: deflating them takes longer than their tile.

    Parameters
    ----------
    path : Path
        The file, ending in ``.npz``.
    arrays : mapping of str to ndarray
        What it holds.

    Raises
    ------
    StoreError
        If they cannot be written.
    """
    write_partly(path, lambda partial: np.savez(partial, **dict(arrays)))  # type: ignore[arg-type]


def read_arrays(path: Place, names: Sequence[str] | None = None) -> dict[str, NDArray[Any]]:
    """Read named arrays, all of them unless told which.

    Raises
    ------
    DamageError
        If the file is missing or cannot be decoded.
    """
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as stored:
            return {name: stored[name] for name in names or stored.files}
    except (OSError, ValueError, KeyError, EOFError, BadZipFile) as error:
        raise DamageError(
            f"{path} is missing or damaged: {error}.", "Submit the scan again with --replace."
        ) from None
