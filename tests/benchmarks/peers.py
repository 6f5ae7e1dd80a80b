"""What people would use instead, on one volume in memory: run as processes of their own.

`python -m tests.benchmarks.peers scikit-image VOLUME.npy T1 T2 T3` prints seconds by step as JSON.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

N_DASK_LABELS = 50
"""Labels that the dask-image peer measures: all of them would take hours."""


def timed(seconds: dict[str, float], step: str, work: Callable[[], Any]) -> Any:
    """Do a step and note its seconds."""
    start = time.perf_counter()
    result = work()
    seconds[step] = round(time.perf_counter() - start, 3)
    return result


def run_scikit_image(volume: NDArray[np.uint16], thresholds: list[float]) -> dict[str, float]:
    """Median, thresholds, label and region properties, as a script in memory would."""
    # Optional extra `bench`: the peers are not needed by anything else.
    from skimage import filters, measure

    seconds: dict[str, float] = {}
    smooth = timed(seconds, "median", lambda: filters.median(volume, np.ones((3, 3, 3))))
    phases = timed(seconds, "thresholds", lambda: np.digitize(smooth, thresholds).astype(np.uint8))
    wanted = ("label", "area", "bbox", "centroid", "inertia_tensor", "mean_intensity")
    for name, position in (("pore", 0), ("iron-rich", 2), ("copper-rich", 3)):
        chosen = phases == position
        labels = timed(seconds, f"label {name}", lambda c=chosen: measure.label(c, connectivity=3))
        timed(
            seconds,
            f"regionprops {name}",
            lambda found=labels: measure.regionprops_table(found, smooth, properties=wanted),
        )
    return seconds


def run_dask_image(volume: NDArray[np.uint16], thresholds: list[float]) -> dict[str, float]:
    """Label one phase by chunks of 256 voxels, then area and centre of mass of a few labels."""
    # Optional extra `bench`.
    import dask
    import dask.array as da
    from dask_image import ndmeasure

    dask.config.set(scheduler="threads", num_workers=2)
    chunked = da.from_array(volume, chunks=256)
    bright = chunked > thresholds[1]
    seconds: dict[str, float] = {}

    def label() -> Any:
        labels, n_labels = ndmeasure.label(bright, structure=np.ones((3, 3, 3), bool))
        labels, n_labels = dask.persist(labels, n_labels)
        return labels, int(n_labels.compute())

    labels, n_labels = timed(seconds, "label", label)
    index = np.arange(1, min(n_labels, N_DASK_LABELS) + 1)
    timed(seconds, "area", lambda: ndmeasure.area(chunked, labels, index).compute())
    timed(
        seconds,
        "centre of mass",
        lambda: ndmeasure.center_of_mass(chunked, labels, index).compute(),
    )
    seconds["labels found"] = n_labels
    seconds["labels measured"] = len(index)
    return seconds


PEERS = {"scikit-image": run_scikit_image, "dask-image": run_dask_image}


def main() -> None:
    """Run one peer and print its seconds and peak memory as JSON."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("peer", choices=PEERS)
    parser.add_argument("volume")
    parser.add_argument("thresholds", type=float, nargs="+")
    given = parser.parse_args()
    volume = np.load(given.volume)
    seconds = PEERS[given.peer](volume, given.thresholds)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    json.dump({"seconds": seconds, "peak_bytes": peak, "n_voxels": volume.size}, sys.stdout)


if __name__ == "__main__":
    main()
