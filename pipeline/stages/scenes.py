"""Finished scans opened for registration: phase maps by box, on every level of their pyramids."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import zarr
from numpy.typing import NDArray

from pipeline.analysis.scenes import PhaseLevel, Scene, contrast_of
from pipeline.errors import UsageError
from pipeline.model.grid import Box
from pipeline.stages.levels import open_levels
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.crops import open_crops
from pipeline.stores.volume import read_box


def open_scene(workspace: Path, scan_id: str) -> Scene:
    """Open the phase map of a finished scan.

    Parameters
    ----------
    workspace : Path
        The workspace.
    scan_id : str
        A scan of its catalogue.

    Returns
    -------
    Scene
        The scan; nothing of it is read yet.

    Raises
    ------
    NotFoundError
        If there is no such scan, or its labels are gone or another job's.
    UsageError
        If its recipe has no background phase.
    """
    crops = open_crops(workspace, scan_id)
    kinds = Catalogue(workspace / "catalogue").read("phases", scan_id, ["phase", "kind"])
    found = dict(zip(kinds["phase"].to_pylist(), kinds["kind"].to_pylist(), strict=True))
    names = crops.phase_names
    background = [i for i, name in enumerate(names) if found[name] == "background"]
    if not background:
        raise UsageError(
            f"scan {scan_id} has no background phase, against which bodies would stand out.",
            "Submit it again with a recipe that has one.",
        )
    levels = tuple(
        PhaseLevel(2**i, (a.shape[0], a.shape[1], a.shape[2]), partial(_read, a))
        for i, a in enumerate(open_levels(crops.store / "labels" / "phases"))
    )
    return Scene(f"scan {scan_id}", crops.voxel_um, levels, contrast_of(background[0], len(names)))


def _read(array: zarr.Array[Any], box: Box) -> NDArray[Any]:
    return read_box(array, box)
