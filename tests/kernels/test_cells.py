"""Tables over the 256 configurations against counts made by general libraries."""

import numpy as np
import pytest
from scipy import ndimage
from skimage.measure import euler_number

from pipeline.kernels.cells import (
    CELLS_PER_STEP,
    CORNERS,
    DIRECTIONS,
    EULER,
    N_CELL_COUNTS,
    build_cell_tables,
)

STRUCTURE = {n: ndimage.generate_binary_structure(3, i) for n, i in ((6, 1), (18, 2), (26, 3))}


def voxels_of(configuration):
    """The 2x2x2 array of a configuration."""
    return np.array([configuration >> bit & 1 for bit in range(8)], np.uint8).reshape(2, 2, 2)


def configuration_of(voxels):
    """The configuration of a 2x2x2 array."""
    return int((np.asarray(voxels).ravel() << np.arange(8)).sum())


def cells_of(volume):
    """The configuration of every cell of a padded volume."""
    padded = np.pad(volume, 1).astype(np.int64)
    n = [s - 1 for s in padded.shape]
    cells = np.zeros(n, np.int64)
    for bit, (z, y, x) in enumerate(CORNERS):
        cells |= padded[z : z + n[0], y : y + n[1], x : x + n[2]] << bit
    return cells


def test_directions_are_the_26_neighbours_without_their_opposites():
    both = set(DIRECTIONS) | {tuple(-v for v in d) for d in DIRECTIONS}
    assert len(both) == 26
    assert (0, 0, 0) not in both
    assert N_CELL_COUNTS == 21


@pytest.mark.parametrize("connectivity", [6, 18, 26])
def test_component_is_that_of_the_lowest_bit(connectivity):
    component, _ = build_cell_tables(connectivity)
    assert component[0] == 0
    for configuration in range(1, 256):
        labels, _ = ndimage.label(voxels_of(configuration), STRUCTURE[connectivity])
        lowest = labels.ravel()[(configuration & -configuration).bit_length() - 1]
        assert component[configuration] == configuration_of(labels == lowest)


@pytest.mark.parametrize("connectivity", [6, 18, 26])
def test_crossings_are_pairs_that_differ(connectivity):
    _, counts = build_cell_tables(connectivity)
    for configuration in range(256):
        v = voxels_of(configuration).astype(bool)
        for k, (z, y, x) in enumerate(DIRECTIONS):
            n = sum(
                v[a] != v[b]
                for a in CORNERS
                for b in CORNERS
                if (b[0] - a[0], b[1] - a[1], b[2] - a[2]) == (z, y, x)
            )
            assert counts[configuration, k] == n


@pytest.mark.parametrize("seed", range(3))
def test_crossings_of_a_volume_are_counted_cells_per_step_times(seed):
    volume = (np.random.default_rng(seed).random((9, 8, 7)) < 0.4).astype(np.uint8)
    _, counts = build_cell_tables(26)
    totals = counts[cells_of(volume).ravel()].sum(0)
    padded = np.pad(volume, 1).astype(bool)
    for k, (step, cells) in enumerate(zip(DIRECTIONS, CELLS_PER_STEP, strict=True)):
        here = tuple(
            slice(max(-s, 0), n - max(s, 0)) for s, n in zip(step, padded.shape, strict=True)
        )
        there = tuple(
            slice(max(s, 0), n - max(-s, 0)) for s, n in zip(step, padded.shape, strict=True)
        )
        assert totals[k] == cells * np.count_nonzero(padded[here] != padded[there])


@pytest.mark.parametrize(("connectivity", "reference"), [(6, 1), (18, 3), (26, 3)])
@pytest.mark.parametrize("density", [0.05, 0.3, 0.6, 0.95])
def test_euler_number_of_a_volume(connectivity, reference, density):
    # Components inside cells, all voxels being one body: what skimage counts for the volume.
    volume = (np.random.default_rng(1).random((12, 11, 10)) < density).astype(np.uint8)
    component, counts = build_cell_tables(connectivity)
    total = 0
    for configuration in cells_of(volume).ravel().tolist():
        while configuration:
            part = int(component[configuration])
            total += counts[part, EULER]
            configuration &= ~part
    assert total % 8 == 0
    if connectivity == 18:
        # Two voxels on a space diagonal are not joined: counted apart in their cell.
        padded = cells_of(volume)
        diagonal = sum(np.count_nonzero(padded == c) for c in (129, 66, 36, 24))
        assert total // 8 == euler_number(volume, reference) + diagonal
    else:
        assert total // 8 == euler_number(volume, reference)
