"""Crops: one particle of a finished scan with its surroundings, read from the workspace.

The catalogue knows the box of every particle, so a crop costs the chunks under that box and no
more, however many tiles the particle spans.  Its size is known, and bounded, before it is read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import yaml
import zarr
from numpy.typing import NDArray

from pipeline.errors import DamageError, NotFoundError, PlanError, UsageError
from pipeline.model.grid import Box, Triple
from pipeline.model.records import PARTICLES
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.delta import flat
from pipeline.stores.ome import need_labels
from pipeline.stores.places import Place
from pipeline.stores.volume import open_volume, read_box

LIMIT_BYTES = 512 * 2**20
"""Most bytes that a crop may take while it is read, unless the caller says otherwise."""

Lengths = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Crop:
    """One particle in a box of its scan.

    Parameters
    ----------
    scan_id, phase, particle_id : str, str, int
        What it is.
    level : int
        Level of the pyramid: 0 is full resolution, every further one has twice the edge.  Coarse
        labels are every second voxel of the finer ones, so volumes hold on average and plates of
        one or two voxels may break up; they stand up to half a coarse voxel off.
    box : Box
        Box in voxels of that level, within the volume.
    voxel_um : tuple of float
        Edges of a voxel of that level, (z, y, x).
    mask : ndarray of bool, shape of the box
        Voxels of the particle.
    phases : ndarray of uint8, shape of the box
        Phase map: position in `phase_names`, 255 outside the specimen.
    grey : ndarray, shape of the box
        Grey levels of the source.
    phase_names : tuple of str
        Phases of the scan, dark to bright.
    clipped : tuple of pairs of bool
        For each of (z, y, x), whether the particle touches the volume's (low, high) face, where
        it is cut.
    load_axis : tuple of float
        Load axis of the scan's recipe, (z, y, x), of length 1.
    row : dict
        The particle's row of the catalogue.
    """

    scan_id: str
    phase: str
    particle_id: int
    level: int
    box: Box
    voxel_um: Lengths
    mask: NDArray[np.bool_]
    phases: NDArray[np.uint8]
    grey: NDArray[Any]
    phase_names: tuple[str, ...]
    clipped: tuple[tuple[bool, bool], ...]
    load_axis: Lengths
    row: dict[str, Any]

    @property
    def origin_um(self) -> Lengths:
        """Low corner of the box, (z, y, x), from the volume's low face."""
        a, v = self.box.start, self.voxel_um
        return (a[0] * v[0], a[1] * v[1], a[2] * v[2])

    @property
    def touches_border(self) -> bool:
        """Whether the volume's border cuts the particle."""
        return any(any(pair) for pair in self.clipped)


