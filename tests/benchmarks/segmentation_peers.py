"""The default recipe beside the best pipelines of scikit-image, on the same simulated volumes.

`python -m tests.benchmarks.segmentation_peers --size 256 --cnr 3 6` prints Dice by phase and the
time of each.  The peers work in memory, are told the true specimen, and get the true noise; markers
of the watershed are the voxels of the pure middle of each class.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.filters import median, sobel, threshold_multiotsu
from skimage.morphology import ball
from skimage.restoration import denoise_nl_means, denoise_tv_chambolle
from skimage.segmentation import watershed

from pipeline.model.grid import Box
from pipeline.model.recipe import OUTSIDE
from pipeline.phantom.specimen import COPPER, IRON, MATRIX, PHASE_NAMES, PORE, SpecimenSpec
from pipeline.phantom.writer import write_specimen
from pipeline.stores.volume import open_volume, read_box
from tests.benchmarks.segmentation import FRACTIONS, segment

Reals = NDArray[np.float32]
BINS = 512
MARKED = 0.25
"""Middle share of the distance between two class means that seeds a watershed."""


def denoise_nlm(grey: Reals, sd: float) -> Reals:
    """Return non-local means in fast mode, patch 3, distance 2."""
    return denoise_nl_means(grey, 3, 2, h=0.8 * sd, sigma=sd, fast_mode=True)


def denoise_median(grey: Reals, sd: float) -> Reals:
    """Return the median of a ball of radius 1."""
    return median(grey, ball(1))


def denoise_tv(grey: Reals, sd: float) -> Reals:
    """Return total variation, weighted by the noise."""
    return denoise_tv_chambolle(grey, weight=sd)


FILTERS: dict[str, Callable[[Reals, float], Reals]] = {
    "nl_means": denoise_nlm,
    "median": denoise_median,
    "tv_chambolle": denoise_tv,
}


def split_classes(grey: Reals, inside: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Return multi-Otsu's four classes of the specimen."""
    return np.digitize(grey, threshold_multiotsu(grey[inside], 4, BINS)).astype(np.uint8)


def flood_classes(grey: Reals, inside: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Return a watershed on the gradient from the pure middles of multi-Otsu's classes."""
    classes = split_classes(grey, inside)
    means = [grey[inside & (classes == k)].mean() for k in range(4)]
    markers = np.zeros(grey.shape, np.int32)
    for k, mean in enumerate(means):
        gaps = [abs(mean - other) for other in means if other != mean]
        markers[inside & (np.abs(grey - mean) < MARKED * min(gaps))] = k + 1
    return (watershed(sobel(grey), markers, mask=inside) - 1).clip(0).astype(np.uint8)


RULES = {"multi-Otsu": split_classes, "watershed": flood_classes}


def dice(found: NDArray[Any], true: NDArray[Any], phase: int) -> float:
    """Return the overlap of one phase."""
    a, b = found == phase, true == phase
    return 2 * int((a & b).sum()) / max(int(a.sum()) + int(b.sum()), 1)


def show(title: str, found: NDArray[Any], true: NDArray[Any], seconds: float) -> None:
    """Print one line."""
    values = "  ".join(f"{PHASE_NAMES[p]} {dice(found, true, p):.3f}" for p in (PORE, IRON, COPPER))
    print(f"{title:44} {values}  {seconds:6.1f} s", flush=True)


def compare(spec: SpecimenSpec) -> None:
    """Print the line of every pipeline for one specimen."""
    title = f"cnr {spec.cnr:g} seed {spec.seed}"
    with tempfile.TemporaryDirectory() as name:
        began = time.perf_counter()
        files = write_specimen(spec, Path(name) / "alone", "zarr", with_phases=True)
        simulated = time.perf_counter() - began
        whole = Box((0, 0, 0), spec.size_vx)
        volume = read_box(open_volume(Path(files.volume) / "0"), whole).astype(np.float32)
        began = time.perf_counter()
        found, true, *_ = segment(spec, Path(name), [])
        seconds = time.perf_counter() - began - simulated
    inside = found != OUTSIDE
    true = np.where(inside, true, OUTSIDE).astype(np.uint8)
    show(f"{title} castcensus, whole path", found, true, seconds)
    grey = volume / volume.max()
    matrix = grey[true == MATRIX]
    sd = 1.4826 * float(np.median(np.abs(matrix - np.median(matrix))))
    for filter_name, denoise in FILTERS.items():
        began = time.perf_counter()
        smooth = denoise(grey, sd)
        filtered = time.perf_counter() - began
        for rule_name, split in RULES.items():
            began = time.perf_counter()
            classes = split(smooth, inside)
            seconds = filtered + time.perf_counter() - began
            show(
                f"{title} {filter_name}, {rule_name}",
                np.where(inside, classes, OUTSIDE),
                true,
                seconds,
            )


def main() -> None:
    """Compare and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=256)
    parser.add_argument("--cnr", type=float, nargs="+", default=[3.0, 4.0, 6.0])
    parser.add_argument("--seed", type=int, default=8)
    given = parser.parse_args()
    iron, copper, pore = FRACTIONS[0]
    for cnr in given.cnr:
        compare(
            SpecimenSpec(
                (given.size,) * 3,
                1.5,
                seed=given.seed,
                cnr=cnr,
                psf_sigma_vx=0.8,
                iron_fraction=iron,
                copper_fraction=copper,
                pore_fraction=pore,
            )
        )


if __name__ == "__main__":
    main()
