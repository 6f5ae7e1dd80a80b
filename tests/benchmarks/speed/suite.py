"""Measure everything, or some sections: `python -m tests.benchmarks.speed [--section NAME ...]`.

Prints a table with each figure, its bar and whether it is met, and writes all of it with `--json`.
A missed bar is printed, never an error.  The sections: kernels, labels, engine, path, seams,
catalogue, startup.  `--quick` takes sizes for a try.  Each section runs in a process of its own, so
that its peak memory is its own.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import platform
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from rich.console import Console
from rich.table import Table

from pipeline.stages.warm import warm_kernels
from tests.benchmarks import whole_path
from tests.benchmarks.speed import catalogue, engine, kernels, labels, seams, startup
from tests.benchmarks.speed.jobs import simulate
from tests.benchmarks.speed.timing import Figure


def measure_path(folder: Path, size: int, crop: int, overrides: list[str]) -> list[Figure]:
    """The whole path through `castcensus submit`, beside a script in memory on a crop."""
    found = whole_path.measure(
        simulate(folder, size), folder / "path", 2, crop, ["scikit-image"], overrides
    )
    ours, peer = found["castcensus"], found["scikit-image"]
    theirs = peer["n_voxels"] / sum(peer["seconds"].values()) / 1e6
    rate = ours["voxels_per_s"] / 1e6
    told = ", ".join(overrides) or "default recipe"
    peak = ours["peak_worker_bytes"] / 2**20
    return [
        Figure(f"TIFF to catalogue, {size}^3, {told}", rate, "Mvox/s", 20, peak_mib=peak),
        Figure("  peer: scikit-image script in memory, less descriptors", theirs, "Mvox/s",
               peak_mib=peer["peak_bytes"] / 2**20),
        Figure("  times the script", rate / theirs, "", 10),
    ]  # fmt: skip


def sections(folder: Path, quick: bool) -> dict[str, Callable[[], list[Figure]]]:
    """Return what each section does."""
    median = ["condition.denoise.method=median"]
    small, large = (128, 192) if quick else (512, 1024)
    repeats = 1 if quick else 3
    return {
        "kernels": lambda: kernels.measure(96 if quick else 256, repeats),
        "labels": lambda: labels.measure(folder, small),
        "engine": lambda: engine.measure(folder, [small, large], median),
        "path": lambda: (
            measure_path(folder / "median", large, min(small, 512), median)
            + measure_path(folder / "default", small, 96 if quick else 256, [])
        ),
        "seams": lambda: seams.measure(*((400_000, 1_000_000) if quick else (40_000_000, 10**8))),
        "catalogue": lambda: catalogue.measure(folder, 100, 1000 if quick else 200_000, repeats),
        "startup": lambda: startup.measure(folder, repeats),
    }


NAMES = ("kernels", "labels", "engine", "path", "seams", "catalogue", "startup")


def run_section(name: str, quick: bool) -> list[Figure]:
    """Measure one section; in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        return sections(Path(folder), quick)[name]()


def print_figures(console: Console, title: str, figures: list[Figure]) -> None:
    """Print a section."""
    table = Table(title=title, title_justify="left")
    table.add_column("what")
    for head in ("value", "unit", "least to most", "bar", "", "peak MiB"):
        table.add_column(head, justify="right" if head != "unit" else "left")
    for f in figures:
        spread = f"{f.spread[0]:.4g} to {f.spread[1]:.4g}" if f.spread else ""
        bar = "" if f.bar is None else f"{'>=' if f.least else '<='} {f.bar:g}"
        peak = f"{f.peak_mib:.0f}" if f.peak_mib else ""
        table.add_row(f.name, f"{f.value:.4g}", f.unit, spread, bar, f.verdict, peak)
    console.print(table)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--section", action="append", choices=NAMES)
    parser.add_argument("--quick", action="store_true", help="small sizes, to try it")
    parser.add_argument("--json", type=Path, help="file for all figures")
    given = parser.parse_args()
    console = Console(width=120)
    warm_kernels()
    machine = {"cores": os.cpu_count(), "machine": platform.machine(), "load": os.getloadavg()[0]}
    console.print(f"{machine['cores']} cores, load {machine['load']:.1f} before the start")
    context = multiprocessing.get_context("spawn")
    kept = {}
    for name in given.section or NAMES:
        with ProcessPoolExecutor(1, mp_context=context) as pool:
            figures = pool.submit(run_section, name, given.quick).result()
        print_figures(console, name, figures)
        kept[name] = [figure.as_values() for figure in figures]
    if given.json:
        given.json.write_text(json.dumps({"machine": machine, "figures": kept}, indent=1))
