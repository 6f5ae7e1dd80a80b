"""The union-find of seams at the size of a scan of 10^12 voxels."""

from __future__ import annotations

import time

import numpy as np

from pipeline.kernels.seams import flatten_forest, merge_pairs
from tests.benchmarks.speed.timing import Figure, peak_mib

N_PARTS = 100


def measure(n_ids: int, n_pairs: int) -> list[Figure]:
    """Join random neighbours: ids of two tiles that lie near each other in the numbering."""
    rng = np.random.default_rng(5)
    parent = np.arange(n_ids, dtype=np.int64)
    merge_pairs(parent[:10], np.zeros((1, 2), np.uint32), 0, 1)
    flatten_forest(parent[:10])
    parent[:] = np.arange(n_ids)
    part = n_pairs // N_PARTS
    seconds = 0.0
    for _ in range(N_PARTS):
        low = rng.integers(0, n_ids - 200_000, part)
        pairs = np.stack([low, low + rng.integers(1, 200_000, part)], 1).astype(np.uint32)
        start = time.perf_counter()
        merge_pairs(parent, pairs, 0, 0)
        seconds += time.perf_counter() - start
    start = time.perf_counter()
    flatten_forest(parent)
    seconds += time.perf_counter() - start
    assert np.array_equal(parent, parent[parent])
    name = f"{N_PARTS * part:.0e} equivalences over {n_ids:.0e} ids"
    return [
        Figure(name, seconds, "s", 60, least=False),
        Figure("  peak, data included", peak_mib() / 1024, "GiB", 4, least=False),
    ]
