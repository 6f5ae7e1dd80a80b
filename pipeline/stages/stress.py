"""Stress: a particle a task; the screen of all, and the commit, when they are done."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.errors import ConvergenceError, PlanError
from pipeline.kernels.assessment import Assessment, Constants, assess_particle
from pipeline.kernels.embedding import pad_vx
from pipeline.model.plan import Plan
from pipeline.model.recipe import hash_values
from pipeline.model.records import STRESS
from pipeline.model.stress import StressTask
from pipeline.stages.screen import COLUMNS, find_matrix, lame_of, screen_rows
from pipeline.stages.warm import warm_stress
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.crops import Crop, open_crops
from pipeline.stores.job import JobFolder, write_arrays, write_whole

LEAST_THICKNESS_VX = 1.5
"""Thickness below which a particle that cannot be refined is refused."""

SOLVED, SCREENED, NOT_CONVERGED, REFUSED = "solved", "screened", "not converged", "refused"


class StressStage:
    """Particles to factors."""

    def __init__(self, folder: JobFolder, plan: Plan) -> None:
        if plan.stress is None:
            raise PlanError(f"job {folder.name} asks for no stress.")
        self.folder, self.plan, self.task = folder, plan, plan.stress
        self._crops = open_crops(folder.workspace, plan.scan_id)
        kinds = [phase.kind for phase in plan.recipe.phases]
        self._elastic = tuple(self.task.elastic[phase.name] for phase in plan.recipe.phases)
        self._matrix = find_matrix(kinds, self._elastic)

    def prepare(self) -> None:
        """Compile what workers will run."""
        warm_stress()

    def process(self, number: int) -> int:
        """Solve one particle and return its voxels; a refusal is a result and stands in its row."""
        phase, particle_id = self.task.particles[number]
        start = time.perf_counter()
        crop = self._read(phase, particle_id)
        row = self._solve(crop)
        row |= {"phase": phase, "particle_id": particle_id}
        row["seconds"] = round(time.perf_counter() - start, 3)
        write_whole(self._side(number), json.dumps(row).encode())
        return int(np.count_nonzero(crop.mask))

    def fold(self) -> None:
        """Screen every particle, put what was solved beside it, and commit."""
        plan, task = self.plan, self.task
        catalogue = Catalogue(self.folder.workspace / "catalogue")
        particles = catalogue.read("particles", plan.scan_id, COLUMNS)
        elastic = task.elastic
        matrix = self._elastic[self._matrix]
        rows = screen_rows(particles, task.load_axis, matrix, elastic).to_pylist()
        setting = hash_values(task.setting)
        solved = _kept(catalogue, plan.scan_id, setting)
        for number in range(len(task.particles)):
            row = json.loads(self._side(number).read_bytes())
            solved[row["phase"], row["particle_id"]] = {**row, "stress_job": self.folder.name}
        border = particles["touches_border"].to_pylist()
        for row, cut in zip(rows, border, strict=True):
            own = elastic[row["phase"]]
            row |= {
                "scan_id": plan.scan_id,
                "job": task.census_job,
                "state": SCREENED,
                "notes": [],
                **{f"load_axis_{a}": v for a, v in zip("zyx", task.load_axis, strict=True)},
                "youngs_gpa": own.youngs_gpa,
                "poisson": own.poisson,
                "youngs_range_percent": own.range_percent,
                "matrix_youngs_gpa": matrix.youngs_gpa,
                "matrix_poisson": matrix.poisson,
                "touches_border": cut,
                "setting_hash": setting,
                "stress_job": self.folder.name,
            }
            row |= solved.get((row["phase"], row["particle_id"]), {})
        table = pa.Table.from_pylist(rows, schema=STRESS.schema)
        version = catalogue.amend(plan.scan_id, task.census_job, STRESS.name, table)
        write_whole(self.folder.product("commit.json"), json.dumps({"version": version}).encode())

    def _side(self, number: int) -> Any:
        return self.folder.side("stress", number).with_suffix(".json")

    def _read(self, phase: str, particle_id: int) -> Crop:
        row = self._crops.row(phase, particle_id)
        z, y, x = (row[f"bbox_{a}_stop_vx"] - row[f"bbox_{a}_start_vx"] for a in "zyx")
        # Alone in matrix, nothing of the surroundings is looked at.
        margin = max(pad_vx((z, y, x), self._crops.voxel_um)) if self.task.in_company else 1
        return self._crops.read(phase, particle_id, margin, limit_bytes=crop_bytes(self.task))

    def _constants(self, phase: str) -> Constants:
        position = [p.name for p in self.plan.recipe.phases].index(phase)
        own = self._elastic[position]
        return Constants(
            phases=tuple(lame_of(e) for e in self._elastic),
            matrix=self._matrix,
            particle=position,
            low=lame_of(own.scaled(-1)),
            high=lame_of(own.scaled(+1)),
        )

    def _solve(self, crop: Crop) -> dict[str, Any]:
        constants = self._constants(crop.phase)
        notes = []
        if crop.touches_border:
            notes.append("cut by the volume's border: matrix was assumed beyond")
        try:
            alone = self._assess(crop, constants, company=False)
            notes += note_cell(alone)
            if refuses(alone):
                notes.append("one voxel thick, and too wide to be refined: raise the cell's limit")
                return {"state": REFUSED, "notes": notes}
            if not constants.is_void:
                write_arrays(
                    field_file(self.folder, crop.phase, crop.particle_id), field_of(alone, crop)
                )
            row = describe_alone(alone, crop, constants.is_void)
            if self.task.in_company:
                company = self._assess(crop, constants, company=True)
                row |= describe_company(company, alone, constants.is_void)
        except ConvergenceError as error:
            return {"state": NOT_CONVERGED, "notes": [*notes, error.what]}
        return {"state": SOLVED, "notes": notes, **row}

    def _assess(self, crop: Crop, constants: Constants, company: bool) -> Assessment:
        return assess_particle(
            crop.mask,
            crop.phases if company else None,
            constants,
            self.task.load_axis,
            crop.voxel_um,
            limit_voxels=self.task.limit_voxels,
            max_iterations=self.task.max_iterations,
        )


def field_file(folder: JobFolder, phase: str, particle_id: int) -> Path:
    """Return the file of a particle's stress, which stays with the job for pictures."""
    return folder.product(f"stress-{phase}-{particle_id}.npz")


