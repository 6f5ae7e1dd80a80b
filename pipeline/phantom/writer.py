"""A simulated scan on disk: the volume, what a scanner's operator states, and the truth."""

from __future__ import annotations

import json
import os
import shutil
import uuid
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from pipeline.errors import StoreError, UsageError
from pipeline.model.grid import Box, TileGrid, Triple
from pipeline.phantom.containers import (
    FORMATS,
    Container,
    Format,
    ZarrImage,
    create_container,
    default_tile_shape,
)
from pipeline.phantom.projection import Beam, ProjectedRenderer, effective_energy_kev
from pipeline.phantom.render import Renderer, Rendering
from pipeline.phantom.specimen import OUTSIDE, SpecimenSpec
from pipeline.phantom.truth import Census, census_of, count_phases, write_truth

AnyRenderer = Renderer | ProjectedRenderer

ALLOY = "CC-319R"
_HEAT_TREATMENT = (
    "solution 495 C 2 h",
    "solution 515 C 4 h",
    "water quench 60 C",
    "age 180 C 6 h",
)


@dataclass(frozen=True, slots=True)
class SpecimenFiles:
    """What was written.

    Parameters
    ----------
    folder : Path
        Holds everything.
    volume : Path
        The volume, as a source to submit: the folder itself for TIFF slices, else a file in it.
    scan_yaml : Path
        Metadata of the scan.
    truth : Path
        Parquet table of the bodies.
    phases : Path or None
        Exact phase map (OME-Zarr, array ``0``), if asked for.
    n_bodies : int
        Rows of the table.
    census : Census
        Voxels of each phase in the exact phase map; also in ``truth.json``.
    """

    folder: Path
    volume: Path
    scan_yaml: Path
    truth: Path
    phases: Path | None
    n_bodies: int
    census: Census


def scan_facts(spec: SpecimenSpec) -> dict[str, Any]:
    """Return the content of ``scan.yaml``: what an operator would state of this scan.

    Both tempers of a seed are the same specimen.

    Examples
    --------
    >>> scan_facts(SpecimenSpec((96, 96, 96), 1.5, seed=7, temper="T6"))["specimen"]
    'sim-7'
    """
    facts: dict[str, Any] = {
        "specimen": f"sim-{spec.seed}",
        "condition": "as cast" if spec.temper == "F" else "solution treated and aged",
        "alloy": ALLOY,
        "temper": spec.temper,
        "heat_treatment": list(_HEAT_TREATMENT) if spec.temper == "T6" else [],
        "beam_energy_kev": spec.energy_kev,
        "tags": ["simulated"],
        "voxel_um": [spec.voxel_um] * 3,
    }
    return facts


def write_specimen(
    spec: SpecimenSpec,
    dest: Path,
    format: Format = "tiff",  # noqa: A002 - the word that callers and the command line use
    tile_shape: Triple | None = None,
    with_phases: bool = False,
    on_progress: Callable[[int, int], None] | None = None,
    n_threads: int = 1,
    beam: Beam | None = None,
) -> SpecimenFiles:
    """Simulate a scan and write it, tile by tile.

    The folder appears under its name when it is complete; after a failure nothing is left.

    Parameters
    ----------
    spec : SpecimenSpec
        What to simulate.
    dest : Path
        Folder to create; it may exist if it is empty.
    format : {'tiff', 'hdf5', 'raw', 'zarr', 'nrrd', 'npy'}
        Format of the volume.  TIFF slices lie in `dest` itself, others are ``volume.<suffix>``.
    tile_shape : tuple of int, optional
        Voxels rendered and written at once; the voxels do not depend on it.
    with_phases : bool
        Whether to write the exact phase map too, as ``phases.zarr``.
    on_progress : callable, optional
        Called after each tile with voxels done and voxels in all.
    n_threads : int
        Tiles rendered at the same time; memory grows with it.
    beam : Beam, optional
        Project and reconstruct the specimen with this beam; its effective energy takes the place
        of the specification's.

    Returns
    -------
    SpecimenFiles
        Paths and the true census.

    Raises
    ------
    UsageError
        If the format is unknown, `dest` exists and is not an empty folder, or the disk is too
        small.
    StoreError
        If the system refuses to write.
    """
    if format not in FORMATS:
        raise UsageError(
            f"format {format!r} is not written.", f"Choose one of {', '.join(FORMATS)}."
        )
    if n_threads < 1:
        raise UsageError(f"n_threads = {n_threads} wants at least 1.", "Give a whole number.")
    dest = Path(dest)
    if beam is not None:
        spec = replace(spec, energy_kev=round(effective_energy_kev(spec, beam), 2))
    renderer = Renderer(spec) if beam is None else ProjectedRenderer(spec, beam)
    grid = TileGrid(spec.size_vx, tile_shape or default_tile_shape(format, spec.size_vx))
    partial = dest.with_name(f".{dest.name}.{uuid.uuid4().hex[:8]}.partial")
    try:
        _check_room(dest, spec, with_phases)
        partial.mkdir(parents=True)
        census = _write_volume(renderer, partial, format, grid, with_phases, on_progress, n_threads)
        n_bodies = _write_facts(renderer, partial, census)
        os.replace(partial, dest)
    except OSError as error:
        raise StoreError(
            f"the simulated specimen could not be written to {dest}: {error}.",
            "Choose a destination that can be written and has room.",
        ) from error
    finally:
        shutil.rmtree(partial, ignore_errors=True)
    return _files(dest, format, with_phases, n_bodies, census)


