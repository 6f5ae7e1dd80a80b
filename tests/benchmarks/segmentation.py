"""How right the phases are: simulated specimens through the real stages, beside the exact truth.

`python -m tests.benchmarks.segmentation --size 384 --seeds 5 --mixtures 5 --jobs 16` prints one
line a volume and phase, with the default recipe and no hints, and which bars it misses;
`--set segment.edges=plain` and the like change the recipe, `--json FILE` keeps all figures.

`--cupping 0.1 --rings 0.02 --drift 0.01` adds artefacts, `--projected` really projects and
reconstructs (at most 256 voxels an edge); `--against FILE` tells which figures are worse by more
than a fifth than those of the same volumes in an earlier `--json FILE`.  `--absent` takes specimens
that lack phases, with `--guided`, which states the beam of the scan, also those without iron-rich
bodies.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
from numpy.typing import NDArray
from scipy import ndimage

from flows.settings.lookup import find_recipe
from pipeline.analysis.expectation import expect_phases
from pipeline.model.grid import Box
from pipeline.model.header import ReadOptions
from pipeline.model.metadata import read_metadata
from pipeline.model.plan import plan_scan
from pipeline.phantom.projection import Beam
from pipeline.phantom.specimen import (
    COPPER,
    IRON,
    MATRIX,
    PHASE_NAMES,
    PORE,
    Artefacts,
    SpecimenSpec,
)
from pipeline.phantom.writer import write_specimen
from pipeline.readers import open_source
from pipeline.run import run
from pipeline.stages.flatten import describe_flatten
from pipeline.stages.grey import read_scale
from pipeline.stages.segment import read_thresholds
from pipeline.stages.warm import warm_kernels
from pipeline.stores.job import JobFolder
from pipeline.stores.volume import open_volume, read_box

FRACTIONS = [
    (0.04, 0.006, 0.004),
    (0.005, 0.001, 0.002),
    (0.08, 0.01, 0.01),
    (0.08, 0.001, 0.002),
    (0.005, 0.01, 0.01),
]
ABSENT = [
    (0.04, 0.0, 0.004),
    (0.04, 0.006, 0.0),
    (0.04, 0.0, 0.0),
    (0.0, 0.0, 0.0),
]
WITHOUT_IRON = [(0.0, 0.006, 0.004), (0.0, 0.006, 0.0), (0.0, 0.0, 0.004)]
"""Rank alone calls copper-rich bodies iron-rich there."""
COUNTED_VOXELS = 125
SHELL_VX = 6
NAMES = ("pore", "iron-rich", "copper-rich")

# What a default without hints is held to: relative error of volume, Dice, relative error of the
# number of particles, false iron-rich volume around copper-rich particles over theirs.
LARGEST_VOLUME = {"pore": 0.15, "iron-rich": 0.05, "copper-rich": 0.15}
LEAST_DICE = {"pore": 0.88, "iron-rich": 0.93, "copper-rich": 0.85}
LARGEST_NUMBER, LARGEST_SHELL = 0.05, 0.05

WORSE = 1.2
"""Factor on an error from which an artefact has made it worse ..."""

NEGLIGIBLE = 0.1
"""... unless it grew by less than so much of what a default is held to."""


@dataclass(frozen=True, slots=True)
class Case:
    """One volume and how it is segmented."""

    spec: SpecimenSpec
    overrides: tuple[str, ...] = ()
    beam: Beam | None = None
    guided: bool = False

    @property
    def title(self) -> str:
        """Contents, contrast and seed."""
        s = self.spec
        contents = f"{s.iron_fraction:g}/{s.copper_fraction:g}/{s.pore_fraction:g}"
        return f"{contents} cnr {s.cnr:g} seed {s.seed}"


def segment(
    spec: SpecimenSpec,
    folder: Path,
    overrides: list[str],
    beam: Beam | None = None,
    *,
    guided: bool = False,
) -> tuple[NDArray[np.uint8], NDArray[np.uint8], dict[str, Any]]:
    """Run the stages on a simulated specimen.

    Parameters
    ----------
    spec : SpecimenSpec
        The specimen.
    folder : Path
        Empty folder for everything.
    overrides : list of str
        Changes to the default recipe.
    beam : Beam, optional
        Project and reconstruct in this beam.
    guided : bool, optional
        Whether the scan states its energy, so that attenuation guides.

    Returns
    -------
    found, true : numpy.ndarray
        uint8 phase maps.
    rows : dict
        Voxels of every particle, by phase, and under ``notes`` those of the stages.
    """
    files = write_specimen(spec, folder / "specimen", "zarr", with_phases=True, beam=beam)
    assert files.phases is not None
    options = ReadOptions(voxel_um=(spec.voxel_um,) * 3)
    location = str(files.volume)
    recipe = find_recipe("cast-al-si-cu", overrides)
    header = open_source(location, options).header
    metadata = read_metadata(files.scan_yaml.read_text(), "the specimen")[0]
    told = expect_phases(recipe, metadata) if guided else None
    plan = plan_scan(
        "s", location, options, header, recipe, metadata, "benchmark", expectation=told
    )
    job = JobFolder(folder / "workspace" / "jobs" / "job")
    job.path.mkdir(parents=True)
    job.write_plan(plan)
    run(job.path)
    whole = Box((0, 0, 0), spec.size_vx)
    labels = job.workspace / "scans" / "s.zarr" / "labels"
    found = read_box(open_volume(labels / "phases" / "0"), whole)
    true = read_box(open_volume(files.phases / "0"), whole)
    table = pq.read_table(job.product("particles.parquet"), columns=["phase", "n_voxels"])
    sizes = table.to_pandas().groupby("phase")["n_voxels"].apply(np.array).to_dict()
    flat = describe_flatten(job, plan, read_scale(job).gain).get("flatten_notes", [])
    return found, true, {**sizes, "notes": [*flat, *read_thresholds(job).notes]}


def compare(
    found: NDArray[np.uint8], true: NDArray[np.uint8], sizes: dict[str, Any]
) -> dict[str, Any]:
    """Return errors and Dice by phase, of the voxels that were searched.

    Particles are counted from `COUNTED_VOXELS` voxels on; the false shell is what was called
    iron-rich within `SHELL_VX` of copper-rich particles that lie farther from any iron-rich body,
    over the true volume of those.
    """
    searched = found != 255
    true = np.where(searched, true, np.uint8(255))
    result: dict[str, Any] = {}
    cube = np.ones((3, 3, 3), np.bool_)
    for phase in (PORE, IRON, COPPER):
        name = PHASE_NAMES[phase]
        a, b = found == phase, true == phase
        n_a, n_b = int(a.sum()), int(b.sum())
        labels = np.bincount(ndimage.label(b, cube)[0].ravel())[1:]
        result[name] = {
            "volume": n_a / n_b - 1 if n_b else float("nan"),
            "dice": 2 * int((a & b).sum()) / (n_a + n_b) if n_b else float("nan"),
            "n": int(np.sum(sizes.get(name, np.zeros(0)) >= COUNTED_VOXELS)),
            "n_true": int(np.sum(labels >= COUNTED_VOXELS)),
            "n_rows": len(sizes.get(name, ())),
        }
    result["shell"] = _false_shell(found, true)
    return result


def judge(result: dict[str, Any]) -> dict[str, list[str]]:
    """Return, by phase, the bars that a result misses."""
    missed: dict[str, list[str]] = {}
    for name in NAMES:
        r = result[name]
        wrong = []
        if np.isnan(r["volume"]):
            wrong = ["invented"] if r["n_rows"] else []
        else:
            wrong += ["volume"] if abs(r["volume"]) > LARGEST_VOLUME[name] else []
            wrong += ["dice"] if r["dice"] < LEAST_DICE[name] else []
            wrong += ["number"] if abs(r["n"] - r["n_true"]) > LARGEST_NUMBER * r["n_true"] else []
        if name == "copper-rich" and result["shell"] > LARGEST_SHELL:
            wrong.append("shell")
        missed[name] = wrong
    return missed


def _false_shell(found: NDArray[np.uint8], true: NDArray[np.uint8]) -> float:
    """Look about every copper-rich particle in its own box: a whole distance map takes long."""
    copper, _ = ndimage.label(true == COPPER, np.ones((3, 3, 3), np.bool_))
    margin = SHELL_VX + 3
    false, n_alone = np.zeros(true.shape, np.bool_), 0
    for i, at in enumerate(ndimage.find_objects(copper), 1):
        box = tuple(slice(max(s.start - margin, 0), s.stop + margin) for s in at)
        own = copper[box] == i
        distance = ndimage.distance_transform_edt(~own)
        if (distance[true[box] == IRON] <= SHELL_VX + 2).any():
            continue
        n_alone += int(own.sum())
        false[box] |= (distance <= SHELL_VX) & (found[box] == IRON) & (true[box] == MATRIX)
    return float(false.sum() / n_alone) if n_alone else float("nan")


def measure(case: Case) -> dict[str, Any]:
    """Segment one volume and return its figures, with the bars missed and the time."""
    start = time.perf_counter()
    with tempfile.TemporaryDirectory() as name:
        found, true, rows = segment(
            case.spec, Path(name), list(case.overrides), case.beam, guided=case.guided
        )
    result = compare(found, true, rows)
    seconds = time.perf_counter() - start
    facts = {"title": case.title, "spec": asdict(case.spec), "overrides": case.overrides}
    return {**facts, **result, "missed": judge(result), "notes": rows["notes"], "seconds": seconds}


def errors_of(result: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return every error of a result, with what a default is held to."""
    errors = {}
    for name in NAMES:
        r = result[name]
        errors[f"{name} volume"] = abs(r["volume"]), LARGEST_VOLUME[name]
        errors[f"{name} dice"] = 1 - r["dice"], 1 - LEAST_DICE[name]
        number = abs(r["n"] - r["n_true"]) / max(r["n_true"], 1)
        errors[f"{name} number"] = number, LARGEST_NUMBER
    return {**errors, "shell": (result["shell"], LARGEST_SHELL)}


