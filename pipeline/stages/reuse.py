"""What an earlier job made of the same voxels with the same parameters is not made again.

A stage's key hashes all that its result depends on: the source, its part of the recipe, the code.
Where another job has sealed a stage under the same key, and its source had the same contents, what
the stage left is linked into the new job's folder and the stage is on record there: trying another
threshold neither reads the source nor filters again.  Links take no disk, and neither job can
change what the other one has: files are only ever replaced by rename.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from pipeline.errors import CastcensusError
from pipeline.model.plan import Plan
from pipeline.stages.image import open_planned
from pipeline.stages.registry import open_stage
from pipeline.stores.job import JobFolder, link_file
from pipeline.stores.layout import plan_levels
from pipeline.stores.ome import job_of
from pipeline.stores.volume import open_volume, walk_shards

PRODUCTS = {
    "ingest": ("grey.json", "mask.npz", "noise.json", "checksum.txt"),
    "survey": ("mask.npz", "noise.json"),
    "flatten": ("window.json", "flatten.json", "flatten.npz"),
    "condition": (),
}
"""Stages that are reused, in order, and what they fold; some of it only with some recipes."""


@dataclass(frozen=True, slots=True)
class Reused:
    """A stage that another job has done.

    Parameters
    ----------
    stage : str
        Its name.
    job : str
        The other job.
    """

    stage: str
    job: str


def reuse_stages(folder: JobFolder, donors: Sequence[JobFolder]) -> list[Reused]:
    """Take over what other jobs have done of the stages that a job has not begun.

    Parameters
    ----------
    folder : JobFolder
        The job; nobody else runs it.
    donors : sequence of JobFolder
        Jobs to take from, the first that has a stage whole; none of them is being cleared away.

    Returns
    -------
    list of Reused
        Stages that were taken over now.
    """
    taking = _Taking(folder, folder.read_plan())
    reused = []
    for stage in taking.plan.stages:
        if stage.name not in PRODUCTS:
            break
        ledger = folder.ledger(stage.name, stage.key)
        tiles, sealed = ledger.finished()
        if sealed:
            continue
        donor = None if tiles else next((d for d in donors if taking.take(d, stage.name)), None)
        if donor is None:
            break  # what follows depends on it
        with ledger:
            ledger.seal(reused_from=donor.name)
        reused.append(Reused(stage.name, donor.name))
    return reused


def drop_scratch(folder: JobFolder, *, keep_conditioned: bool) -> None:
    """Remove what a finished job no longer needs.

    Parameters
    ----------
    folder : JobFolder
        The job.
    keep_conditioned : bool
        Whether what `reuse_stages` takes over stays.
    """
    kept = PRODUCTS if keep_conditioned else ()
    sides = folder.path / "sides"
    gone = [folder.bodies] + ([] if keep_conditioned else [folder.conditioned])
    gone += [p for p in (sides.iterdir() if sides.is_dir() else ()) if p.name not in kept]
    for path in gone:
        shutil.rmtree(path, ignore_errors=True)
    if not kept:
        shutil.rmtree(sides, ignore_errors=True)


@dataclass(frozen=True)
class _Taking:
    """One job that takes over, and what it knows of its own source."""

    folder: JobFolder
    plan: Plan

    def take(self, donor: JobFolder, stage: str) -> bool:
        """Link what a donor's stage left; False where it is not the same, or not whole."""
        key = self.plan.stage(stage).key
        if donor.path == self.folder.path or not donor.ledger(stage, key).finished()[1]:
            return False
        try:
            if not self._has_same_input(donor):
                return False
            if not all(source.is_file() for source, _ in self._files(donor, stage)):
                return False
            for source, target in self._files(donor, stage):
                link_file(source, target)
            if stage == "ingest":
                # Names, voxel size and the stamp of the source are this job's own.
                open_stage(str(self.folder.path), stage, key).prepare()
        except (CastcensusError, OSError, ValueError):
            return False  # the stage is done as if there were no donor
        return True

    def _has_same_input(self, donor: JobFolder) -> bool:
        """Tell whether a donor's source had the contents of this one's, read only if need be."""
        theirs = donor.product("checksum.txt").read_text()
        ingest = self.plan.stages[0]
        if self.folder.ledger(ingest.name, ingest.key).finished()[1]:
            return self.folder.product("checksum.txt").read_text() == theirs
        noted = json.loads(donor.product("source.json").read_bytes())
        return bool(noted["stamp"] == self._source.stamp()) or self._checksum == theirs

    @cached_property
    def _source(self) -> Any:
        return open_planned(self.plan)

    @cached_property
    def _checksum(self) -> str:
        return str(self._source.checksum())

    def _files(self, donor: JobFolder, stage: str) -> Iterator[tuple[Path, Path]]:
        """Yield what a stage left, and where it belongs."""
        for name in PRODUCTS[stage]:
            if donor.product(name).exists():
                yield donor.product(name), self.folder.product(name)
        for number in range(self.plan.stage(stage).n_tiles):
            yield donor.side(stage, number), self.folder.side(stage, number)
        for source, target in self._volumes(donor, stage):
            yield source / "zarr.json", target / "zarr.json"
            for shard, _ in walk_shards(open_volume(source)):
                yield shard, target / shard.relative_to(source)

    def _volumes(self, donor: JobFolder, stage: str) -> list[tuple[Path, Path]]:
        if stage == "condition":
            return [(donor.conditioned, self.folder.conditioned)]
        if stage != "ingest":
            return []
        levels = range(
            int(self.plan.in_place), len(plan_levels(self.plan.header.shape, self.plan.tile_shape))
        )
        store = _find_image(donor)
        return [(store / str(i), self.folder.scan_store / str(i)) for i in levels]


def _find_image(donor: JobFolder) -> Path:
    """Return where the image of a job lies: still in its folder, or among the scans."""
    placed = donor.workspace / "scans" / f"{donor.read_plan().scan_id}.zarr"
    return placed if job_of(placed) == donor.name else donor.scan_store
