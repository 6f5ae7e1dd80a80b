"""Simulated pairs through `castcensus match`: registration error, fates, refusals.

`python -m tests.benchmarks.matching --pairs 20 --size 160` simulates each specimen as cast and,
half its iron-rich volume dissolved, in another pose (any turn, half of them upside down, tilt up to
2 degrees, shift up to 10 %, scale 0.998 to 1.002), counts both scans at contrast-to-noise 4 by the
recipe cast-al-si-cu as it stands, and matches them; then it matches each scan before with the scan
after of the next specimen, which must be refused.  True fates come from the exact phase maps of the
specimen in one and the same pose, labelled by SciPy, without blur, noise, registration or
tolerance, and by the words of column fate of the table `fates`: bodies and pieces count from 27
voxels on.  Fates from the exact maps in both poses, by the kernels and rules of a match, stand
beside: what they miss, matching misses, the rest the census.  `--demo WORKSPACE` sets the pair that
`castcensus demo` left there beside its truth.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections import Counter
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from flows.cli.demo import SCANS, SEED, VOXEL_UM
from flows.cli.match import read_fates
from flows.jobs.match import MatchWish, plan_match
from flows.jobs.planning import plan_source
from flows.settings import find_recipe
from pipeline.analysis.fates import Side, decide_fates, summarise_fates, tell_summary
from pipeline.analysis.registration import register
from pipeline.errors import RegistrationError
from pipeline.kernels.overlap import count_overlaps, near_offsets
from pipeline.model.grid import Box
from pipeline.model.match import CHANGE_SHARE, MatchTask
from pipeline.model.plan import Plan
from pipeline.model.similarity import Similarity
from pipeline.phantom.bodies import BodyField
from pipeline.phantom.pose import UPRIGHT, Pose
from pipeline.phantom.render import Renderer
from pipeline.phantom.specimen import OUTSIDE, PHASE_NAMES, SpecimenSpec, Treatment
from pipeline.phantom.writer import write_specimen
from pipeline.run import run
from pipeline.stages.match import index_move
from pipeline.stages.scenes import open_scene
from pipeline.stores.job import JobFolder
from pipeline.stores.volume import open_volume

LEAST_VOXELS, MIN_VOXELS = 64, 27
HALF = Treatment(plate_dissolved=0.2, plate_shrink=0.87)
RATED = ("dissolved", "split", "shrunk")
CUBE = np.ones((3, 3, 3))


def draw_pair(size: int, seed: int, iron: float, cnr: float) -> tuple[SpecimenSpec, SpecimenSpec]:
    """Return a specimen before and after, with a pose drawn from its seed."""
    rng = np.random.default_rng(seed)
    z, y, x = (float(v) for v in rng.uniform(-0.1, 0.1, 3) * size)
    pose = Pose(
        turn_deg=float(rng.uniform(0, 360)),
        upside_down=bool(seed % 2),
        tilt_deg=float(rng.uniform(0, 2)),
        tilt_towards_deg=float(rng.uniform(0, 360)),
        shift_vx=(z, y, x),
        scale=float(rng.uniform(0.998, 1.002)),
    )
    before = SpecimenSpec((size,) * 3, 1.5, seed=seed, cnr=cnr, iron_fraction=iron)
    return before, replace(before, temper="T6", treatment=HALF, pose=pose)


def run_plan(workspace: Path, plan: Plan, name: str) -> JobFolder:
    """Run a job in this process, as a plain loop."""
    folder = JobFolder(workspace / "jobs" / name)
    folder.write_plan(plan)
    run(folder.path)
    return folder


def count(spec: SpecimenSpec, workspace: Path, scan_id: str) -> None:
    """Simulate a scan and count it."""
    edge = max(32, min(128, -(-max(spec.size_vx) // 2)))
    # What fates do not read is not worked out: half of the time.
    unread = [f"describe.{name}=false" for name in ("bending", "neighbours")]
    recipe = find_recipe("cast-al-si-cu", [f"tiling.tile_shape=[{edge},{edge},{edge}]", *unread])
    made = write_specimen(spec, workspace.parent / scan_id, "npy")
    run_plan(workspace, plan_source(str(made.volume), scan_id, recipe), f"job-{scan_id}")


def error_vx(found: Similarity, before: SpecimenSpec, pose: Pose) -> float:
    """Return the root mean square error on the true centres of the bodies."""
    true = pose.similarity_um(before.size_vx, before.voxel_um)
    bodies = BodyField(before).bodies_in(Box((0, 0, 0), before.size_vx))
    inside = np.all((bodies["centre"] > 0) & (bodies["centre"] < before.size_vx[0]), axis=1)
    centres = (bodies["centre"][inside] + 0.5) * before.voxel_um
    away = found.apply(centres) - true.apply(centres)
    return float(np.sqrt(np.mean(np.sum(away**2, axis=1)))) / before.voxel_um


def label_truth(phases: NDArray[np.uint8], phase: int) -> NDArray[np.int32]:
    """Label one phase of an exact map; small bodies are left out, as in the census."""
    labels, _ = ndimage.label(phases == phase, CUBE)
    sizes = np.bincount(labels.ravel())
    keep = np.where(sizes >= MIN_VOXELS, np.arange(sizes.size), 0)
    keep[0] = 0
    return np.asarray(keep[labels], np.int32)


def true_fates(before: NDArray[np.int32], after: NDArray[np.int32]) -> dict[int, tuple[str, int]]:
    """Return fate and number of pieces of the bodies of one phase, both maps in one pose."""
    sizes, sizes_after = (np.bincount(v.ravel()) for v in (before, after))
    both = (before > 0) & (after > 0)
    pairs, counts = np.unique(
        np.stack([before[both], after[both]], axis=1), axis=0, return_counts=True
    )
    partners: dict[int, list[int]] = {int(i): [] for i in np.unique(before) if i}
    owners: Counter[int] = Counter()
    for (b, a), n in zip(pairs.tolist(), counts.tolist(), strict=True):
        if n >= 0.5 * sizes[b] or n >= 0.5 * sizes_after[a]:
            partners[b].append(a)
            owners[a] += 1
    fates = {}
    for b, found in partners.items():
        ratio = sum(int(sizes_after[a]) for a in found) / int(sizes[b])
        if not found:
            fate = "dissolved"
        elif len(found) > 1:
            fate = "split"
        elif owners[found[0]] > 1:
            fate = "merged"
        elif ratio < 1 - CHANGE_SHARE:
            fate = "shrunk"
        else:
            fate = "grown" if ratio > 1 + CHANGE_SHARE else "kept"
        fates[b] = fate, len(found)
    return fates


def common_field(after: NDArray[np.uint8], before: SpecimenSpec, pose: Pose) -> NDArray[np.bool_]:
    """Return where, in the pose before, both scans show the specimen three voxels deep."""
    move = pose.similarity_vx(before.size_vx)
    offset = move.apply(np.full(3, 0.5)) - 0.5
    solid = ndimage.binary_erosion(np.pad(after != OUTSIDE, 0), CUBE, 3)
    seen = ndimage.affine_transform(solid.astype(np.uint8), move.matrix, offset, order=0)
    return np.asarray(seen > 0)


def exact_fates(before: SpecimenSpec, after: SpecimenSpec, task: MatchTask) -> list[dict[str, Any]]:
    """Return the fates that a match tells of the exact maps of both scans, as they were posed."""
    whole = Box((0, 0, 0), before.size_vx)
    maps = [Renderer(spec).phases(whole) for spec in (before, after)]
    rows = []
    for number, phase in enumerate(PHASE_NAMES):
        labels = [label_truth(each, number).astype(np.uint32) for each in maps]
        sides = []
        for own, move in ((0, task.move), (1, task.move.inverse())):
            scans = (task.before, task.after)
            matrix, shift = index_move(move, scans[own], scans[1 - own])
            offsets = near_offsets(task.tolerance_um, scans[1 - own].voxel_um)
            found = count_overlaps(
                labels[own],
                np.zeros(3, np.int64),
                labels[1 - own],
                maps[1 - own],
                whole,
                matrix,
                shift,
                offsets,
            )
            n = len(found.ids)
            sides.append(
                Side(
                    **asdict(found),
                    voxel_um3=before.voxel_um**3,
                    centroid_um=np.zeros((n, 3)),
                    thickness_um=np.full(n, np.nan),
                )
            )
        told = decide_fates(sides[0], sides[1], task.move, task.change_share)
        rows += [{"phase": phase, **row} for row in told]
    return rows


def rate_fates(
    workspace: Path, before: SpecimenSpec, after: SpecimenSpec, task: MatchTask
) -> dict[str, Counter[tuple[str, str, str]]]:
    """Count (phase, true fate, fate found) over bodies of 64 voxels or more, both ways."""
    whole = Box((0, 0, 0), before.size_vx)
    phases = Renderer(before).phases(whole)
    treated = Renderer(replace(after, pose=UPRIGHT)).phases(whole)
    field = common_field(Renderer(after).phases(whole), before, after.pose)
    field &= ndimage.binary_erosion(phases != OUTSIDE, CUBE, 3)
    told = {
        "counted": read_fates(workspace, "before", "after").to_pylist(),
        "exact": exact_fates(before, after, task),
    }
    rated: dict[str, Counter[tuple[str, str, str]]] = {way: Counter() for way in told}
    for number, phase in enumerate(PHASE_NAMES):
        truth = label_truth(phases, number)
        known = true_fates(truth, label_truth(treated, number))
        sizes = np.bincount(truth.ravel())
        outside = np.bincount(truth[~field], minlength=sizes.size)
        for way, rows in told.items():
            by_id = {
                r["particle_id"]: r["fate"]
                for r in rows
                if (r["phase"], r["side"]) == (phase, "before")
            }
            if not by_id:
                continue
            labels = truth
            if way == "counted":
                store = workspace / "scans" / "before.zarr" / "labels" / phase / "0"
                labels = np.asarray(open_volume(store)[...])
            for body, (fate, _) in known.items():
                if sizes[body] < LEAST_VOXELS or outside[body]:
                    continue
                ids = np.bincount(labels[truth == body])
                ids[0] = 0
                # A body that the census did not find at all counts as one of no fate.
                got = by_id[int(ids.argmax())] if ids.sum() else "not counted"
                rated[way][phase, fate, got] += 1
    return rated


def match_pair(size: int, seed: int, iron: float, cnr: float, folder: Path) -> dict[str, Any]:
    """Simulate, count, match and rate one pair."""
    before, after = draw_pair(size, seed, iron, cnr)
    workspace = folder / "workspace"
    count(before, workspace, "before")
    count(after, workspace, "after")
    start = time.process_time()
    plan = plan_match(workspace, "before", "after", MatchWish())
    middle = time.process_time()
    run_plan(workspace, plan, "match")
    assert plan.match is not None
    table = read_fates(workspace, "before", "after")
    iron_rich = next(s for s in summarise_fates(table) if s["phase"] == "iron-rich")
    return {
        "seed": seed,
        "error_vx": error_vx(plan.match.move, before, after.pose),
        "told_vx": plan.match.error_um / before.voxel_um,
        "agree": f"{plan.match.n_agreeing}/{plan.match.n_boxes}",
        "dissolved_share": iron_rich["dissolved_share"],
        "cpu_registration_s": middle - start,
        "cpu_fates_s": time.process_time() - middle,
        "fates": rate_fates(workspace, before, after, plan.match),
    }


def refuse_pair(one: Path, two: Path) -> str:
    """Try to lay a scan on that of another specimen; return what was said of it."""
    try:
        found = register(
            open_scene(one / "workspace", "before"), open_scene(two / "workspace", "after")
        )
    except RegistrationError as error:
        return error.what.split(": ")[-1]
    return f"NOT REFUSED ({found.n_agreeing}/{found.n_boxes})"


def print_scores(total: Counter[tuple[str, str, str]]) -> None:
    """Print precision and recall of each rated fate, over all phases and by phase."""
    for phase in (None, *PHASE_NAMES):
        rows = {k: n for k, n in total.items() if phase in (None, k[0])}
        for fate in RATED:
            hits = sum(n for (_, t, f), n in rows.items() if t == f == fate)
            true = sum(n for (_, t, _), n in rows.items() if t == fate)
            said = sum(n for (_, _, f), n in rows.items() if f == fate)
            if true or said:
                print(
                    f"{phase or 'all phases':12} {fate:10} true {true:4d}  found {said:4d}  "
                    f"precision {hits / max(said, 1):.3f}  recall {hits / max(true, 1):.3f}"
                )
    wrong = {k: n for k, n in total.items() if k[1] != k[2]}
    print("told otherwise (phase, true, found):", dict(sorted(wrong.items())))


def rate_demo(workspace: Path) -> None:
    """Match the pair of the demonstration, and set shares and pieces beside the exact ones."""
    plan = plan_match(workspace, SCANS["F"], SCANS["T6"], MatchWish())
    run_plan(workspace, plan, f"bench-{time.time_ns()}")
    summaries = summarise_fates(read_fates(workspace, SCANS["F"], SCANS["T6"]))
    size = plan.header.shape
    spec = SpecimenSpec(size, VOXEL_UM, seed=SEED)
    whole = Box((0, 0, 0), size)
    before, after = (Renderer(replace(spec, temper=t)).phases(whole) for t in ("F", "T6"))
    for summary in summaries:
        print(tell_summary(summary))
        number = PHASE_NAMES.index(summary["phase"])
        known = true_fates(label_truth(before, number), label_truth(after, number))
        n = [int(np.count_nonzero(v == number)) for v in (before, after)]
        told = {k: v for k, v in summary["n_by_fate"].items() if v}
        true = Counter(fate for fate, _ in known.values())
        pieces = [n_pieces for fate, n_pieces in known.values() if fate == "split"]
        print(
            f"    found {told}; true {dict(sorted(true.items()))}, {1 - n[1] / n[0]:.1%} dissolved "
            f"(found {summary['dissolved_share']:.1%}), "
            f"split into {np.mean(pieces or [0]):.2f} (found {summary['pieces_mean'] or 0:.2f})"
        )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=20)
    parser.add_argument("--size", type=int, default=160)
    parser.add_argument("--iron", type=float, default=0.04, help="Iron-rich volume fraction.")
    parser.add_argument("--first", type=int, default=0, help="Seed of the first pair.")
    parser.add_argument("--cnr", type=float, default=4.0, help="Contrast of iron-rich over noise.")
    parser.add_argument("--demo", type=Path, help="A workspace that castcensus demo filled.")
    given = parser.parse_args()
    if given.demo is not None:
        rate_demo(given.demo)
        return
    total: dict[str, Counter[tuple[str, str, str]]] = {"counted": Counter(), "exact": Counter()}
    with tempfile.TemporaryDirectory() as name:
        seeds = range(given.first, given.first + given.pairs)
        folders = [Path(name) / str(seed) for seed in seeds]
        errors = []
        for i, (seed, folder) in enumerate(zip(seeds, folders, strict=True)):
            row = match_pair(given.size, seed, given.iron, given.cnr, folder)
            fates = row.pop("fates")
            for way, found in fates.items():
                total[way] += found
                row[way] = {" ".join(k): n for k, n in found.items() if k[1] != k[2]}
            errors.append(row["error_vx"])
            shown = {k: round(v, 3) if isinstance(v, float) else v for k, v in row.items()}
            print(json.dumps(shown), flush=True)
            if i:
                print(f"unrelated {seed}: {refuse_pair(folders[i - 1], folder)}", flush=True)
        print(f"unrelated {seeds[0]}: {refuse_pair(folders[-1], folders[0])}")
        print(f"registration error: worst {max(errors):.3f}, median {np.median(errors):.3f} voxels")
        for way, found in total.items():
            print(f"fates of {way} bodies:")
            print_scores(found)


if __name__ == "__main__":
    main()
