"""OME-Zarr 0.5 metadata: what general viewers need to open a scan and its labels.

Source: the OME-NGFF specification, version 0.5 (multiscales, image-label).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import zarr

from pipeline.errors import NotFoundError, StoreError
from pipeline.model.grid import Triple
from pipeline.stores.durability import sync_files
from pipeline.stores.layout import plan_levels
from pipeline.stores.objects import open_group
from pipeline.stores.places import Place
from pipeline.stores.volume import create_volume

VERSION = "0.5"


def create_pyramid(
    path: Path,
    name: str,
    shape: Triple,
    dtype: str,
    tile_shape: Triple,
    voxel_um: tuple[float, float, float],
    *,
    fill: int = 0,
    label: bool = False,
    first: int = 0,
) -> None:
    """Create an image or label group with its levels; does nothing to levels already there.

    Parameters
    ----------
    path : Path
        Folder of the group.
    name : str
        Name shown to people.
    shape : tuple of int
        Voxels of the volume, (z, y, x).
    dtype : str
        Voxel type.
    tile_shape : tuple of int
        Voxels of a tile.
    voxel_um : tuple of float
        Edge lengths of a voxel, (z, y, x).
    fill : int
        Value of what is not written.
    label : bool
        Whether voxels are labels.
    first : int
        Finest level that is kept here; finer ones are neither listed nor created.

    Raises
    ------
    StoreError
        If the folder cannot be written.
    """
    levels = plan_levels(shape, tile_shape)
    scales = [[v * 2**i for v in voxel_um] for i in range(len(levels))]
    ome: dict[str, Any] = {"version": VERSION, "multiscales": [_multiscale(name, scales, first)]}
    if label:
        ome["image-label"] = {"source": {"image": "../../"}}
    _write_group(path, ome)
    for i, (level_shape, shard) in list(enumerate(levels))[first:]:
        create_volume(path / str(i), level_shape, dtype, shard, fill=fill, label=label)


def list_labels(path: Path, names: Sequence[str]) -> None:
    """Write the group that lists the label images of a scan.

    Parameters
    ----------
    path : Path
        The folder ``labels``.
    names : sequence of str
        Its label groups.
    """
    _write_group(path, {"version": VERSION, "labels": list(names)})


def mark_job(path: Path, job: str) -> None:
    """Write into a scan's store which job made its labels."""
    _mark(path, {"job": job})


def mark_image(path: Path, place: dict[str, Any]) -> None:
    """Write into a scan's store where its full resolution lies, if not here.

    Parameters
    ----------
    path : Path
        The store.
    place : dict
        ``folder`` that was opened, ``stamp`` of its files, ``voxel_um``; what
        `pipeline.readers.ngff.open_zarr` needs to open it in the place of the store.
    """
    _mark(path, {"image": place})


def _mark(path: Path, facts: dict[str, Any]) -> None:
    group = zarr.open_group(path, mode="a", zarr_format=3)
    own: Any = group.attrs.get("castcensus")
    group.attrs["castcensus"] = {**(own if isinstance(own, dict) else {}), **facts}
    sync_files([path / "zarr.json"], path)


def job_of(path: Place) -> str | None:
    """Return the job that made the labels of a scan's store; None where it does not tell."""
    try:
        own: Any = open_group(path).attrs.get("castcensus")
    except (OSError, ValueError, KeyError):
        return None
    return str(own["job"]) if isinstance(own, dict) and "job" in own else None


def need_labels(path: Place, scan_id: str, job: str) -> None:
    """Refuse a scan's store whose labels another job made than the rows of the catalogue.

    Labels follow the rows: a job that was stopped in between left those of the scan before.

    Raises
    ------
    NotFoundError
        If the labels of that job are not there.
    """
    if not (path / "labels").is_dir() or job_of(path) not in (None, job):
        raise NotFoundError(
            f"{path} does not hold the labels of job {job}, which the rows of scan {scan_id} "
            "come from.",
            f"Write them with: castcensus resume {job}",
        )


def _write_group(path: Path, ome: dict[str, Any]) -> None:
    try:
        group = zarr.open_group(path, mode="a", zarr_format=3)
        group.attrs["ome"] = ome
        sync_files([path / "zarr.json"], path)
    except OSError as error:
        raise StoreError(f"{path} cannot be created: {error}.", "Check the workspace.") from None


def _shift(scale: list[float], finest: list[float]) -> list[float]:
    return [(s - f) / 2 for s, f in zip(scale, finest, strict=True)]


def _multiscale(name: str, scales: list[list[float]], first: int) -> dict[str, Any]:
    return {
        "name": name,
        "axes": [{"name": a, "type": "space", "unit": "micrometer"} for a in "zyx"],
        "datasets": [
            {
                "path": str(i),
                # Level i's voxel centres lie (2**i - 1) / 2 full voxels above level 0's.
                "coordinateTransformations": [
                    {"type": "scale", "scale": scale},
                    {"type": "translation", "translation": _shift(scale, scales[0])},
                ],
            }
            for i, scale in list(enumerate(scales))[first:]
        ],
    }