def field_of(found: Assessment, crop: Crop) -> dict[str, NDArray[Any]]:
    """Return first principal stress over a particle under its worst load, for pictures.

    Parameters
    ----------
    found : Assessment
        The particle alone.
    crop : Crop
        Where it was cut out.

    Returns
    -------
    dict of ndarray
        ``inside`` (bool, voxels of a box), ``stress`` (float32, one a voxel inside, in raster
        order, over the applied stress), ``voxel_um`` and ``origin_um`` of the box, ``direction``
        of the load.
    """
    cell = found.embedding
    spans = [np.flatnonzero(cell.inside.any(axis=tuple({0, 1, 2} - {k}))) for k in range(3)]
    box = tuple(slice(int(s[0]), int(s[-1]) + 1) for s in spans)
    low = np.array([s.start for s in box]) * cell.voxel_um
    return {
        "inside": cell.inside[box],
        "stress": found.factors.worst.field.astype(np.float32),
        "voxel_um": np.array(cell.voxel_um),
        "origin_um": np.array(crop.origin_um) + np.array(cell.origin_vx) * crop.voxel_um + low,
        "direction": found.factors.worst.direction,
    }


def crop_bytes(task: StressTask) -> int:
    """Return the most bytes that a crop may take: 16 a voxel of the largest cell."""
    return 16 * task.limit_voxels


def note_cell(found: Assessment) -> list[str]:
    """Return what is to be said of how a particle was put into its cell."""
    fit, notes = found.embedding.fit, []
    if fit.refine > 1:
        notes.append(
            f"{found.embedding.thickness_vx:.1f} voxels thick: refined {fit.refine} times, which "
            "adds no detail"
        )
    if fit.coarsen > 1:
        notes.append(f"too large for the cell: voxels {fit.coarsen} times as coarse")
    if fit.cut:
        notes.append("larger than the cell: a sub-volume around its centre, cut faces left out")
    return notes


def refuses(found: Assessment) -> bool:
    """Whether a particle is one voxel thick and could not be refined."""
    thin = found.embedding.thickness_vx < LEAST_THICKNESS_VX
    return thin and found.embedding.fit.refine == 1


def describe_alone(found: Assessment, crop: Crop, is_void: bool) -> dict[str, Any]:
    """Return the columns of `stress` for a particle alone in matrix."""
    cell, factors = found.embedding, found.factors
    row: dict[str, Any] = {}
    for key in ("load", "worst", "best"):
        f = getattr(factors, key)
        # A void is rated by the matrix at its face, and has no stress of its own.
        matrix = (f.ball, f.raw) if is_void else (f.matrix_ball, f.matrix_raw)
        row |= {
            f"{key}_factor": None if is_void else f.ball,
            f"{key}_factor_raw": None if is_void else f.raw,
            f"{key}_factor_p999": None if is_void else f.p999,
            f"{key}_matrix_factor": _number(matrix[0]),
            f"{key}_matrix_factor_raw": _number(matrix[1]),
            f"{key}_von_mises": f.von_mises,
        }
        if key != "load":
            row |= {f"{key}_{a}": float(v) for a, v in zip("zyx", f.direction, strict=True)}
    scale = cell.fit.coarsen / cell.fit.refine
    for i, a in enumerate("zyx"):
        inside_vx = cell.origin_vx[i] + (factors.worst.peak[i] + 0.5) * scale
        row[f"worst_peak_{a}_um"] = crop.origin_um[i] + inside_vx * crop.voxel_um[i]
    return row | {
        "load_place": found.load_place,
        "worst_place": found.worst_place,
        "n_peaks": found.n_peaks,
        "coarse_change": _number(found.coarse_change),
        "worst_factor_low": None if is_void else _number(found.low),
        "worst_factor_high": None if is_void else _number(found.high),
        "factor_map": factors.map.tolist(),
        "thickness_vx": cell.thickness_vx,
        "cell_voxels": int(cell.codes.size),
        "cell_scale": scale,
        "sub_volume": cell.fit.cut,
        "n_iterations": found.n_iterations,
        "residual": found.residual,
    }


def describe_company(found: Assessment, alone: Assessment, is_void: bool) -> dict[str, Any]:
    """Return the columns of `stress` for a particle among its neighbours."""
    row: dict[str, Any] = {}
    for key in ("load", "worst"):
        f, before = getattr(found.factors, key), getattr(alone.factors, key)
        row |= {
            f"company_{key}_factor": None if is_void else f.ball,
            f"company_{key}_matrix_factor": _number(f.ball if is_void else f.matrix_ball),
            f"company_{key}_place": found.load_place if key == "load" else found.worst_place,
            f"company_{key}_ratio": f.ball / before.ball,
        }
    return row


def _kept(catalogue: Catalogue, scan_id: str, setting: str) -> dict[tuple[str, int], Any]:
    """Return what earlier jobs solved under the same load and constants."""
    names = [c.name for c in STRESS.columns]
    rows = catalogue.read(STRESS.name, scan_id, names).to_pylist()
    return {
        (r["phase"], r["particle_id"]): r
        for r in rows
        if r["setting_hash"] == setting and r["state"] != SCREENED
    }


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
