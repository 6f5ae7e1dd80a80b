"""Statistics of scans against models whose truth is known in closed form.

`python -m tests.benchmarks.sampling` prints a table for each check; `--volumes N` sets how many
random volumes each takes (default 200), `--only NAME` picks one of: fraction, plates, extremes,
association.
"""

from __future__ import annotations

import argparse
import math
import time

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipeline.analysis.association import contact_ratio, distance_ratio, draw_shifts, meeting_ratio
from pipeline.analysis.counts import ScanCounts
from pipeline.analysis.extremes import fit_extreme_value, fit_gumbel, match_moments
from pipeline.analysis.phases import describe_fraction, describe_surface
from pipeline.analysis.sampling import count_fields, merge_blocks, scatter_factor
from pipeline.analysis.sizes import Field, estimate_density, estimate_mean, weight_particles
from pipeline.analysis.surfaces import Steps
from pipeline.kernels.cells import DIRECTIONS
from pipeline.kernels.descriptors import crofton_weights
from pipeline.kernels.samples import fold_samples
from pipeline.kernels.tally import BEYOND
from pipeline.model.plan import CONTACT_BLOCKS, SAMPLE_BLOCKS, block_edge_vx
from pipeline.phantom.boolean import BallModel, PlateModel, paint_balls

Phases = NDArray[np.uint8]

VOXEL_UM = (1.0, 1.0, 1.0)
MODELS = ((64, 4.0, 0.1), (64, 6.0, 0.3565), (96, 5.0, 0.1), (96, 8.0, 1.0))
"""Edge of the volume, radius, eta."""


def count_volume(phases: Phases, n_phases: int) -> ScanCounts:
    """Count a phase map in one tile, as the label stage does."""
    shape = (phases.shape[0], phases.shape[1], phases.shape[2])
    block = block_edge_vx(shape, SAMPLE_BLOCKS)
    wide = block_edge_vx(shape, CONTACT_BLOCKS)
    padded = np.pad(phases, 1, constant_values=BEYOND)
    found = fold_samples(padded, (0, 0, 0), block, wide, n_phases)
    lengths = np.sqrt((np.array(DIRECTIONS) ** 2).sum(1))
    return ScanCounts(
        phases=tuple(f"phase-{i}" for i in range(n_phases)),
        shape=shape,
        voxel_um=VOXEL_UM,
        block_vx=block,
        contact_vx=wide,
        voxels=found.voxels.astype(np.int64),
        contacts=found.contacts,
        pairs=found.pairs,
        steps=Steps(lengths, crofton_weights(VOXEL_UM)),
        load_axis=(1.0, 0.0, 0.0),
    )


def check_fraction(n: int) -> None:
    """Boolean model of balls: V_V and S_V against Miles, and how often the intervals hold them."""
    print("Boolean model of balls: mean of found over true, share of 95 % intervals with the truth")
    print(f"{'edge':>5}{'R':>5}{'eta':>8}{'V_V':>9}{'holds':>8}{'S_V':>9}{'holds':>8}{'s':>7}")
    for edge, radius, eta in MODELS:
        model, rng = BallModel(radius, eta), np.random.default_rng(edge)
        truth = {"volume_fraction": model.fraction, "surface_density_mm": model.surface * 1e3}
        means = {name: [] for name in truth}
        held = dict.fromkeys(truth, 0)
        began = time.perf_counter()
        for _ in range(n):
            counts = count_volume(model.draw((edge,) * 3, rng).astype(np.uint8), 2)
            for row in (*describe_fraction(counts, 1, 0.1), *describe_surface(counts, 1)):
                if row.quantity in truth:
                    wanted = truth[row.quantity]
                    means[row.quantity].append(row.value / wanted)
                    held[row.quantity] += bool(row.low is not None and row.low < wanted < row.high)
        seconds = time.perf_counter() - began
        cells = "".join(f"{np.mean(means[q]):9.4f}{100 * held[q] / n:7.1f}%" for q in truth)
        print(f"{edge:5}{radius:5g}{eta:8g}{cells}{seconds:7.1f}", flush=True)


def check_plates(n: int) -> None:
    """Random plates: number and mean length per field, corrected and not, over the truth."""
    model, rng, shape = PlateModel(), np.random.default_rng(7), (100, 100, 100)
    diameters = np.minimum(
        model.median_vx * np.exp(model.sigma * rng.normal(size=2_000_000)), model.cap_vx
    )
    blocks = np.indices((25, 25, 25)) + 0.5 - 12.5
    disc = np.hypot(blocks[1], blocks[2]) < 12.0
    for name, field in (("box", Field(shape)), ("cylinder", Field(shape, 4, disc))):
        found: dict[str, list[float]] = {
            "corrected": [],
            "inside": [],
            "touching": [],
            "length": [],
        }
        for _ in range(n):
            start, stop, length = model.draw(shape, rng)
            weighted = weight_particles(field, start, stop)
            density = estimate_density(weighted.weight, 1e9)
            mean = estimate_mean(length, weighted.weight)
            found["corrected"].append(0.0 if density is None else density.value)
            volume = float(field.count_places(np.array([[1, 1, 1]]))[0])
            found["inside"].append(float(weighted.whole.sum()) / volume)
            if name == "box":
                found["touching"].append(len(start) / volume)
            if mean is not None:
                found["length"].append(mean.value)
        print(f"random plates in a {name}, {n} fields: over the truth +- standard error")
        for what, values in found.items():
            if not values:
                continue
            truth = diameters.mean() if what == "length" else model.intensity
            error = np.std(values, ddof=1) / math.sqrt(len(values)) / truth
            print(f"  {what:10}{np.mean(values) / truth:8.3f} +- {error:.3f}")


