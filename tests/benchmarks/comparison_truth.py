"""Small simulated specimens, as cast and heat treated, counted and compared beside their truth.

`python -m tests.benchmarks.comparison_truth FOLDER [--size 128] [--specimens 5]` takes the whole
path for each of 2 x 5 specimens of different seeds (kept in FOLDER for the next run).
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

from flows.jobs.comparison import GroupWish, compare_scans
from flows.jobs.planning import plan_source
from flows.jobs.submission import create_job
from flows.settings import find_cluster, find_recipe
from pipeline.phantom.specimen import SpecimenSpec
from pipeline.phantom.truth import truth_census
from pipeline.phantom.writer import write_specimen
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue

VOXEL_UM = 0.8
SHOWN = {
    ("volume_fraction", "value"),
    ("number_density_mm3", "value"),
    ("feret_max_um", "q50"),
    ("thickness_um", "q50"),
}
PHASES = ("pore", "iron-rich", "copper-rich")


def spec_of(temper: str, number: int, size: int) -> SpecimenSpec:
    """Return a specimen; all are different ones."""
    seed = 100 + number + (50 if temper == "T6" else 0)
    return SpecimenSpec((size,) * 3, VOXEL_UM, seed=seed, temper=temper)  # type: ignore[arg-type]


def count(spec: SpecimenSpec, name: str, folder: Path) -> None:
    """Simulate and count one specimen, unless it is in the catalogue."""
    scan_id = f"{name}-{spec.temper}"
    if Catalogue(folder / "catalogue").has(scan_id):
        return
    made = write_specimen(spec, folder / "simulated" / scan_id)
    plan = plan_source(
        str(made.volume), scan_id, find_recipe("cast-al-si-cu", []), facts={"specimen": name}
    )
    job = create_job(plan, folder, find_cluster("loop"))
    run(job.path)


def main() -> None:
    """Count, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--size", type=int, default=128)
    parser.add_argument("--specimens", type=int, default=5)
    given = parser.parse_args()
    truth: dict[str, list[dict[str, float]]] = {"F": [], "T6": []}
    for temper, fractions in truth.items():
        for number in range(given.specimens):
            spec = spec_of(temper, number, given.size)
            count(spec, f"bar-{number + (50 if temper == 'T6' else 0):02d}", given.folder)
            fractions.append(truth_census(spec).fractions)
    answer = compare_scans(Catalogue(given.folder / "catalogue"), GroupWish("temper"))
    print(f"{'phase':12} {'quantity':20} {'true':>6} {'found':>6}  95 %            p      q")
    for row in answer.comparison.rows.to_pylist():
        if (row["quantity"], row["measure"]) in SHOWN and row["phase"] in PHASES:
            print(line(row, truth))


def line(row: dict[str, Any], truth: dict[str, list[dict[str, float]]]) -> str:
    """Return a row of the table: T6 over F."""
    true = ""
    if row["quantity"] == "volume_fraction":
        means = [np.mean([f[row["phase"]] for f in truth[temper]]) for temper in ("F", "T6")]
        true = f"{means[1] / means[0]:.2f}"
    ends = [row["ratio_low"], row["ratio_high"]]
    interval = "-" if None in ends else f"{ends[0]:.2f} to {ends[1]:.2f}"
    found, p, q = (
        "-" if row[name] is None else f"{row[name]:.{digits}f}"
        for name, digits in (("ratio", 2), ("p_value", 4), ("q_value", 3))
    )
    name = f"{row['phase']:12} {row['quantity']:20}"
    return f"{name} {true:>6} {found:>6}  {interval:14} {p:>6} {q:>6}"


if __name__ == "__main__":
    main()