def worse_than(result: dict[str, Any], before: dict[str, Any]) -> list[str]:
    """Return the errors that are larger by more than a fifth than they were before."""
    old = errors_of(before)
    return [
        f"{name} {100 * old[name][0]:.1f} -> {100 * error:.1f} %"
        for name, (error, bar) in errors_of(result).items()
        if error > WORSE * old[name][0] and error - old[name][0] > NEGLIGIBLE * bar
    ]


def measure_all(cases: list[Case], jobs: int) -> Iterator[dict[str, Any]]:
    """Measure volumes, several at a time, and yield figures in the order of the cases."""
    if jobs == 1:
        yield from map(measure, cases)
        return
    warm_kernels()  # one process fills the cache of compiled kernels, or all would
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(jobs, len(cases)), mp_context=context) as pool:
        yield from pool.map(measure, cases)


def print_lines(result: dict[str, Any]) -> None:
    """Print one line a phase."""
    for name in NAMES:
        r, missed = result[name], result["missed"][name]
        shell = f"shell {100 * result['shell']:5.1f} %" if name == "copper-rich" else " " * 13
        print(
            f"{result['title']:32} {name:12} volume {100 * r['volume']:+7.1f} %  "
            f"dice {r['dice']:.3f}  n {r['n']:5d} of {r['n_true']:5d}  rows {r['n_rows']:5d}  "
            f"{shell}  {'misses ' + ' '.join(missed) if missed else 'passes'}",
            flush=True,
        )
    for note in result["notes"]:
        print(f"{'':32} note: {note}", flush=True)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=384)
    parser.add_argument("--seeds", type=int, default=2, help="how many seeds")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--cnr", type=float, nargs="+", default=[3.0, 4.0, 6.0])
    parser.add_argument("--psf", type=float, default=0.8, help="blur, standard deviation in voxels")
    parser.add_argument("--set", action="append", default=[], dest="overrides")
    for name in ("cupping", "rings", "drift"):
        parser.add_argument(f"--{name}", type=float, default=0.0)
    parser.add_argument("--projected", action="store_true", help="project and reconstruct")
    parser.add_argument("--against", type=Path, help="figures of the same volumes, to compare")
    parser.add_argument("--absent", action="store_true", help="specimens that lack phases instead")
    parser.add_argument("--guided", action="store_true", help="attenuation names the phases")
    parser.add_argument("--mixtures", type=int, default=1, help="how many of the phase contents")
    parser.add_argument("--jobs", type=int, default=1, help="volumes at a time, about 2 GB each")
    parser.add_argument("--json", type=Path, help="file for all figures")
    given = parser.parse_args()
    artefacts = Artefacts(cupping=given.cupping, rings=given.rings, drift=given.drift)
    contents = FRACTIONS[: given.mixtures]
    if given.absent:
        contents = [*ABSENT, *WITHOUT_IRON] if given.guided else ABSENT
    cases = [
        Case(
            SpecimenSpec(
                (given.size,) * 3,
                1.5,
                seed=seed,
                cnr=cnr,
                psf_sigma_vx=given.psf,
                iron_fraction=iron,
                copper_fraction=copper,
                pore_fraction=pore,
                artefacts=artefacts,
            ),
            tuple(given.overrides),
            Beam() if given.projected else None,
            given.guided,
        )
        for iron, copper, pore in contents
        for cnr in given.cnr
        for seed in range(given.first_seed, given.first_seed + given.seeds)
    ]
    results, earlier, n_worse = [], {}, 0
    if given.against:
        old = json.loads(given.against.read_text(encoding="utf-8"))
        earlier = {result["title"]: result for result in old}
    for result in measure_all(cases, given.jobs):
        print_lines(result)
        results.append(result)
        if result["title"] in earlier:
            worse = worse_than(result, earlier[result["title"]])
            n_worse += len(worse)
            print(f"{'':32} worse: {'; '.join(worse) or 'nothing'}", flush=True)
    n_missed = sum(1 for r in results for name in NAMES if r["missed"][name])
    print(f"{len(results)} volumes, {len(NAMES) * len(results)} lines, {n_missed} miss a bar")
    if given.against:
        print(f"{n_worse} figures are worse by more than a fifth")
    if given.json:
        given.json.write_text(json.dumps(results, indent=1, default=float), encoding="utf-8")


if __name__ == "__main__":
    main()