def _check_room(dest: Path, spec: SpecimenSpec, with_phases: bool) -> None:
    if dest.exists() and (not dest.is_dir() or any(dest.iterdir())):
        raise UsageError(
            f"{dest} exists and is not an empty folder.",
            "Choose another destination, or empty this one.",
        )
    parent = dest.absolute().parent
    while not parent.exists():
        parent = parent.parent
    needed = Box((0, 0, 0), spec.size_vx).n_voxels * (3 if with_phases else 2)
    free = shutil.disk_usage(parent).free
    if needed > free:
        raise UsageError(
            f"a volume of {needed / 1e9:.1f} GB does not fit to {dest}: {free / 1e9:.1f} GB are "
            "free.",
            "Choose another destination or a smaller size.",
        )


def _renderings(
    renderer: AnyRenderer, grid: TileGrid, n_threads: int
) -> Iterator[tuple[Box, Rendering]]:
    """Yield the tiles in raster order; at most one more than `n_threads` is held."""
    if n_threads == 1:
        for tile in grid:
            yield tile.core, renderer.render(tile.core, with_phases=True)
        return
    with ThreadPoolExecutor(n_threads) as pool:
        waiting: deque[tuple[Box, Future[Rendering]]] = deque()
        for tile in grid:
            waiting.append((tile.core, pool.submit(renderer.render, tile.core, True)))
            if len(waiting) > n_threads:
                box, future = waiting.popleft()
                yield box, future.result()
        while waiting:
            box, future = waiting.popleft()
            yield box, future.result()


def _write_volume(
    renderer: AnyRenderer,
    folder: Path,
    form: Format,
    grid: TileGrid,
    with_phases: bool,
    on_progress: Callable[[int, int], None] | None,
    n_threads: int,
) -> Census:
    """Write the volume and the phase map, and fold the census on the way."""
    size, um = renderer.spec.size_vx, renderer.spec.voxel_um
    targets: list[Container] = [create_container(form, folder, size, um, grid.tile_shape)]
    if with_phases:
        path = folder / "phases.zarr"
        targets.append(ZarrImage(path, size, um, grid.tile_shape, "uint8", OUTSIDE))
    counts = np.zeros(OUTSIDE + 1, np.int64)
    done, total = 0, Box((0, 0, 0), size).n_voxels
    try:
        for box, rendering in _renderings(renderer, grid, n_threads):
            assert rendering.phases is not None
            counts += count_phases(rendering.phases)
            targets[0].write(box, rendering.grey)
            for target in targets[1:]:
                target.write(box, rendering.phases)
            del rendering  # or it would live on beside the next tile
            done += box.n_voxels
            if on_progress is not None:
                on_progress(done, total)
    finally:
        for target in targets:
            target.close()
    return census_of(counts)


def _write_facts(renderer: AnyRenderer, folder: Path, census: Census) -> int:
    spec, facts = renderer.spec, scan_facts(renderer.spec)
    beam = renderer.beam if isinstance(renderer, ProjectedRenderer) else None
    if beam is not None:
        facts["tube_kv"] = beam.tube_kv
    (folder / "scan.yaml").write_text(yaml.safe_dump(facts, sort_keys=False), encoding="utf-8")
    n_bodies = write_truth(spec, folder / "truth.parquet")
    truth = {
        "specimen": asdict(spec),
        "beam": asdict(beam) if beam is not None else None,
        "grey": asdict(renderer.scale) | {"levels": renderer.scale.levels},
        "n_bodies": n_bodies,
        "n_voxels": census.n_voxels,
        "volume_fractions": census.fractions,
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", encoding="utf-8")
    return n_bodies


_VOLUME_NAMES: dict[Format, str] = {
    "tiff": "",
    "hdf5": "volume.h5",
    "raw": "volume.raw",
    "zarr": "volume.zarr",
    "nrrd": "volume.nrrd",
    "npy": "volume.npy",
}


def _files(
    dest: Path, form: Format, with_phases: bool, n_bodies: int, census: Census
) -> SpecimenFiles:
    return SpecimenFiles(
        folder=dest,
        volume=dest / _VOLUME_NAMES[form],
        scan_yaml=dest / "scan.yaml",
        truth=dest / "truth.parquet",
        phases=dest / "phases.zarr" if with_phases else None,
        n_bodies=n_bodies,
        census=census,
    )
