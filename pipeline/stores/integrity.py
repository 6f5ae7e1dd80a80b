"""Whether a scan is whole: every checksum, and labels against rows.

A shard that is damaged is found by its checksum; one that is gone, or of another job, by what no
longer adds up: voxels of each phase against `phases`, voxels of each particle against `particles`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import zarr
from numpy.typing import NDArray

from pipeline.errors import CastcensusError, DamageError, NotFoundError
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.job import JobFolder
from pipeline.stores.ome import job_of
from pipeline.stores.places import Place, at_hand, size_of
from pipeline.stores.volume import open_volume, read_box, walk_places

Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Damage:
    """One thing that is not as it was written.

    Parameters
    ----------
    place : str
        File or table.
    what : str
        What is wrong there.
    """

    place: str
    what: str


@dataclass(frozen=True, slots=True)
class Inspection:
    """What was looked at, and what was found.

    Parameters
    ----------
    scan, job : str
        The scan, and the job that counted it.
    n_shards, n_bytes : int
        Shards read, and their bytes on disk.
    n_rows : int
        Rows of the catalogue read.
    damages : tuple of Damage
        Empty where everything is whole.
    """

    scan: str
    job: str
    n_shards: int
    n_bytes: int
    n_rows: int
    damages: tuple[Damage, ...]


class _Findings:
    """Counts and damages while they are collected."""

    def __init__(self, tell: Tell) -> None:
        self.tell = tell
        self.n_shards = self.n_bytes = self.n_rows = 0
        self.damages: list[Damage] = []

    def add(self, place: Place | str, what: str) -> None:
        self.damages.append(Damage(str(place), what))
        self.tell(f"{place}: {what}")


def inspect_scan(workspace: Place, scan_id: str, tell: Tell = lambda _: None) -> Inspection:
    """Read everything that is stored of a scan and compare it with itself.

    Parameters
    ----------
    workspace : Path or ObjectFolder
        The workspace.
    scan_id : str
        The scan.
    tell : callable, optional
        Told of each damage as it is met.

    Returns
    -------
    Inspection
        What was read and found.  Memory is bounded by one shard and one counter a particle.

    Raises
    ------
    NotFoundError
        If the catalogue does not hold the scan.
    """
    catalogue = Catalogue(workspace / "catalogue")
    job = str(catalogue.read("scans", scan_id, ["job"])["job"][0].as_py())
    findings = _Findings(tell)
    findings.n_rows = 1
    store = workspace / "scans" / f"{scan_id}.zarr"
    with at_hand(workspace, f"jobs/{job}") as folder:
        _check_ledger(folder / "jobs" / job, workspace / "jobs" / job, findings)
    if not store.is_dir():
        findings.add(store, "is gone")
    elif job_of(store) not in (None, job):
        findings.add(store, f"holds the labels of job {job_of(store)}, the rows are of job {job}")
    else:
        _check_store(store, catalogue, scan_id, findings)
    return Inspection(
        scan_id, job, findings.n_shards, findings.n_bytes, findings.n_rows, tuple(findings.damages)
    )


def _check_ledger(path: Path, place: Place, findings: _Findings) -> None:
    """Every stage of the job that counted the scan must be on record as finished."""
    folder = JobFolder(path)
    try:
        plan = folder.read_plan()
    except NotFoundError:
        return  # a workspace may be moved without its old jobs
    except DamageError as error:
        findings.add(place / "plan.json", error.what)
        return
    for stage in plan.stages:
        ledger = folder.ledger(stage.name, stage.key)
        if not ledger.finished()[1]:
            where = place / "ledger" / ledger.path.name
            findings.add(where, f"does not say that stage {stage.name} was finished")


def _check_store(store: Place, catalogue: Catalogue, scan_id: str, findings: _Findings) -> None:
    for level in _levels(store):
        for _ in _shards(level, findings):
            pass
    try:
        phases = catalogue.read("phases", scan_id).to_pylist()
    except CastcensusError as error:
        findings.add(catalogue.root / "phases", error.what)
        return
    findings.n_rows += len(phases)
    _check_phases(store, phases, findings)
    try:
        rows = catalogue.read("particles", scan_id, ["phase", "particle_id", "n_voxels"])
    except CastcensusError as error:
        findings.add(catalogue.root / "particles", error.what)
        return
    names = np.asarray(rows["phase"])
    ids, sizes = np.asarray(rows["particle_id"]), np.asarray(rows["n_voxels"])
    for phase in phases:
        if phase["kind"] == "particles":
            own = names == phase["phase"]
            _check_particles(store, phase, ids[own], sizes[own], findings)


def _check_phases(store: Place, phases: list[dict[str, Any]], findings: _Findings) -> None:
    group = store / "labels" / "phases"
    counts = np.zeros(256, np.int64)
    if not _count(
        group, findings, lambda voxels: np.bincount(voxels.ravel(), minlength=256), counts
    ):
        return
    for phase in phases:
        got = int(counts[phase["position"]])
        if got != phase["n_voxels"]:
            told = f"holds {got} voxels of {phase['phase']}, the catalogue {phase['n_voxels']}"
            findings.add(group, told)


def _check_particles(
    store: Place,
    phase: dict[str, Any],
    ids: NDArray[np.int64],
    sizes: NDArray[np.int64],
    findings: _Findings,
) -> None:
    name, n = phase["phase"], int(phase["n_particles"])
    findings.n_rows += ids.size
    if ids.size != n:
        findings.add("particles", f"has {ids.size} rows of {name}, `phases` says {n}")
        return
    group = store / "labels" / name
    counts = np.zeros(n + 2, np.int64)  # the last one counts ids that no row has

    def count(voxels: NDArray[Any]) -> NDArray[np.int64]:
        return np.bincount(np.minimum(voxels.ravel(), n + 1).astype(np.int64), minlength=n + 2)

    if not _count(group, findings, count, counts):
        return
    wanted = np.zeros(n + 2, np.int64)
    wanted[ids] = sizes
    wrong = np.flatnonzero(counts[1:] != wanted[1:]) + 1
    if wrong.size:
        first = int(wrong[0])
        findings.add(
            group,
            f"{wrong.size} of {n} particles have other sizes than their rows; the first is "
            f"{first} with {counts[first]} voxels against {wanted[first]}",
        )


def _count(
    group: Place,
    findings: _Findings,
    count: Callable[[NDArray[Any]], NDArray[np.int64]],
    total: NDArray[np.int64],
) -> bool:
    """Add up counts over level 0 of a group; False where a shard of it could not be read."""
    before = len(findings.damages)
    levels = _levels(group)
    if not levels:
        findings.add(group, "is gone")
        return False
    for i, level in enumerate(levels):
        for voxels in _shards(level, findings):
            if i == 0:
                total += count(voxels)
    return len(findings.damages) == before


def _levels(group: Place) -> list[zarr.Array[Any]]:
    names = sorted(p.name for p in group.glob("[0-9]*")) if group.is_dir() else []
    return [open_volume(group / name) for name in names]


def _shards(array: zarr.Array[Any], findings: _Findings) -> Iterator[NDArray[Any]]:
    """Yield the voxels of every shard that is whole; absent ones of labels read as 0."""
    is_particles = np.dtype(array.dtype).itemsize >= 4 and np.dtype(array.dtype).kind == "u"
    for path, shard in walk_places(array):
        n_bytes = size_of(path)
        if n_bytes is None:
            if not is_particles:
                findings.add(path, "is gone")
            continue
        findings.n_shards += 1
        findings.n_bytes += n_bytes
        try:
            yield read_box(array, shard)
        except DamageError as error:
            findings.add(path, error.what)
