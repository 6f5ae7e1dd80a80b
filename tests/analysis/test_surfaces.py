"""Surface per volume from pairs of neighbours: planes, balls, none at the border of the field."""

import numpy as np
import pytest

from pipeline.analysis.surfaces import (
    Steps,
    contact_density,
    mean_free_path_um,
    mean_intercept_um,
    surface_density,
)
from pipeline.kernels.cells import DIRECTIONS
from pipeline.kernels.descriptors import crofton_weights
from pipeline.kernels.samples import fold_samples
from pipeline.kernels.tally import BEYOND


def count(phases, voxel_um=(1.0, 1.0, 1.0), n_phases=3):
    padded = np.pad(phases.astype(np.uint8), 1, constant_values=BEYOND)
    pairs = fold_samples(padded, (0, 0, 0), 4, 8, n_phases).pairs
    lengths = np.sqrt(((np.array(DIRECTIONS) * np.array(voxel_um)) ** 2).sum(1))
    return pairs, Steps(lengths, crofton_weights(voxel_um))


def test_layers_have_the_surface_of_planes_as_far_as_13_directions_tell():
    phases = np.indices((240, 20, 20))[0] // 12 % 2
    found = surface_density(*count(phases), 1)
    # (100) planes come out 7.3 % small, the worst case of 13 directions.
    assert found == pytest.approx(19 / 239 * 0.9266, rel=0.01)


@pytest.mark.parametrize("voxel_um", [(1.0, 1.0, 1.0), (2.0, 1.0, 1.0)])
def test_a_ball_inside_the_field_has_its_own_surface(voxel_um):
    place = (np.indices((48, 96, 96)).T + 0.5) * voxel_um - np.array([24 * voxel_um[0], 48, 48])
    phases = ((place**2).sum(-1).T <= 20.0**2).astype(np.uint8)
    area = surface_density(*count(phases, voxel_um), 1) * phases.size * np.prod(voxel_um)
    # Pairs near the border are fewer than voxels: densities are per pair.
    assert area == pytest.approx(4 * np.pi * 400, rel=0.05)


def test_contacts_of_all_others_make_the_surface_and_outside_is_none():
    rng = np.random.default_rng(1)
    phases = rng.integers(0, 3, (20, 20, 20)).repeat(2, 0).astype(np.uint8)
    phases[:, :5] = 255
    pairs, steps = count(phases)
    parts = [contact_density(pairs, steps, 1, other) for other in (0, 2)]
    assert surface_density(pairs, steps, 1) == pytest.approx(sum(parts))
    assert contact_density(pairs, steps, 0, 1) == pytest.approx(parts[0])
    alone = np.full((9, 9, 9), 255, np.uint8)
    alone[2:7, 2:7, 2:7] = 1
    assert surface_density(*count(alone), 1) == 0.0


def test_one_voxel_or_one_plane_has_pairs_as_far_as_it_goes():
    assert surface_density(*count(np.ones((1, 1, 1))), 1) is None
    plane = np.indices((1, 30, 30))[2] // 5 % 2
    assert surface_density(*count(plane), 1) > 0.1


def test_lengths_of_a_section():
    assert mean_intercept_um(0.25, 0.5) == 2.0
    assert mean_free_path_um(0.25, 0.5) == 6.0
    assert mean_intercept_um(0.0, 0.0) is None
    assert mean_free_path_um(0.0, 0.0) is None
