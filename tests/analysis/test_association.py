"""Contacts and meetings of phases: exact for overlays, the same for every order of work."""

import numpy as np
import pytest

from pipeline.analysis.association import (
    contact_ratio,
    distance_ratio,
    draw_shifts,
    meeting_ratio,
)


def grid_of(rng, shape=(16, 16, 16), p=(0.9, 0.06, 0.04)):
    """Blocks of 64 voxels, each of them mostly of one phase."""
    phase = rng.choice(len(p), shape, p=p)
    voxels = np.zeros((*shape, len(p)), np.int64)
    np.put_along_axis(voxels, phase[..., None], 64, -1)
    return voxels


def test_shifts_are_fixed_by_the_counts_and_never_near():
    voxels = grid_of(np.random.default_rng(1))
    shifts = draw_shifts(voxels)
    np.testing.assert_array_equal(shifts, draw_shifts(voxels.copy()))
    assert len(shifts) == 199
    assert len({tuple(s) for s in shifts.tolist()}) == 199
    near = np.minimum(shifts, 16 - shifts)
    assert (near.max(1) > 1).all()
    voxels[0, 0, 0] += 1
    assert not np.array_equal(shifts, draw_shifts(voxels))
    assert len(draw_shifts(grid_of(np.random.default_rng(1), (1, 1, 3)))) == 0


def test_a_phase_beside_another_is_found_by_both_tests():
    rng = np.random.default_rng(2)
    voxels = grid_of(rng, p=(0.95, 0.05))
    third = np.zeros((16, 16, 16), np.int64)
    third[voxels[..., 1] > 0] = 8
    voxels = np.concatenate([voxels, third[..., None]], -1)
    voxels[..., 1] -= third
    shifts = draw_shifts(voxels)
    meeting = meeting_ratio(voxels, shifts, 2, 1)
    assert meeting.p_value == pytest.approx(0.01)
    assert meeting.ratio > 5
    assert meeting.low > 1
    distance = distance_ratio(voxels, shifts, (2.0, 2.0, 2.0), 2, 1)
    assert distance.observed == 0.0
    assert distance.p_value == pytest.approx(0.01)
    assert distance.expected > 1.0


def test_phases_that_keep_apart_are_found_too():
    rng = np.random.default_rng(3)
    voxels = grid_of(rng, p=(0.6, 0.2, 0.2))
    voxels[..., 0] += 9
    found = meeting_ratio(voxels, draw_shifts(voxels), 2, 1)
    assert found.ratio == 0.0
    assert found.p_value == pytest.approx(0.01)


def test_contact_against_an_overlay_by_hand():
    contacts = np.zeros((8, 8, 8, 3, 3), np.int64)
    contacts[..., 2, 1], contacts[..., 0, 2] = 3, 9
    voxels = np.zeros((8, 8, 8, 3), np.int64)
    voxels[...] = [80, 10, 10]
    found = contact_ratio(contacts, voxels, 2, 1)
    assert found.observed == 0.25
    assert found.expected == pytest.approx(1 / 9)
    assert found.ratio == pytest.approx(2.25)
    other = contact_ratio(contacts, voxels, 1, 2)
    assert other.observed == 1.0


def test_phases_that_are_absent_or_fill_all_have_no_ratio():
    voxels = grid_of(np.random.default_rng(4))
    shifts = draw_shifts(voxels)
    absent = voxels.copy()
    absent[..., 0] += absent[..., 1]
    absent[..., 1] = 0
    contacts = np.zeros((16, 16, 16, 3, 3), np.int64)
    for a, b in ((1, 2), (2, 1)):
        assert meeting_ratio(absent, shifts, a, b) is None
        assert distance_ratio(absent, shifts, (1.0, 1.0, 1.0), a, b) is None
        assert contact_ratio(contacts, absent, a, b) is None
    assert meeting_ratio(voxels, shifts[:10], 1, 2) is None
    full = voxels + 1
    assert distance_ratio(full, shifts, (1.0, 1.0, 1.0), 1, 2) is None
    contacts[..., 0, 2] = contacts[..., 0, 1] = 1
    apart = contact_ratio(contacts, voxels, 2, 1)
    assert (apart.ratio, apart.low, apart.p_value) == (0.0, None, None)


def test_a_meeting_that_chance_hardly_gives_has_no_lower_end():
    # One block of the subject, few of the other: nearly all shifts meet nothing.
    voxels = np.zeros((8, 8, 8, 3), np.int64)
    voxels[..., 0] = 60
    voxels[0, 0, 0, 2] = 4
    voxels.reshape(512, 3)[::100, 1] = 4
    found = meeting_ratio(voxels, draw_shifts(voxels), 2, 1)
    assert found.expected > 0.0
    assert found.ratio > 1.0
    assert (found.low, found.high) == (None, None)
