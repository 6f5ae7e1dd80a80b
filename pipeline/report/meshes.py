"""Particles of a finished scan as surfaces: read, meshed, decimated, judged, written."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.errors import PlanError
from pipeline.kernels.decimation import decimate_surface
from pipeline.kernels.surface import Surface, mesh_surface, meshing_bytes
from pipeline.kernels.surfacefields import (
    MeshQuality,
    measure_curvature,
    measure_quality,
    measure_thickness,
)
from pipeline.report.style import save_figure
from pipeline.report.surfaces import Shown, draw_sheet, draw_surface
from pipeline.stores.crops import Crop, CropReader
from pipeline.stores.job import write_partly, write_whole
from pipeline.stores.surfacefiles import SUFFIXES, write_surface

ERROR_SHARE = 0.25
"""Error of decimation unless stated, as a share of the shortest edge of a voxel."""

LIMIT_BYTES = 2 * 2**30
"""Memory of meshing unless stated."""

FIELDS = {
    "thickness": ("thickness_um", "thickness along the inward normal in µm", False),
    "curvature": ("curvature_per_um", "mean curvature in 1/µm, negative in dents", True),
}
"""What may colour a picture: values by vertex, what they are called there, whether signed."""

COARSEST_LEVEL = 3
"""Level of the pyramid down to which a particle is meshed that does not fit at full resolution."""


@dataclass(frozen=True, slots=True)
class ParticleMesh:
    """The surface of one particle.

    Parameters
    ----------
    scan_id, phase, particle_id : str, str, int
        What it is.
    surface : Surface
        The surface, in um from the volume's low corner.
    quality : MeshQuality
        Its figures; the volume's error is against the voxels that were meshed.
    n_faces_smooth : int
        Triangles before decimation.
    max_error_um, error_um : float
        Hausdorff distance of decimation: allowed, and measured.
    level : int
        Level of the pyramid that was read: 0 is full resolution.
    voxel_um : tuple of float
        Edges of the voxels that were meshed, (z, y, x).
    clipped : tuple of pairs of bool
        For each of (z, y, x), whether the volume's (low, high) face cuts the particle.
    load_axis : tuple of float
        Load axis of the scan, (z, y, x).
    thickness_um, curvature_per_um : ndarray of float64
        By vertex.
    row : dict
        The particle's row of the catalogue.
    """

    scan_id: str
    phase: str
    particle_id: int
    surface: Surface
    quality: MeshQuality
    n_faces_smooth: int
    max_error_um: float
    error_um: float
    level: int
    voxel_um: tuple[float, float, float]
    clipped: tuple[tuple[bool, bool], ...]
    load_axis: tuple[float, float, float]
    thickness_um: NDArray[np.float64]
    curvature_per_um: NDArray[np.float64]
    row: dict[str, Any]

    @property
    def name(self) -> str:
        """Name of its files, without suffix."""
        return f"{self.phase}-{self.particle_id}"

    @property
    def touches_border(self) -> bool:
        """Whether the volume's border cuts the particle; the surface is closed there."""
        return any(any(pair) for pair in self.clipped)

    @property
    def title(self) -> str:
        """Line above its picture."""
        cut = ", cut by the border" if self.touches_border else ""
        volume = f"{float(f'{self.quality.volume_um3:.4g}'):,.6g}".replace(",", "\u202f")
        return f"{self.phase} {self.particle_id}\n{volume} µm³{cut}"

    def facts(self) -> dict[str, Any]:
        """Return what stands beside the files: units, frame, flags, quality."""
        faces = [f"{a} {side}" for a, pair in zip("zyx", self.clipped, strict=True)
                 for side, cut in zip(("low", "high"), pair, strict=True) if cut]  # fmt: skip
        return {
            "scan": self.scan_id,
            "phase": self.phase,
            "particle_id": self.particle_id,
            "unit": "um",
            "axes": "x y z of the scan, from the low corner of the volume",
            "voxel_um": {a: v for a, v in zip("zyx", self.voxel_um, strict=True)},  # noqa: C416
            "pyramid_level": self.level,
            "closed_at_border": faces,
            "volume_um3_catalogue": self.row["volume_um3"],
            "max_error_um": self.max_error_um,
            "error_um": self.error_um,
            "n_faces_smooth": self.n_faces_smooth,
            "thickness_median_um": float(np.median(self.thickness_um)),
            **asdict(self.quality),
        }


