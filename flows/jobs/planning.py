"""From a source and a few facts to a plan.

Apart from submission, which loads what reads and writes volumes and the catalogue: a plan needs it
not, and is there in half the time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from flows.settings import code_version, load_settings
from pipeline.analysis.expectation import expect_phases
from pipeline.errors import NotFoundError, SourceError, UsageError
from pipeline.model.header import Ingest, ReadOptions
from pipeline.model.metadata import ScanMetadata, check_metadata, check_scan_id, read_metadata
from pipeline.model.plan import Plan, plan_scan
from pipeline.model.recipe import Recipe
from pipeline.readers import open_source
from pipeline.stores.layout import why_copied


def plan_source(
    source: str,
    scan_id: str,
    recipe: Recipe,
    options: ReadOptions | None = None,
    facts: Mapping[str, Any] | None = None,
    metadata_file: Path | None = None,
    *,
    ingest: Ingest = "auto",
) -> Plan:
    """Plan a scan from the header of its source; no voxel is read.

    Parameters
    ----------
    source : str
        A file, a folder of slices, or a container with a path inside.
    scan_id : str
        Identifier of the scan.
    recipe : Recipe
        Parameters of the run.
    options : ReadOptions, optional
        What the caller states about the source; goes before what files say.
    facts : mapping, optional
        Fields of `ScanMetadata` that the caller states; go before the metadata file.
    metadata_file : Path, optional
        The metadata file; otherwise ``<file>.meta.yaml`` or ``scan.yaml`` beside the source, or
        ``scan.yaml`` in its folder, is taken if there is one.
    ingest : str
        ``copy`` copies any source; ``auto`` uses one in place that is stored to be read by tiles.

    Returns
    -------
    Plan
        The plan.

    Raises
    ------
    UsageError
        A scan id, source, voxel size or fact that does not fit.
    NotFoundError
        If the stated metadata file does not exist.
    """
    check_scan_id(scan_id)
    options = options or ReadOptions()
    stated, source_values = _read_facts(metadata_file or _find_facts(source), metadata_file)
    if options.voxel_um is None and source_values.get("voxel_um") is not None:
        options = replace(options, voxel_um=read_voxel_um(source_values["voxel_um"]))
    values = {**stated.model_dump(exclude_none=True), **(facts or {})}
    metadata = check_metadata(values, "the facts stated about the scan")
    location = str(Path(source).absolute())
    header = open_source(location, options).header
    _, height_um, width_um = np.multiply(header.shape, header.require_voxel_um())
    return plan_scan(
        scan_id,
        location,
        options,
        header,
        recipe,
        metadata,
        code_version(),
        in_place=ingest == "auto" and why_copied(header, recipe) is None,
        expectation=expect_phases(recipe, metadata, float(min(height_um, width_um)) / 1000),
    ).model_copy(update={"durable": load_settings(reading=True).durable})


def read_voxel_um(value: object) -> tuple[float, float, float]:
    """Return edge lengths (z, y, x) in um from one number, three, or their text.

    Raises
    ------
    SourceError
        If it is neither, or a length is not positive.

    Examples
    --------
    >>> read_voxel_um("2.5"), read_voxel_um("5,2.5,2.5"), read_voxel_um([1, 2, 3])
    ((2.5, 2.5, 2.5), (5.0, 2.5, 2.5), (1.0, 2.0, 3.0))
    """
    split: Any = value.split(",") if isinstance(value, str) else value
    parts = list(split) if isinstance(split, list | tuple) else [split]
    try:
        edges = [float(part) for part in parts] * (3 if len(parts) == 1 else 1)
    except (TypeError, ValueError):
        edges = []
    if len(edges) != 3 or not all(0 < edge < float("inf") for edge in edges):
        raise SourceError(
            f"voxel size {value!r} is not one positive length in um, or three.",
            "Give --voxel-um V or --voxel-um Z,Y,X, or correct voxel_um in the metadata file.",
        )
    return (edges[0], edges[1], edges[2])


def _find_facts(source: str) -> Path | None:
    path = Path(source)
    if not path.exists() and ":" in source:
        path = Path(source.rpartition(":")[0])
    beside = [path.with_name(f"{path.name}.meta.yaml")]
    beside.append(path / "scan.yaml" if path.is_dir() else path.with_name("scan.yaml"))
    if path.is_dir():
        # A folder that is one volume, such as a Zarr store, is described beside it.
        beside.append(path.with_name("scan.yaml"))
    return next((file for file in beside if file.is_file()), None)


def _read_facts(path: Path | None, stated: Path | None) -> tuple[ScanMetadata, dict[str, Any]]:
    if path is None:
        return ScanMetadata(), {}
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        kind = NotFoundError if path == stated else UsageError
        raise kind(f"metadata file {path} cannot be read: {error}.") from None
    return read_metadata(text, str(path))
