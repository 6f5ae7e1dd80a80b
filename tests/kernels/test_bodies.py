"""One tile from phase map to tallies: what it keeps, drops and looks at."""

import numpy as np
import pytest

from pipeline.kernels.bodies import label_tile
from pipeline.kernels.tally import BEYOND, N
from pipeline.model.grid import Box


def make(seed=1, shape=(20, 21, 22), density=0.15):
    rng = np.random.default_rng(seed)
    phases = np.where(rng.random(shape) < density, rng.integers(1, 3, shape), 0).astype(np.uint8)
    return phases, rng.integers(0, 65536, shape).astype(np.uint16)


def smallest(**least):
    out = np.zeros(256, np.int64)
    for name, n in least.items():
        out[int(name[1:])] = n
    return out


def test_local_ids_fill_core_and_shared_layer_only(label_box):
    phases, grey = make()
    found = label_box(phases, grey, Box((8, 8, 8), (16, 16, 16)), {1: 1, 2: 1}, 26)
    assert found.labels.shape == (10, 10, 10)
    assert not found.labels[0].any()
    assert not found.labels[:, 0].any()
    assert not found.labels[:, :, 0].any()
    seen = phases[8:17, 8:17, 8:17]
    assert np.array_equal(found.labels[1:, 1:, 1:] > 0, seen > 0)
    assert np.array_equal(np.unique(found.labels), np.arange(len(found.tallies)))
    core = found.labels[1:-1, 1:-1, 1:-1].ravel()
    assert np.array_equal(np.bincount(core, minlength=len(found.tallies))[1:], found.tallies[1:, N])


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_layer_below_is_not_looked_at_where_another_tile_owns_it(axis):
    phases, grey = make(4)
    start = [0, 0, 0]
    start[axis] = 8
    core = Box(tuple(start), tuple(s + 8 for s in start))
    padded = np.pad(phases, 1, constant_values=BEYOND)
    box = padded[tuple(slice(s, s + 10) for s in start)]
    view = grey[core.grow((0, 0, 0), (1, 1, 1)).slices]
    results = []
    for junk in (0, 1, 2, BEYOND):
        box = box.copy()
        box[(slice(None),) * axis + (0,)] = junk
        results.append(label_tile(box, view, core, phases.shape, smallest(p1=1, p2=1), 18))
    for other in results[1:]:
        assert np.array_equal(other.labels, results[0].labels)
        assert np.array_equal(other.tallies, results[0].tallies)


def test_small_bodies_that_end_inside_are_dropped_and_counted(label_box):
    phases = np.zeros((16, 16, 16), np.uint8)
    phases[3, 3, 3:5] = 1  # inside: dropped
    phases[5, 5, 3:8] = 1  # inside and large enough: kept
    phases[1, 7, 4] = 1  # in the last row of the core, not open: dropped
    phases[7, 1, 8] = 1  # only in the shared layer: kept without a voxel
    phases[2, 8, 2] = 1  # only in the shared layer
    phases[0, 0, 7:9] = 1  # into the shared layer: kept
    phases[6, 2, 2] = 2  # another phase
    grey = np.zeros(phases.shape, np.uint16)
    found = label_box(phases, grey, Box((0, 0, 0), (8, 8, 8)), {1: 5, 2: 3}, 26)
    assert found.small_bodies[[1, 2]].tolist() == [2, 1]
    assert found.small_voxels[[1, 2]].tolist() == [3, 1]
    assert sorted(found.tallies[1:, N].tolist()) == [0, 0, 1, 5]


@pytest.mark.parametrize("place", [(8, 10, 10), (10, 8, 10), (10, 10, 8), (15, 10, 10)])
def test_small_bodies_at_a_seam_are_left_to_the_merge(label_box, place):
    phases = np.zeros((24, 24, 24), np.uint8)
    phases[place] = 1
    grey = np.zeros(phases.shape, np.uint16)
    found = label_box(phases, grey, Box((8, 8, 8), (16, 16, 16)), {1: 5}, 26)
    # A body in the core's first layer may go on below; one in its last layer is seen to end.
    kept = place != (15, 10, 10)
    assert len(found.tallies) - 1 == kept
    assert found.small_bodies[1] == (not kept)


def test_unwanted_phases_get_no_body(label_box):
    phases, grey = make()
    found = label_box(phases, grey, Box((0, 0, 0), phases.shape), {2: 1}, 6)
    assert np.array_equal(found.labels[1:-1, 1:-1, 1:-1] > 0, phases == 2)
