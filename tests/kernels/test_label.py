"""Labels of one tile against scipy.ndimage and connected-components-3d."""

import cc3d
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage

from pipeline.kernels.label import find_runs, label_runs, paint_runs

STRUCTURE = {n: ndimage.generate_binary_structure(3, i) for n, i in ((6, 1), (18, 2), (26, 3))}


def label_phases(phases, wanted, connectivity):
    """Bodies of the wanted phases, numbered together in raster order."""
    counted = np.zeros(256, bool)
    counted[list(wanted)] = True
    runs = find_runs(phases, counted)
    body, n = label_runs(runs, phases.shape[1], connectivity)
    labels = np.zeros(phases.shape, np.uint32)
    paint_runs(runs.start, runs.stop, body, runs.row, phases.shape[1], labels, 0)
    return labels, n


def renumbered(labels):
    """Labels from 1 in raster order of their first voxel."""
    values, first, inverse = np.unique(labels, return_index=True, return_inverse=True)
    rank = np.zeros(values.size, np.int64)
    order = np.argsort(np.where(values == 0, -1, first))
    rank[order] = np.arange(values.size) + (values[0] != 0)
    return rank[inverse].reshape(labels.shape)


def check(phases, wanted, connectivity):
    labels, n = label_phases(phases, wanted, connectivity)
    assert labels.max(initial=0) == n
    assert np.array_equal(labels > 0, np.isin(phases, wanted))
    for phase in wanted:
        reference, n_reference = ndimage.label(phases == phase, STRUCTURE[connectivity])
        # Numbers of one phase ascend in raster order: its ranks are scipy's numbers.
        mine = np.where(phases == phase, labels, 0)
        present = np.unique(mine[mine > 0])
        assert present.size == n_reference
        ranks = np.searchsorted(present, mine) + 1
        assert np.array_equal(np.where(mine > 0, ranks, 0), reference)
    # cc3d labels every value as a phase of its own.
    only = np.where(np.isin(phases, wanted), phases.astype(np.uint16) + 1, 0)
    partition = cc3d.connected_components(only, connectivity=connectivity)
    assert np.array_equal(labels, renumbered(partition))


@pytest.mark.parametrize("connectivity", [6, 18, 26])
@pytest.mark.parametrize("shape", [(31, 33, 35), (1, 40, 41), (40, 1, 41), (40, 41, 1), (1, 1, 90)])
@pytest.mark.parametrize("density", [0.05, 0.3, 0.5, 0.95])
def test_numbering_equals_scipy_and_partition_equals_cc3d(connectivity, shape, density):
    rng = np.random.default_rng(int(1000 * density) + connectivity)
    phases = np.where(rng.random(shape) < density, rng.integers(1, 4, shape), 0).astype(np.uint8)
    phases[rng.random(shape) < 0.02] = 255
    check(phases, (1, 2, 3), connectivity)
    check(phases, (2,), connectivity)


@pytest.mark.parametrize("connectivity", [6, 18, 26])
def test_smooth_bodies(connectivity):
    noise = ndimage.gaussian_filter(np.random.default_rng(3).random((40, 41, 42)), 1.5)
    phases = np.digitize(noise, np.quantile(noise, [0.3, 0.7])).astype(np.uint8)
    check(phases, (0, 2), connectivity)


@settings(max_examples=150, deadline=None)
@given(
    phases=arrays(np.uint8, st.tuples(*[st.integers(1, 6)] * 3), elements=st.integers(0, 2)),
    connectivity=st.sampled_from([6, 18, 26]),
)
def test_any_small_volume(phases, connectivity):
    check(phases, (1, 2), connectivity)


def test_runs_of_touching_phases_part():
    phases = np.array([[[1, 1, 2, 0, 2, 2, 1]]], np.uint8)
    counted = np.zeros(256, bool)
    counted[[1, 2]] = True
    runs = find_runs(phases, counted)
    assert runs.start.tolist() == [0, 2, 4, 6]
    assert runs.stop.tolist() == [2, 3, 6, 7]
    assert runs.phase.tolist() == [1, 2, 2, 1]
    assert runs.row.tolist() == [0, 4]


def test_nothing_to_label():
    labels, n = label_phases(np.zeros((3, 4, 5), np.uint8), (1,), 26)
    assert (n, labels.any()) == (0, False)


def test_bodies_of_value_zero_can_be_wanted():
    labels, n = label_phases(np.zeros((3, 4, 5), np.uint8), (0,), 6)
    assert n == 1
    assert (labels == 1).all()


def test_paint_leaves_out_body_zero_and_shifts():
    phases = np.array([[[1, 0, 1]]], np.uint8)
    counted = np.arange(256) == 1
    runs = find_runs(phases, counted)
    labels = np.zeros((2, 2, 4), np.uint32)
    paint_runs(runs.start, runs.stop, np.array([0, 7], np.int32), runs.row, 1, labels, 1)
    assert labels[1, 1].tolist() == [0, 0, 0, 7]
    assert labels.sum() == 7