def mesh_particle(
    crops: CropReader,
    phase: str,
    particle_id: int,
    max_error_um: float | None = None,
    limit_bytes: int = LIMIT_BYTES,
) -> ParticleMesh:
    """Return the surface of a particle of a finished scan.

    Parameters
    ----------
    crops : CropReader
        The scan.
    phase : str
        Phase of the particle.
    particle_id : int
        Its id.
    max_error_um : float, optional
        Largest Hausdorff distance of decimation; a quarter of a voxel by default, 0 for none.
    limit_bytes : int
        Memory that it may take; a particle that needs more is read from a coarser level.

    Returns
    -------
    ParticleMesh
        Surface, figures and values by vertex.

    Raises
    ------
    NotFoundError
        If there is no such particle.
    PlanError
        If it does not fit even at the coarsest level.
    """
    need, level = 0, 0
    # Reading takes a third of what meshing does of the same box, so it may take as much itself.
    while level <= COARSEST_LEVEL and (level == 0 or crops.has_level(level)):
        crop = crops.read(
            phase,
            particle_id,
            margin_vx=0,
            limit_bytes=limit_bytes,
            finest_level=level,
            coarsest_level=COARSEST_LEVEL,
        )
        need = meshing_bytes(crop.mask)
        if need <= limit_bytes:
            return mesh_crop(crop, max_error_um)
        level = crop.level + 1
    raise PlanError(
        f"meshing {phase} particle {particle_id} of scan {crops.scan_id} takes about "
        f"{need / 2**20:.3g} MiB at level {level - 1} of the pyramid, over the limit of "
        f"{limit_bytes / 2**20:.3g} MiB.",
        "Raise the memory limit.",
    )


def mesh_crop(crop: Crop, max_error_um: float | None = None) -> ParticleMesh:
    """Return the surface of the particle of a crop; see `mesh_particle`."""
    allowed = ERROR_SHARE * min(crop.voxel_um) if max_error_um is None else max_error_um
    smooth = mesh_surface(crop.mask, crop.voxel_um, crop.origin_um)
    surface, error = decimate_surface(smooth, allowed)
    voxels_um3 = float(np.count_nonzero(crop.mask)) * math.prod(crop.voxel_um)
    return ParticleMesh(
        scan_id=crop.scan_id,
        phase=crop.phase,
        particle_id=crop.particle_id,
        surface=surface,
        quality=measure_quality(surface, voxels_um3),
        n_faces_smooth=len(smooth.faces),
        max_error_um=allowed,
        error_um=error,
        level=crop.level,
        voxel_um=crop.voxel_um,
        clipped=crop.clipped,
        load_axis=crop.load_axis,
        thickness_um=measure_thickness(surface),
        curvature_per_um=measure_curvature(surface),
        row=crop.row,
    )


def write_pictures(meshes: Sequence[ParticleMesh], folder: Path, field: str) -> list[Path]:
    """Draw each particle, and all of them on one sheet if there are several.

    Parameters
    ----------
    meshes : sequence of ParticleMesh
        Particles of one scan.
    folder : Path
        Where to.
    field : str
        One of `FIELDS`.

    Returns
    -------
    list of Path
        PNG files: one a particle, then the sheet.

    Raises
    ------
    StoreError
        If they cannot be written.
    """
    name, label, signed = FIELDS[field]
    shown = [Shown(mesh.surface, getattr(mesh, name), mesh.title) for mesh in meshes]
    paths = []
    for mesh, one in zip(meshes, shown, strict=True):
        paths.append(folder / f"{mesh.name}.png")
        _save(draw_surface(one, label, mesh.load_axis, signed=signed), paths[-1])
    if len(meshes) > 1:
        first = meshes[0]
        paths.append(folder / f"{first.phase}-sheet.png")
        title = f"{first.scan_id}, {len(meshes)} particles, {first.phase}"
        _save(draw_sheet(shown, label, first.load_axis, title, signed=signed), paths[-1])
    return paths


def _save(figure: Figure, path: Path) -> None:
    write_partly(path, lambda partial: save_figure(figure, partial))


def write_mesh(mesh: ParticleMesh, folder: Path, formats: Sequence[str]) -> list[Path]:
    """Write a particle's surface and, beside it, its facts as JSON.

    Parameters
    ----------
    mesh : ParticleMesh
        The surface.
    folder : Path
        Where to.
    formats : sequence of str
        Of `pipeline.stores.surfacefiles.SUFFIXES`.

    Returns
    -------
    list of Path
        Files of the surface, then the one of facts.

    Raises
    ------
    StoreError
        If they cannot be written.
    """
    fields = {
        "thickness_um": mesh.thickness_um,
        "curvature_per_um": mesh.curvature_per_um,
    }
    paths = [folder / f"{mesh.name}{SUFFIXES[name]}" for name in formats]
    for path in paths:
        write_surface(path, mesh.surface.vertices, mesh.surface.faces, fields)
    facts = folder / f"{mesh.name}.json"
    text = json.dumps({**mesh.facts(), "files": [p.name for p in paths]}, indent=2)
    write_whole(facts, (text + "\n").encode())
    return [*paths, facts]
