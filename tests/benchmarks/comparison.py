"""False alarms and coverage of the comparison of groups, beside particles taken for units.

`python -m tests.benchmarks.comparison [FOLDER] [--catalogues 1000]` simulates catalogues whose
specimens scatter, without and with a difference between the groups; with FOLDER it draws the
p-values.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray
from scipy import stats

from pipeline.analysis.comparison import compare_groups
from pipeline.analysis.designs import Design, Unit
from pipeline.analysis.measures import gather, measure_particles
from pipeline.analysis.profiles import profile_values
from pipeline.report.style import INK, save_figure, styled

N_SCANS, N_PARTICLES = 2, 100
SPECIMENS_SD, SCANS_SD, PARTICLES_SD = 0.15, 0.05, 0.5
"""Deviations of the logarithm of diameter."""

MEDIAN_UM = 10.0
MEAN_UM = MEDIAN_UM * np.exp((SPECIMENS_SD**2 + SCANS_SD**2 + PARTICLES_SD**2) / 2)

DESIGNS = {"3 + 3": (3, 3, False), "5 + 5": (5, 5, False), "4 + 10": (4, 10, False),
           "12 + 12": (12, 12, False), "8 pairs": (8, 8, True)}  # fmt: skip
Reals = NDArray[np.float64]


@dataclass(frozen=True)
class Catalogue:
    """Diameters of each specimen's particles, by group."""

    groups: tuple[list[Reals], list[Reals]]
    paired: bool


def simulate(
    n_a: int, n_b: int, paired: bool, factor: float, rng: np.random.Generator
) -> Catalogue:
    """Return a catalogue whose second group is `factor` times as large."""
    own = rng.normal(0.0, SPECIMENS_SD, n_a + n_b)
    groups: tuple[list[Reals], list[Reals]] = ([], [])
    for side, n in enumerate((n_a, n_b)):
        for i in range(n):
            of_specimen = own[i] if side == 0 or paired else own[n_a + i]
            scans = of_specimen + rng.normal(0.0, SCANS_SD, (N_SCANS, 1))
            logs = scans + rng.normal(0.0, PARTICLES_SD, (N_SCANS, N_PARTICLES))
            groups[side].append(MEDIAN_UM * factor**side * np.exp(logs).ravel())
    return Catalogue(groups, paired)


def compare(catalogue: Catalogue) -> dict[str, dict[str, Any]]:
    """Return the rows of a catalogue by measure, as `castcensus compare` makes them."""
    units, profiles = [], []
    for group, specimens in zip("AB", catalogue.groups, strict=True):
        for i, diameters in enumerate(specimens):
            name = f"bar-{i}" if catalogue.paired else f"bar-{group}{i}"
            units.append(Unit(group, name, (f"{name}-{group}",)))
            profile = profile_values(diameters)
            assert profile is not None
            profiles.append({("iron-rich", "equivalent_diameter_um"): profile})
    values, curves = measure_particles(profiles)
    design = Design("temper", ("A", "B"), tuple(units), "", "", (), ())
    rows = compare_groups(design, gather([values], curves), 10.0).rows.to_pylist()
    return {row["measure"]: row for row in rows}


def naive(catalogue: Catalogue) -> tuple[float, float]:
    """Return the p-values of a t test and of a Kolmogorov-Smirnov test over particles."""
    a, b = (np.concatenate(group) for group in catalogue.groups)
    return (
        float(stats.ttest_ind(np.log(a), np.log(b), equal_var=False).pvalue),
        float(stats.ks_2samp(a, b).pvalue),
    )


@dataclass(frozen=True)
class Found:
    """What many catalogues of one design gave."""

    p_values: dict[str, Reals]
    coverage: dict[str, float]


