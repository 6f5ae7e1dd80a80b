"""Tallies of a tile against sums by numpy."""

import numpy as np
import pytest

from pipeline.kernels.cells import CELLS_PER_STEP, DIRECTIONS, build_cell_tables
from pipeline.kernels.label import find_runs, label_runs
from pipeline.kernels.tally import (
    BEYOND,
    BORDER,
    CELL,
    EDGE,
    FIRST,
    GREY,
    GREY_MAX,
    GREY_MIN,
    GREY_SQUARE,
    HIGH,
    LOW,
    MIXED,
    N_COLUMNS,
    NO_VOXEL,
    PHASE,
    SQUARE,
    SUM,
    N,
    new_tallies,
    tally_cells,
    tally_runs,
)


@pytest.fixture(scope="module")
def tile():
    """A tile with one shared layer: phases, grey, bodies and tallies of its core (8, 9, 10)."""
    rng = np.random.default_rng(8)
    phases = np.where(rng.random((9, 10, 11)) < 0.3, rng.integers(1, 3, (9, 10, 11)), 0)
    phases = phases.astype(np.uint8)
    grey = rng.integers(0, 65536, (9, 10, 11)).astype(np.uint16)
    counted = np.isin(np.arange(256), (1, 2))
    runs = find_runs(phases, counted)
    body, n = label_runs(runs, 10, 18)
    tallies = new_tallies(n)
    tally_runs(runs, body, (8, 9, 10), 10, grey, 123_456, (1000, 50), tallies)
    labels = np.zeros(phases.shape, np.int64)
    for r in range(runs.row.size - 1):
        for i in range(runs.row[r], runs.row[r + 1]):
            labels[r // 10, r % 10, runs.start[i] : runs.stop[i]] = body[i]
    return phases, grey, labels, tallies


def test_sums_over_the_core(tile):
    phases, grey, labels, tallies = tile
    assert tallies.shape == (labels.max() + 1, N_COLUMNS)
    n_empty = 0
    for body in range(1, tallies.shape[0]):
        t = tallies[body]
        assert t[PHASE] == phases[labels == body][0]
        z, y, x = np.nonzero(labels[:8, :9, :10] == body)
        assert t[N] == z.size
        if z.size == 0:
            n_empty += 1
            assert t[FIRST] == NO_VOXEL
            continue
        assert t[FIRST] == (123_456 + z * 1000 + y * 50 + x).min()
        assert t[LOW:HIGH].tolist() == [z.min(), y.min(), x.min()]
        assert t[HIGH:SUM].tolist() == [z.max() + 1, y.max() + 1, x.max() + 1]
        assert t[SUM:SQUARE].tolist() == [z.sum(), y.sum(), x.sum()]
        assert t[SQUARE:MIXED].tolist() == [(z * z).sum(), (y * y).sum(), (x * x).sum()]
        assert t[MIXED:GREY].tolist() == [(z * y).sum(), (z * x).sum(), (y * x).sum()]
        g = grey[z, y, x].astype(np.int64)
        assert t[GREY] == g.sum()
        assert t[GREY_SQUARE] == (g * g).sum()
        assert (t[GREY_MIN], t[GREY_MAX]) == (g.min(), g.max())
    assert n_empty > 0


def test_row_zero_belongs_to_none(tile):
    assert np.array_equal(tile[3][0], new_tallies(0)[0])


def test_sums_of_a_long_run_are_exact():
    phases = np.ones((1, 1, 70_000), np.uint8)
    runs = find_runs(phases, np.arange(256) == 1)
    tallies = new_tallies(1)
    grey = np.full(phases.shape, 65535, np.uint16)
    body = np.array([1], np.int32)
    tally_runs(runs, body, (1, 1, 70_000), 1, grey, 0, (70_000, 70_000), tallies)
    x = range(70_000)
    assert tallies[1, SUM + 2] == sum(x)
    assert tallies[1, SQUARE + 2] == sum(v * v for v in x)
    assert tallies[1, GREY_SQUARE] == 70_000 * 65535**2


@pytest.mark.parametrize("connectivity", [6, 18, 26])
def test_cells_against_brute_force(connectivity):
    rng = np.random.default_rng(connectivity)
    labels = np.zeros((9, 9, 9), np.uint32)
    labels[1:-1, 1:-1, 1:-1] = rng.integers(0, 4, (7, 7, 7))
    phases = np.where(labels > 0, 1, 0).astype(np.uint8)
    for axis in range(3):
        for side in (0, -1):
            phases[(slice(None),) * axis + (side,)] = BEYOND
    phases[4, 4, 4], labels[4, 4, 4] = 255, 0
    component, counts = build_cell_tables(connectivity)
    tallies = new_tallies(3)
    tally_cells(labels, phases, (0, 0, 0), component, counts, tallies)
    for body in (1, 2, 3):
        mine = labels == body
        for k, (step, cells) in enumerate(zip(DIRECTIONS, CELLS_PER_STEP, strict=True)):
            here = tuple(slice(max(-s, 0), 9 - max(s, 0)) for s in step)
            there = tuple(slice(max(s, 0), 9 - max(-s, 0)) for s in step)
            crossings = cells * np.count_nonzero(mine[here] != mine[there])
            # Two voxels of a body in different components of a cell: each counts the other.
            extra = tallies[body, CELL + k] - crossings
            assert extra >= 0
            assert extra % 2 == 0
            if np.abs(step).sum() <= {6: 1, 18: 2, 26: 3}[connectivity]:
                assert extra == 0
        z, y, x = np.nonzero(mine)
        on_border = ((z == 1) | (z == 7) | (y == 1) | (y == 7) | (x == 1) | (x == 7)).any()
        assert (tallies[body, BORDER] > 0) == on_border
        at_edge = (np.abs([z - 4, y - 4, x - 4]).max(0) == 1).any()
        assert (tallies[body, EDGE] > 0) == at_edge


def test_first_cell_leaves_out_the_layer_below():
    labels = np.zeros((4, 4, 4), np.uint32)
    labels[1, 1, 1] = 1
    phases = np.zeros(labels.shape, np.uint8)
    component, counts = build_cell_tables(6)
    totals = {}
    for first in ((0, 0, 0), (1, 0, 0), (1, 1, 1)):
        tallies = new_tallies(1)
        tally_cells(labels, phases, first, component, counts, tallies)
        totals[first] = tallies[1, CELL + 13]
    # A single voxel has eight cells, each with an eighth of its Euler number.
    assert totals == {(0, 0, 0): 8, (1, 0, 0): 4, (1, 1, 1): 1}