@dataclass(frozen=True, slots=True)
class CropReader:
    """A finished scan, ready to be read particle by particle; small and picklable.

    Parameters
    ----------
    workspace : Path or ObjectFolder
        The workspace.
    scan_id : str
        The scan.
    version : int
        Version of the catalogue that rows are read from.
    shape : tuple of int
        Voxels of the volume, (z, y, x).
    voxel_um : tuple of float
        Edges of a voxel, (z, y, x).
    phase_names : tuple of str
        Phases, dark to bright.
    particle_phases : tuple of str
        Those that have particles.
    load_axis : tuple of float
        Load axis of the recipe, of length 1.
    """

    workspace: Place
    scan_id: str
    version: int
    shape: Triple
    voxel_um: Lengths
    phase_names: tuple[str, ...]
    particle_phases: tuple[str, ...]
    load_axis: Lengths

    @property
    def store(self) -> Place:
        """The scan's OME-Zarr store."""
        return self.workspace / "scans" / f"{self.scan_id}.zarr"

    def has_level(self, level: int) -> bool:
        """Tell whether the scan's pyramid has a level."""
        return (self.store / str(level) / "zarr.json").is_file()

    def largest(self, phase: str, n: int) -> list[int]:
        """Return the ids of the `n` particles of most voxels, largest first, then by id."""
        self._need_phase(phase)
        rows = self._rows(pc.field("phase") == phase, ["particle_id", "n_voxels"])
        order = [("n_voxels", "descending"), ("particle_id", "ascending")]
        ids: list[int] = rows.sort_by(order)["particle_id"].slice(0, n).to_pylist()
        return ids

    def row(self, phase: str, particle_id: int) -> dict[str, Any]:
        """Return the catalogue's row of one particle.

        Raises
        ------
        NotFoundError
            If the scan has no such phase of particles, or that no such particle.
        """
        self._need_phase(phase)
        of_phase = pc.field("phase") == phase
        wanted = of_phase & (pc.field("particle_id") == particle_id)
        found = self._rows(wanted, [c.name for c in PARTICLES.columns]).to_pylist()
        if not found:
            n = self._rows(of_phase, ["particle_id"]).num_rows
            raise NotFoundError(
                f"scan {self.scan_id} has no {phase} particle {particle_id}; it has {n} of them, "
                f"numbered from 1.",
                "Query the table particles for their ids.",
            )
        row: dict[str, Any] = found[0]
        return row

    def read(
        self,
        phase: str,
        particle_id: int,
        margin_vx: int = 4,
        *,
        limit_bytes: int = LIMIT_BYTES,
        coarsest_level: int = 0,
        finest_level: int = 0,
    ) -> Crop:
        """Read one particle with a margin around its box.

        Parameters
        ----------
        phase : str
            Name of the phase.
        particle_id : int
            Id within the phase.
        margin_vx : int
            Voxels around the bounding box on every side, as far as the volume reaches.
        limit_bytes : int
            Most bytes that ids, mask, phases and grey may take together.
        coarsest_level : int
            Level of the pyramid down to which a crop over the limit may be read instead.
        finest_level : int
            Level to begin with.

        Returns
        -------
        Crop
            The particle; `level` says which resolution.

        Raises
        ------
        NotFoundError
            If there is no such phase or particle, or the scan's store is gone.
        PlanError
            If the crop takes more than the limit on every level allowed.
        DamageError
            If a shard is damaged, or the labels do not hold what the catalogue counted.
        """
        if margin_vx < 0:
            raise UsageError(f"margin_vx wants 0 or more, got {margin_vx}.")
        row = self.row(phase, particle_id)
        body = Box(
            (row["bbox_z_start_vx"], row["bbox_y_start_vx"], row["bbox_x_start_vx"]),
            (row["bbox_z_stop_vx"], row["bbox_y_stop_vx"], row["bbox_x_stop_vx"]),
        )
        levels = range(finest_level, max(finest_level, coarsest_level) + 1)
        level, box = self._choose(phase, particle_id, body, margin_vx, limit_bytes, levels)
        ids = read_box(self._open(f"labels/{phase}", level), box)
        mask = ids == particle_id
        del ids
        if level == 0 and np.count_nonzero(mask) != row["n_voxels"]:
            raise DamageError(
                f"{self.store}/labels/{phase} holds {np.count_nonzero(mask)} voxels of particle "
                f"{particle_id}, the catalogue counted {row['n_voxels']}.",
                "Submit the scan again with --replace.",
            )
        v = self.voxel_um
        return Crop(
            scan_id=self.scan_id,
            phase=phase,
            particle_id=particle_id,
            level=level,
            box=box,
            voxel_um=(v[0] * 2**level, v[1] * 2**level, v[2] * 2**level),
            mask=mask,
            phases=read_box(self._open("labels/phases", level), box).astype(np.uint8, copy=False),
            grey=read_box(self._open("", level), box),
            phase_names=self.phase_names,
            clipped=tuple(
                (a == 0, b == n) for a, b, n in zip(body.start, body.stop, self.shape, strict=True)
            ),
            load_axis=self.load_axis,
            row=row,
        )

    def _choose(
        self, phase: str, particle_id: int, body: Box, margin: int, limit: int, levels: range
    ) -> tuple[int, Box]:
        """Return the finest level on which the crop keeps the limit, and its box there."""
        need = last = 0
        for level in levels:
            if level > levels[0] and not self.has_level(level):
                break
            grey, ids = self._open("", level), self._open(f"labels/{phase}", level)
            a = [v >> level for v in body.start]
            b = [-(-v // 2**level) for v in body.stop]
            shape: Triple = (grey.shape[0], grey.shape[1], grey.shape[2])
            box = Box((a[0], a[1], a[2]), (b[0], b[1], b[2])).grow((margin,) * 3).clip(shape)
            last, need = level, box.n_voxels * (grey.dtype.itemsize + ids.dtype.itemsize + 2)
            if need <= limit:
                return level, box
        raise PlanError(
            f"the crop of {phase} particle {particle_id} of scan {self.scan_id} takes "
            f"{need / 2**20:.3g} MiB at level {last} of the pyramid, over the limit of "
            f"{limit / 2**20:.3g} MiB.",
            "Raise the limit, or allow a coarser level.",
        )

    def _open(self, group: str, level: int) -> zarr.Array[Any]:
        path = self.store / group / str(level)
        if not (path / "zarr.json").is_file():
            raise NotFoundError(
                f"{path} is not there: the catalogue has scan {self.scan_id}, its store is gone.",
                "Restore the store, or submit the scan again with --replace.",
            )
        return open_volume(path)

    def _rows(self, wanted: pc.Expression, columns: list[str]) -> pa.Table:
        dataset = Catalogue(self.workspace / "catalogue").snapshot(self.version)
        try:
            return dataset.dataset(PARTICLES.name, self.scan_id).to_table(columns, filter=wanted)
        except (OSError, pa.ArrowException) as error:
            raise DamageError(f"Rows of the catalogue cannot be read: {flat(error)}.") from None

    def _need_phase(self, phase: str) -> None:
        if phase not in self.particle_phases:
            raise NotFoundError(
                f"scan {self.scan_id} has no particles of a phase {phase!r}.",
                f"Its phases of particles: {', '.join(self.particle_phases)}.",
            )


def open_crops(workspace: Place, scan_id: str) -> CropReader:
    """Open a finished scan for reading particles.

    Parameters
    ----------
    workspace : Path or ObjectFolder
        The workspace.
    scan_id : str
        The scan.

    Returns
    -------
    CropReader
        The reader.

    Raises
    ------
    NotFoundError
        If the scan is not in the catalogue, its store is gone, or the store holds the labels of
        another job than the rows.
    """
    catalogue = Catalogue(workspace / "catalogue")
    version = catalogue.version()
    scan = catalogue.read("scans", scan_id, version=version).to_pylist()[0]
    phases = catalogue.read("phases", scan_id, ["phase", "kind"], version).to_pylist()
    store = workspace / "scans" / f"{scan_id}.zarr"
    if not (store / "labels").is_dir():
        raise NotFoundError(
            f"{store} is not there or has no labels, though the catalogue has scan {scan_id}.",
            f"Restore it, or write it with: castcensus resume {scan['job']}",
        )
    need_labels(store, scan_id, scan["job"])
    return CropReader(
        workspace=workspace,
        scan_id=scan_id,
        version=version,
        shape=(scan["size_z_vx"], scan["size_y_vx"], scan["size_x_vx"]),
        voxel_um=(scan["voxel_z_um"], scan["voxel_y_um"], scan["voxel_x_um"]),
        phase_names=tuple(p["phase"] for p in phases),
        particle_phases=tuple(p["phase"] for p in phases if p["kind"] == "particles"),
        load_axis=_load_axis(scan["recipe_yaml"]),
    )


def _load_axis(recipe: str) -> Lengths:
    """Return the load axis of a recipe as a unit vector.

    Only this key is read: recipes of older versions of this project stay readable.
    """
    z, y, x = yaml.safe_load(recipe).get("load_axis", (1.0, 0.0, 0.0))
    n = math.sqrt(z * z + y * y + x * x)
    return (z / n, y / n, x / n)