def run(name: str, factor: float, n: int, seed: int) -> Found:
    """Compare `n` catalogues of a design."""
    rng = np.random.default_rng([seed, list(DESIGNS).index(name), int(100 * factor)])
    p_values: dict[str, list[float]] = {
        m: [] for m in ("mean", "q50", "q90", "distribution", "particles, t", "particles, KS")
    }
    truths = {"value_a": MEAN_UM, "difference": (factor - 1.0) * MEAN_UM, "ratio": factor}
    held: dict[str, int] = dict.fromkeys(truths, 0)
    for _ in range(n):
        catalogue = simulate(*DESIGNS[name], factor, rng)
        rows = compare(catalogue)
        for measure, row in rows.items():
            if measure in p_values:
                p_values[measure].append(row["p_value"])
        for kind, p in zip(("t", "KS"), naive(catalogue), strict=True):
            p_values[f"particles, {kind}"].append(p)
        for what, truth in truths.items():
            row = rows["mean"]
            held[what] += row[f"{what}_low"] <= truth <= row[f"{what}_high"]
    return Found({m: np.array(p) for m, p in p_values.items()}, {w: k / n for w, k in held.items()})


def tabulate(found: dict[tuple[str, float], Found]) -> Iterator[str]:
    """Yield the table: rates of p <= 0.05 and coverages, in percent."""
    yield (f"{'design':9} {'B / A':>5} | p <= 5 %: {'mean':>6} {'q50':>6} {'q90':>6} {'curve':>6} "
           f"{'t*':>6} {'KS*':>6} | held: {'value':>6} {'diff':>6} {'ratio':>6}")  # fmt: skip
    for (name, factor), one in found.items():
        rates = " ".join(f"{100 * (p <= 0.05).mean():6.1f}" for p in one.p_values.values())
        held = " ".join(f"{100 * c:6.1f}" for c in one.coverage.values())
        yield f"{name:9} {factor:5g} |           {rates} |       {held}"
    yield "* over particles, as if each were a specimen of its own; the others are by specimen"


def draw(found: Found, name: str) -> Figure:
    """Draw how often p-values fall under each level, where there is no difference."""
    with styled():
        figure = Figure(figsize=(4.6, 4.9), layout="constrained")
        axes = figure.subplots()
        axes.plot([0, 1], [0, 1], color=INK, lw=0.8, ls=(0, (4, 2)))
        axes.text(0.27, 0.32, "as it should be", rotation=38, color=INK, fontsize=8)
        lines = (("mean", "by specimen, mean", "#2f7f86", "-"),
                 ("distribution", "by specimen, distribution", "#14364f", (0, (1, 1))),
                 ("particles, t", "by particle, t test", "#c2452d", "-"),
                 ("particles, KS", "by particle, Kolmogorov-Smirnov", "#f0b323", "-"))  # fmt: skip
        for key, label, colour, style in lines:
            p = np.sort(found.p_values[key])
            rate = (p <= 0.05).mean()
            axes.step(
                np.append(p, 1.0), np.append(np.arange(1, len(p) + 1) / len(p), 1.0),
                where="post", color=colour, ls=style, lw=1.6, label=f"{label}: {rate:.1%}",
            )  # fmt: skip
        axes.axvline(0.05, color=INK, lw=0.6)
        axes.set(xlim=(0, 1), ylim=(0, 1.005), xlabel="level of the test",
                 ylabel="share of null catalogues called different")  # fmt: skip
        axes.set_title(f"No difference, {name} specimens: false alarms at 5 %", loc="left")
        figure.legend(loc="outside lower left", ncols=1)
    return figure


def main() -> None:
    """Simulate, print, draw."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--catalogues", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    found = {
        (name, factor): run(name, factor, options.catalogues, options.seed)
        for factor in (1.0, 0.8)
        for name in DESIGNS
    }
    print("\n".join(tabulate(found)))
    if options.folder is not None:
        for suffix in ("png", "svg"):
            path = options.folder / f"false-alarms.{suffix}"
            save_figure(draw(found["5 + 5", 1.0], "5 + 5"), path)
            print(path)


if __name__ == "__main__":
    main()
