"""A particle embedded in a box of its surroundings, as tetrahedra for anyone's own solver."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.kernels.tetrahedra import BYTES_A_VOXEL, SIDES, TetMesh, mesh_regions
from pipeline.model.recipe import OUTSIDE
from pipeline.report.meshes import COARSEST_LEVEL, LIMIT_BYTES
from pipeline.stores.crops import Crop, CropReader
from pipeline.stores.job import write_whole
from pipeline.stores.regionfiles import REGION_SUFFIXES, write_regions

PARTICLE = "particle"
"""Name of the region of the particle itself; other bodies of its phase keep the phase's name."""

_BYTES_READ = 8  # of a voxel of a crop


@dataclass(frozen=True, slots=True)
class Embedding:
    """Tetrahedra of a crop, region by region.

    Parameters
    ----------
    crop : Crop
        What was meshed.
    mesh : TetMesh
        The tetrahedra.
    regions : tuple of str
        Name of each region.
    n_voxels : tuple of int
        Voxels of each region.
    """

    crop: Crop
    mesh: TetMesh
    regions: tuple[str, ...]
    n_voxels: tuple[int, ...]

    @property
    def name(self) -> str:
        """Name of its files, without suffix."""
        return f"{self.crop.phase}-{self.crop.particle_id}-embedded"

    def surfaces(self) -> dict[str, tuple[int, int]]:
        """Return the name of each pair of sides that occurs."""
        pairs = np.unique(self.mesh.sides, axis=0).tolist()
        # A face of the box keeps its name whatever lies behind it.
        return {
            SIDES[-1 - a] if a < 0 else f"{self.regions[a]} to {self.regions[b]}": (a, b)
            for a, b in pairs
        }

    def facts(self) -> dict[str, Any]:
        """Return what stands beside the files: units, regions, surfaces, quality."""
        volumes, areas = self.mesh.volumes_um3, self.mesh.areas_um2
        voxel = math.prod(self.crop.voxel_um)
        regions = {}
        for number, (name, n) in enumerate(zip(self.regions, self.n_voxels, strict=True)):
            own = volumes[self.mesh.regions == number]
            volume = float(own.sum())
            regions[name] = {
                "number": number + 1,
                "n_tetrahedra": own.size,
                "volume_um3": volume,
                "volume_error": volume / (n * voxel) - 1.0,
            }
        surfaces = {
            name: {"number": number, "area_um2": float(areas[self._on(name)].sum())}
            for name, number in self._numbers().items()
        }
        return {
            "scan": self.crop.scan_id,
            "phase": self.crop.phase,
            "particle_id": self.crop.particle_id,
            "unit": "um",
            "axes": "x y z of the scan, from the low corner of the volume",
            "pyramid_level": self.crop.level,
            "touches_border": self.crop.touches_border,
            "n_vertices": len(self.mesh.vertices),
            "n_tetrahedra": len(self.mesh.tetrahedra),
            "least_volume_over_mean": float(volumes.min() / volumes.mean()),
            "regions": regions,
            "surfaces": surfaces,
        }

    def write(self, folder: Path) -> list[Path]:
        """Write the tetrahedra as Gmsh and VTU files, and their facts as JSON.

        Raises
        ------
        StoreError
            If they cannot be written.
        """
        numbers = self._numbers()
        tags = np.zeros(len(self.mesh.triangles), np.int64)
        for name, number in numbers.items():
            tags[self._on(name)] = number
        names = {name: (i + 1, 3) for i, name in enumerate(self.regions)}
        names |= {name: (number, 2) for name, number in numbers.items()}
        paths = [folder / f"{self.name}{suffix}" for suffix in REGION_SUFFIXES]
        for path in paths:
            write_regions(
                path,
                self.mesh.vertices,
                self.mesh.tetrahedra,
                self.mesh.regions.astype(np.int64) + 1,
                self.mesh.triangles,
                tags,
                names,
            )
        facts = folder / f"{self.name}.json"
        text = json.dumps({**self.facts(), "files": [p.name for p in paths]}, indent=2)
        write_whole(facts, (text + "\n").encode())
        return [*paths, facts]

    def _numbers(self) -> dict[str, int]:
        """Return the number of each surface; they follow those of the regions."""
        return {name: len(self.regions) + 1 + i for i, name in enumerate(self.surfaces())}

    def _on(self, name: str) -> Any:
        a, b = self.surfaces()[name]
        sides = self.mesh.sides
        return sides[:, 0] == a if a < 0 else (sides[:, 0] == a) & (sides[:, 1] == b)


def embed_particle(
    crops: CropReader,
    phase: str,
    particle_id: int,
    margin_vx: int,
    limit_bytes: int = LIMIT_BYTES,
) -> Embedding:
    """Return the tetrahedra of a particle and what is around it.

    Parameters
    ----------
    crops : CropReader
        The scan.
    phase : str
        Phase of the particle.
    particle_id : int
        Its id.
    margin_vx : int
        Voxels of surroundings on every side, as far as the volume reaches.
    limit_bytes : int
        Memory that it may take; a box that needs more is read from a coarser level.

    Returns
    -------
    Embedding
        Regions are the particle, and each phase that occurs around it.

    Raises
    ------
    NotFoundError
        If there is no such particle.
    PlanError
        If it does not fit even at the coarsest level.
    """
    crop = crops.read(
        phase,
        particle_id,
        margin_vx,
        limit_bytes=limit_bytes * _BYTES_READ // BYTES_A_VOXEL,
        coarsest_level=COARSEST_LEVEL,
    )
    return embed_crop(crop)


def embed_crop(crop: Crop) -> Embedding:
    """Return the tetrahedra of a crop; see `embed_particle`."""
    positions = [int(p) for p in np.unique(crop.phases[~crop.mask])]
    table = np.zeros(256, np.uint8)
    table[positions] = np.arange(1, len(positions) + 1)
    regions = np.where(crop.mask, 0, table[crop.phases]).astype(np.uint8)
    names = ["outside" if p == OUTSIDE else crop.phase_names[p] for p in positions]
    return Embedding(
        crop=crop,
        mesh=mesh_regions(regions, crop.voxel_um, crop.origin_um),
        regions=(PARTICLE, *names),
        n_voxels=tuple(np.bincount(regions.ravel(), minlength=len(names) + 1).tolist()),
    )
