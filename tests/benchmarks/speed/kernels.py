"""Kernels on one thread beside the same step of other libraries, on the same array."""

from __future__ import annotations

from typing import Any

import cc3d
import numpy as np
import SimpleITK
from numpy.typing import NDArray
from scipy import ndimage
from skimage.restoration import denoise_nl_means, denoise_tv_chambolle

from pipeline.kernels.cells import build_cell_tables
from pipeline.kernels.denoise import denoise_median
from pipeline.kernels.label import find_runs, label_runs, paint_runs
from pipeline.kernels.nlm import denoise_nlm, nlm_halo_vx
from pipeline.kernels.tally import BEYOND, new_tallies, tally_cells, tally_runs
from pipeline.kernels.variation import denoise_variation
from tests.benchmarks.speed.timing import Figure, Rates, peak_mib, take_turns

NOISE = 400.0
MVOX = 1e6


def simulate_grey(edge: int) -> NDArray[np.uint16]:
    """Return noisy grey with bright balls, uint16."""
    rng = np.random.default_rng(3)
    z, y, x = np.ogrid[:edge, :edge, :edge]
    grey = rng.normal(6000, NOISE, (edge,) * 3)
    grey[(z % 48 - 24) ** 2 + (y % 48 - 24) ** 2 + (x % 48 - 24) ** 2 < 300] += 3000
    return np.clip(grey, 0, 65535).astype(np.uint16)


def simulate_bodies(edge: int) -> NDArray[np.uint8]:
    """Return platelets that fill some 5 % of a volume, as 1 on 0."""
    rng = np.random.default_rng(4)
    volume = np.zeros((edge,) * 3, np.uint8)
    reach = 15
    grid = np.indices((2 * reach + 1,) * 3).reshape(3, -1).T - reach
    turns = [np.linalg.qr(rng.standard_normal((3, 3)))[0] for _ in range(16)]
    stamps = [grid[np.square(grid @ turn / (14.0, 14.0, 2.5)).sum(1) <= 1] for turn in turns]
    filled = 0
    while filled < 0.055 * volume.size:
        stamp = stamps[rng.integers(len(stamps))] + rng.integers(reach, edge - reach, 3)
        volume[tuple(stamp.T)] = 1
        filled += len(stamp)
    return volume


def _lines(
    rates: Rates, n_voxels: int, ours: str, bar: float, ratio_bar: float | None = None
) -> list[Figure]:
    """Return ours, each peer, and how many times each peer ours is."""
    lines = []
    for name in rates.seconds:
        value, spread = rates.rate(name, n_voxels / MVOX)
        is_ours = name == ours
        lines.append(
            Figure(
                name if is_ours else f"  peer: {name}",
                value,
                "Mvox/s",
                bar if is_ours else None,
                spread=spread,
                peak_mib=peak_mib() if is_ours else None,
            )
        )
        if not is_ours:
            times = rates.median(name) / rates.median(ours)
            lines.append(Figure(f"  times {name}", times, "", ratio_bar))
    return lines


def measure_median(edge: int, repeats: int) -> list[Figure]:
    """Exact median of 3x3x3 voxels."""
    grey = simulate_grey(edge)
    padded = np.pad(grey, 1, mode="edge")
    image = SimpleITK.GetImageFromArray(grey)
    found = take_turns(
        {
            "median 3^3": lambda: denoise_median(padded, 1),
            "scipy median_filter": lambda: ndimage.median_filter(grey, 3, mode="nearest"),
            "SimpleITK Median, 2 threads": lambda: SimpleITK.Median(image, [1, 1, 1]),
        },
        repeats,
    )
    assert np.array_equal(denoise_median(padded, 1), ndimage.median_filter(grey, 3, mode="nearest"))
    return _lines(found, grey.size, "median 3^3", 60)


def measure_nlm(edge: int, repeats: int) -> list[Figure]:
    """Non-local means of patch 3, distance 2."""
    grey = simulate_grey(edge)
    padded = np.pad(grey, nlm_halo_vx(1, 2), mode="edge")
    single = grey.astype(np.float32)

    def theirs() -> Any:
        return denoise_nl_means(
            single, patch_size=3, patch_distance=2, h=NOISE, sigma=NOISE, fast_mode=True
        )

    ours = "non-local means 3, 2"
    found = take_turns(
        {ours: lambda: denoise_nlm(padded, NOISE, 1.0), "scikit-image fast mode": theirs}, repeats
    )
    return _lines(found, grey.size, ours, 7, 8)


def measure_variation(edge: int, repeats: int) -> list[Figure]:
    """Total variation, 20 iterations; the peer does 10."""
    grey = simulate_grey(edge)
    padded = np.pad(grey, 20, mode="edge")
    single = grey.astype(np.float32)

    def theirs() -> Any:
        return denoise_tv_chambolle(single, weight=NOISE, eps=0, max_num_iter=10)

    ours = "total variation, 20 iterations"
    found = take_turns(
        {
            ours: lambda: denoise_variation(padded, NOISE, 20),
            "scikit-image, 10 iterations": theirs,
        },
        repeats,
    )
    return _lines(found, grey.size, ours, 12)


def measure_tallies(edge: int, repeats: int) -> list[Figure]:
    """Tallies with 2x2x2 configurations of labelled bodies at 5 %."""
    volume = simulate_bodies(edge)
    phases = np.full((edge + 2,) * 3, BEYOND, np.uint8)
    phases[1:-1, 1:-1, 1:-1] = volume
    wanted = np.zeros(256, np.bool_)
    wanted[1] = True
    runs = find_runs(phases[1:, 1:, 1:], wanted)
    ny = edge + 1
    body, n_bodies = label_runs(runs, ny, 26)
    labels = np.zeros(phases.shape, np.uint32)
    paint_runs(runs.start, runs.stop, body, runs.row, ny, labels, 1)
    grey = np.zeros(volume.shape, np.uint16)
    component, counts = build_cell_tables(26)
    inner = np.ascontiguousarray(labels[1:-1, 1:-1, 1:-1])

    def ours() -> NDArray[np.int64]:
        tallies = new_tallies(n_bodies)
        tally_runs(runs, body, volume.shape, ny, grey, 0, (edge * edge, edge), tallies)
        tally_cells(labels, phases, (0, 0, 0), component, counts, tallies)
        return tallies

    name = "tallies with 2x2x2 configurations"
    found = take_turns({name: ours, "cc3d statistics": lambda: cc3d.statistics(inner)}, repeats)
    assert np.array_equal(ours()[1:, 1], cc3d.statistics(inner)["voxel_counts"][1:])
    return _lines(found, volume.size, name, 150)


def measure(edge: int, repeats: int) -> list[Figure]:
    """Return every line of this section."""
    lines = []
    for part in (measure_median, measure_nlm, measure_variation, measure_tallies):
        lines += part(edge, repeats)
    return lines