def check_extremes() -> None:
    """Worked values of ASTM E562 and E2283."""
    x = 30.0 - 5.0 * np.log(-np.log(np.arange(1, 25) / 25.0))
    gumbel, moments, general = fit_gumbel(x), match_moments(x), fit_extreme_value(x)
    assert gumbel is not None
    assert moments is not None
    assert general is not None
    print("E2283, 24 maxima: found (worked value)")
    print(f"  likelihood  {gumbel.location:.6f} {gumbel.scale:.6f} (30.104031 4.417199)")
    print(f"  moments     {moments.location:.6f} {moments.scale:.6f} (30.150531 4.326661)")
    print(f"  level(1000) {gumbel.level(1000.0):.6f} (60.614750)")
    print(f"  error       {gumbel.level_error(1000.0):.6f} (5.231717)")
    print(f"  GEV         {general.location:.4f} {general.scale:.4f} shape {general.shape:.4f}")
    fields = count_fields(np.array([0.10, 0.12, 0.08, 0.11, 0.09]))
    print(f"E562, 5 fields: {fields.mean:.4f} +- {fields.ci95:.5f}, % RA "
          f"{fields.relative_accuracy_percent:.2f}")  # fmt: skip


def draw_pair(rng: np.random.Generator, edge: int, planted: float) -> Phases:
    """Return a map of matrix 0, iron 1 and copper 2, a share of which is planted on iron's skin."""
    shape = (edge, edge, edge)
    iron = BallModel(5.0, 0.08).draw(shape, rng)
    copper = BallModel(2.5, 0.03)
    n = rng.poisson(copper.intensity * (edge + 6) ** 3)
    centres = rng.random((n, 3)) * (edge + 6) - 3
    skin = np.argwhere(iron & ~np.roll(iron, 1, 0))
    moved = rng.random(n) < planted
    centres[moved] = skin[rng.integers(0, len(skin), int(moved.sum()))]
    phases = iron.astype(np.uint8)
    phases[paint_balls(shape, centres, 2.5)] = 2
    return phases


def associate(phases: Phases) -> dict[str, tuple[float, float]]:
    """Return ratio and p-value of each test of copper against iron."""
    counts = count_volume(phases, 3)
    factor = scatter_factor(counts.contacts.shape)
    wide = merge_blocks(counts.voxels, counts.contact_vx // counts.block_vx * factor)
    shifts = draw_shifts(counts.voxels)
    edges = (float(counts.block_vx),) * 3
    found = {
        "contact": contact_ratio(merge_blocks(counts.contacts, factor), wide, 2, 1),
        "meeting": meeting_ratio(counts.voxels, shifts, 2, 1),
        "distance": distance_ratio(counts.voxels, shifts, edges, 2, 1),
    }
    return {k: (a.ratio, a.p_value) for k, a in found.items() if a and a.p_value is not None}


def check_association(n: int, edge: int = 64) -> None:
    """Independent phases: p uniform; planted ones: found."""
    for planted in (0.0, 0.3):
        rng = np.random.default_rng(11)
        began = time.perf_counter()
        found = [associate(draw_pair(rng, edge, planted)) for _ in range(n)]
        took = (time.perf_counter() - began) / n
        print(
            f"{n} volumes of {edge}^3, {100 * planted:g} % of copper planted ({took:.2f} s each):"
        )
        print(f"  {'test':10}{'ratio':>8}{'p<0.05':>9}{'KS p of uniform p':>20}")
        for name in ("contact", "meeting", "distance"):
            ratios, p = zip(*(f[name] for f in found if name in f), strict=True)
            uniform = stats.kstest(p, "uniform").pvalue
            share = np.mean(np.array(p) < 0.05)
            print(
                f"  {name:10}{np.mean(ratios):8.3f}{100 * share:8.1f}%{uniform:20.3f}", flush=True
            )


def main() -> None:
    """Run the checks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--volumes", type=int, default=200)
    parser.add_argument("--only", choices=("fraction", "plates", "extremes", "association"))
    given = parser.parse_args()
    checks = {
        "fraction": lambda: check_fraction(given.volumes),
        "plates": lambda: check_plates(given.volumes),
        "extremes": check_extremes,
        "association": lambda: check_association(given.volumes),
    }
    for name, check in checks.items():
        if given.only in (None, name):
            check()


if __name__ == "__main__":
    main()
