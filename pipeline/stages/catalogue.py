"""Catalogue: a scan's rows enter the tables in one atomic commit; runs on the driver."""

from __future__ import annotations

import json
import platform
from datetime import UTC, datetime
from importlib.metadata import version

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.model.plan import Plan
from pipeline.model.records import SCANS
from pipeline.stages.filters import open_filter
from pipeline.stages.flatten import describe_flatten
from pipeline.stages.grey import read_scale
from pipeline.stages.noise import read_noise
from pipeline.stages.quality import read_quality
from pipeline.stages.segment import read_thresholds
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.job import JobFolder, write_whole

LIBRARIES = ("numpy", "numba", "scipy", "zarr", "numcodecs", "pyarrow", "deltalake")


class CatalogueStage:
    """Rows to the catalogue."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        self.folder, self.plan = folder, plan

    def prepare(self) -> None:
        """Need nothing."""

    def process(self, number: int) -> int:
        """Have no tiles."""
        raise RuntimeError(f"the catalogue stage has no tile {number}")

    def fold(self) -> None:
        """Commit the rows; doing it again replaces them by themselves."""
        folder = self.folder
        committed = Catalogue(folder.workspace / "catalogue").commit(
            pa.Table.from_pylist([self._scan_row()], schema=SCANS.schema),
            pq.read_table(folder.product("phases.parquet")),
            pq.read_table(folder.product("particles.parquet")),
            {
                name: pq.read_table(folder.product(f"{name}.parquet"))
                for name in ("contacts", "members", "neighbours", "statistics")
                # Not every recipe asks for all of them.
                if folder.product(f"{name}.parquet").exists()
            },
        )
        write_whole(folder.product("commit.json"), json.dumps({"version": committed}).encode())

    def _scan_row(self) -> dict[str, object]:
        plan, folder = self.plan, self.folder
        header, recipe = plan.header, plan.recipe
        scale, thresholds = read_scale(folder), read_thresholds(folder)
        noise = read_noise(folder)
        voxel = plan.voxel_um
        ran = (folder.ledger(stage.name, stage.key).seconds() for stage in plan.stages)
        libraries = {name: version(name) for name in LIBRARIES}
        facts = plan.metadata.model_dump(mode="json")
        return {
            "scan_id": plan.scan_id,
            "job": folder.name,
            **facts,
            **{f"size_{a}_vx": n for a, n in zip("zyx", header.shape, strict=True)},
            **{f"voxel_{a}_um": v for a, v in zip("zyx", voxel, strict=True)},
            "dtype": header.dtype,
            "n_voxels_mask": thresholds.n_voxels,
            "mask_volume_um3": thresholds.n_voxels * voxel[0] * voxel[1] * voxel[2],
            "n_voxels_nonfinite": scale.n_nonfinite,
            "grey_gain": scale.gain,
            "grey_offset": scale.offset,
            "noise_sd": None if noise.sd is None else noise.sd * scale.gain,
            **read_quality(folder).scan,
            **describe_flatten(folder, plan, scale.gain),
            "denoise_used": open_filter(recipe.condition.denoise, noise).describe(),
            "thresholds": list(thresholds.source),
            "segment_notes": list(thresholds.notes),
            "connectivity": recipe.label.connectivity,
            "recipe_hash": recipe.hash,
            "recipe_name": recipe.name,
            "recipe_yaml": recipe.to_yaml(),
            "source_checksum": folder.product("checksum.txt").read_text(),
            "source_location": header.location,
            "source_format": header.format,
            "code_version": plan.code_version,
            "library_versions": json.dumps({"python": platform.python_version(), **libraries}),
            "committed_at": datetime.now(UTC),
            "seconds": sum(ran),
        }
