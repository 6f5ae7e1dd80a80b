"""Gaps between bodies against a search over all pairs of voxels."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.kernels.distance import choose_metric
from pipeline.kernels.neighbours import find_neighbours, merge_neighbours
from pipeline.model.grid import Box, TileGrid


def scatter(seed, shape=(26, 31, 37)):
    """Return numbered bodies of two phases, and the phase of each."""
    rng = np.random.default_rng(seed)
    smooth = ndimage.gaussian_filter(rng.random(shape), 1.4)
    rank = np.argsort(np.argsort(smooth.ravel())).reshape(shape) / smooth.size
    first, n = ndimage.label(rank > 0.94)
    second, m = ndimage.label(rank < 0.03)
    bodies = first + np.where(second, second + n, 0)
    return bodies.astype(np.int32), np.repeat([0, 1, 3], [1, n, m]).astype(np.uint8)


def search_all(bodies, phase_of, weights, limit):
    """Return {(body, phase): (squared gap, other)} from every pair of voxels."""
    places = [np.argwhere(bodies == b) for b in range(1, len(phase_of))]
    found = {}
    for a, mine in enumerate(places, 1):
        for b, theirs in enumerate(places, 1):
            gap = np.maximum(np.abs(mine[:, None] - theirs[None]) - 1, 0)
            square = int((np.square(gap) @ np.array(weights)).min())
            if a != b and square <= limit:
                key = (a, int(phase_of[b]))
                found[key] = min(found.get(key, (limit + 1, 0)), (square, b))
    return found


def table(found):
    rows = zip(found.body, found.phase, found.square, found.other, strict=True)
    return {(int(a), int(p)): (int(s), int(b)) for a, p, s, b in rows}


@pytest.mark.parametrize("voxel_um", [(1.0, 1.0, 1.0), (2.0, 1.0, 1.0)])
@pytest.mark.parametrize("reach", [3.0, 9.5])
def test_nearest_are_those_of_all_pairs(voxel_um, reach):
    bodies, phase_of = scatter(2)
    metric = choose_metric(voxel_um, 20.0)
    limit = metric.square(reach)
    wanted = search_all(bodies, phase_of, metric.weights, limit)
    whole = Box((0, 0, 0), bodies.shape)
    found = find_neighbours(bodies, whole, phase_of, metric.weights, limit)
    assert table(found) == wanted
    assert len(wanted) > 20
    parts = []
    halo = tuple(int(reach / edge) + 1 for edge in voxel_um)
    for tile in TileGrid(bodies.shape, (11, 31, 9)):
        seen = tile.core.grow(halo).clip(bodies.shape)
        z, y, x = tile.core.within(seen)
        core = Box((z.start, y.start, x.start), (z.stop, y.stop, x.stop))
        cut = np.ascontiguousarray(bodies[seen.slices])
        parts.append(find_neighbours(cut, core, phase_of, metric.weights, limit))
    assert table(merge_neighbours(parts)) == wanted


def test_touching_bodies_have_no_gap_and_the_lowest_counts():
    bodies = np.zeros((4, 4, 30), np.int32)
    bodies[1, 1, 5:9], bodies[2, 2, 9:12], bodies[0, 0, 2:5] = 3, 2, 1
    bodies[1, 1, 20] = 4
    phase_of = np.array([0, 1, 1, 2, 1], np.uint8)
    whole = Box((0, 0, 0), bodies.shape)
    found = find_neighbours(bodies, whole, phase_of, (1, 1, 1), 100)
    assert table(found) == {
        (1, 1): (4**2 + 2, 2),
        (1, 2): (0, 3),
        (2, 1): (4**2 + 2, 1),
        (2, 2): (0, 3),
        (3, 1): (0, 1),
        (4, 1): (8**2, 2),
    }
    none = find_neighbours(bodies * 0, whole, phase_of, (1, 1, 1), 100)
    assert table(none) == {}
