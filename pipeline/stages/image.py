"""The image as it came: the copy that ingest made, or the source itself, used in place."""

from __future__ import annotations

import json
from functools import cached_property
from pathlib import Path
from typing import Any

import zarr
from numpy.typing import NDArray

from pipeline.errors import CastcensusError, SourceError, StoreError
from pipeline.model.grid import Box
from pipeline.model.plan import Plan
from pipeline.readers import open_source
from pipeline.readers.marks import is_zarr
from pipeline.readers.ngff import ZarrSource
from pipeline.stores.job import JobFolder, write_whole
from pipeline.stores.ome import mark_image
from pipeline.stores.volume import open_volume, read_box


def open_planned(plan: Plan) -> Any:
    """Open the source of a plan, still of the shape and type that it was planned with.

    Raises
    ------
    SourceError
        If it is of another shape or type.
    """
    source = open_source(plan.source, plan.options)
    got, wanted = source.header, plan.header
    if (got.shape, got.dtype) != (wanted.shape, wanted.dtype):
        raise SourceError(
            f"{wanted.location} has changed since it was planned: got {got.shape} "
            f"{got.dtype}, wanted {wanted.shape} {wanted.dtype}.",
            "Submit it again.",
        )
    return source


class RawImage:
    """What stages after ingest read the scan's own grey from.

    Parameters
    ----------
    folder : JobFolder
        The job.
    plan : Plan
        Its plan.
    """

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan

    @cached_property
    def _stored(self) -> zarr.Array[Any]:
        return open_volume(self.folder.scan_store / "0")

    @cached_property
    def _source(self) -> Any:
        return open_planned(self.plan)

    def read(self, box: Box) -> NDArray[Any]:
        """Return the voxels of a box that lies inside the volume.

        Raises
        ------
        DamageError
            If a chunk of the copy is damaged.
        SourceError
            If a source in place cannot be decoded.
        StoreError
            If a source in place is gone.
        """
        if not self.plan.in_place:
            return read_box(self._stored, box)
        try:
            voxels: NDArray[Any] = self._source.read(box)
        except SourceError:
            _need_source(self.plan)
            raise
        return voxels

    def check(self) -> None:
        """Refuse to go on with a source in place that is not what ingest read.

        Raises
        ------
        SourceError
            If it has changed.
        StoreError
            If it is gone.
        """
        if self.plan.in_place:
            check_source(self.folder, self.plan)


def record_source(folder: JobFolder, plan: Plan) -> None:
    """Note what the source is now; a job that goes on checks that it is the same.

    Raises
    ------
    SourceError
        If it has changed since the job began.
    StoreError
        If it is used in place and is gone.
    """
    if folder.product("source.json").exists():
        check_source(folder, plan)
        return
    place = {"stamp": _open_again(plan).stamp()}
    if plan.in_place:
        place |= {"folder": plan.header.attributes["folder"], "voxel_um": plan.voxel_um}
    _note(folder, plan, place)


def check_source(folder: JobFolder, plan: Plan) -> None:
    """Compare the source with what was noted of it.

    Files of another time of change are read and compared by their checksum, once it is known.

    Raises
    ------
    SourceError
        If it has changed.
    StoreError
        If it is used in place and is gone.
    """
    source = _open_again(plan)
    place = json.loads(folder.product("source.json").read_bytes())
    stamp = source.stamp()
    if stamp == place["stamp"]:
        return
    known = folder.product("checksum.txt")
    if not known.exists() or source.checksum() != known.read_text():
        used = "is used in place and has" if plan.in_place else "has"
        raise SourceError(
            f"{plan.header.location} {used} changed since the job began.",
            "Submit it again; with --ingest copy nobody can change it under a job."
            if plan.in_place
            else "Submit it again when nobody writes to it any more.",
        )
    _note(folder, plan, place | {"stamp": stamp})


def _note(folder: JobFolder, plan: Plan, place: dict[str, Any]) -> None:
    if plan.in_place:
        mark_image(folder.scan_store, place)
    write_whole(folder.product("source.json"), json.dumps(place).encode())


def describe_image(folder: JobFolder) -> str | None:
    """Say how a job's source in place is: as it was read, changed, or gone; None for a copy."""
    try:
        plan = folder.read_plan()
        if not plan.in_place:
            return None
        where = f"used in place at {plan.header.location}"
        place = json.loads(folder.product("source.json").read_bytes())
        stamp = _open_again(plan).stamp()
    except StoreError:
        return f"{where}, which is gone"
    except SourceError:
        return f"{where}, which has changed since"
    except (CastcensusError, OSError, ValueError):
        return None
    return where if stamp == place["stamp"] else f"{where}, which has changed since"


def _open_again(plan: Plan) -> Any:
    """Open the source; one in place must be the Zarr array that it was."""
    if not plan.in_place:
        return open_planned(plan)
    _need_source(plan)
    source = open_planned(plan)
    if not isinstance(source, ZarrSource):
        raise SourceError(
            f"{plan.header.location} has changed since it was planned: it is no Zarr array.",
            "Submit it again.",
        )
    return source


def _need_source(plan: Plan) -> None:
    if not is_zarr(Path(plan.header.location)):
        raise StoreError(
            f"{plan.header.location} is used in place and is no longer there.",
            "Bring it back and resume the job.",
        )
