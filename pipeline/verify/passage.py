"""A volume through the real stages, tile by tile in a plain loop, and what they leave."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model.header import ReadOptions
from pipeline.model.metadata import ScanMetadata
from pipeline.model.plan import Plan, plan_scan
from pipeline.readers import open_source
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.job import JobFolder
from pipeline.stores.volume import open_volume
from pipeline.verify.volumes import Trial

Columns = dict[str, NDArray[Any]]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run left, read back from disk.

    Parameters
    ----------
    plan : Plan
        What was run.
    conditioned : ndarray of uint16
        The volume that was segmented.
    phases : ndarray of uint8
        Phase map.
    labels : dict of str to ndarray
        Particle ids of each particle phase.
    particles : dict of str to dict of str to ndarray
        Columns of the catalogue by phase, in the order of particle ids.
    phase_rows : list of dict
        Rows of the table of phases.
    scan_row : dict
        Row of the table of scans.
    contacts : list of dict
        Rows of the table of contacts.
    neighbours : list of dict
        Rows of the table of neighbours.
    """

    plan: Plan
    conditioned: NDArray[np.uint16]
    phases: NDArray[np.uint8]
    labels: dict[str, NDArray[Any]]
    particles: dict[str, Columns]
    phase_rows: list[dict[str, Any]]
    scan_row: dict[str, Any]
    contacts: list[dict[str, Any]]
    neighbours: list[dict[str, Any]]


def pass_through(trial: Trial, workspace: Path) -> Outcome:
    """Run a trial through all stages.

    Parameters
    ----------
    trial : Trial
        The volume and its recipe.
    workspace : Path
        Folder to work in; it gains a source, a job, a scan and rows of the catalogue.

    Returns
    -------
    Outcome
        What was stored.
    """
    source = workspace / "sources" / f"{trial.name}.npy"
    source.parent.mkdir(parents=True, exist_ok=True)
    np.save(source, trial.voxels)
    options = ReadOptions(voxel_um=trial.voxel_um)
    header = open_source(str(source), options).header
    plan = plan_scan(
        trial.name, str(source), options, header, trial.recipe, ScanMetadata(), "verify"
    )
    folder = JobFolder(workspace / "jobs" / trial.name)
    folder.write_plan(plan)
    run(folder.path)
    return _read_back(folder, plan)


def _read_back(folder: JobFolder, plan: Plan) -> Outcome:
    names = [plan.recipe.phases[position].name for position in plan.recipe.particle_phases]
    labels = folder.workspace / "scans" / f"{plan.scan_id}.zarr" / "labels"
    catalogue = Catalogue(folder.workspace / "catalogue")
    table = catalogue.read("particles", plan.scan_id)
    columns = {name: table[name].to_numpy() for name in table.column_names}
    return Outcome(
        plan=plan,
        conditioned=np.asarray(open_volume(folder.conditioned)[...]),
        phases=np.asarray(open_volume(labels / "phases" / "0")[...]),
        labels={name: np.asarray(open_volume(labels / name / "0")[...]) for name in names},
        particles={
            name: {key: values[columns["phase"] == name] for key, values in columns.items()}
            for name in names
        },
        phase_rows=catalogue.read("phases", plan.scan_id).to_pylist(),
        scan_row=catalogue.read("scans", plan.scan_id).to_pylist()[0],
        contacts=catalogue.read("contacts", plan.scan_id).to_pylist(),
        neighbours=catalogue.read("neighbours", plan.scan_id).to_pylist(),
    )
