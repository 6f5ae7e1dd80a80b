"""Contacts: every face once, both ways, the same for any tiling."""

import numpy as np
import pytest

from pipeline.kernels.contacts import measure_contacts

BORDER, OUTSIDE = 254, 255


def brute(phases, rows):
    """Contacts from the whole volume: (row, kind, other row) to faces across z, y, x."""
    phases = np.pad(phases, 1, constant_values=BORDER)
    rows = np.pad(rows, 1, constant_values=-1)
    found = {}
    for axis in range(3):
        here = tuple(slice(None, -1) if i == axis else slice(None) for i in range(3))
        there = tuple(slice(1, None) if i == axis else slice(None) for i in range(3))
        for one, two in ((here, there), (there, here)):
            differs = (phases[one] != phases[two]) & (rows[one] >= 0)
            keys = np.stack([rows[one], phases[two].astype(np.int64), rows[two]])[:, differs]
            for key in keys.T.tolist():
                found.setdefault(tuple(key), [0, 0, 0])[axis] += 1
    return found


@pytest.mark.parametrize("connectivity", [6, 26])
@pytest.mark.parametrize("tile", [None, (5, 7, 4), (13, 3, 12)])
def test_every_face_is_counted_once(count_bodies, connectivity, tile):
    rng = np.random.default_rng(connectivity)
    blocks = rng.integers(0, 4, (4, 4, 5)).repeat(3, 0).repeat(3, 1).repeat(3, 2)
    phases = np.where(rng.random(blocks.shape) < 0.1, rng.integers(0, 4, blocks.shape), blocks)
    phases = phases.astype(np.uint8)
    phases[:3, :3] = OUTSIDE
    found = count_bodies(phases, None, tile, connectivity, {1: 1, 2: 5, 3: 2})
    # Rows count all phases, labels each phase on its own.
    start = np.searchsorted(found.phase, np.arange(5))
    rows = np.where(found.labels > 0, start[np.minimum(phases, 4)] + found.labels - 1, -1)
    contacts = found.contacts
    got = {
        (b, k, o): f
        for b, k, o, f in zip(
            contacts.body.tolist(), contacts.kind.tolist(), contacts.other.tolist(),
            contacts.faces.tolist(), strict=True,
        )
    }  # fmt: skip
    assert got == brute(phases, rows)
    assert len(got) == contacts.body.size > 50
    # What one particle shares with another, the other shares with it.
    for (body, _, other), faces in got.items():
        if other >= 0:
            assert got[other, found.phase[body], body] == faces


def test_areas_of_contact(count_bodies):
    # A plate on a plate, and a ball in two halves: planes along and across the lattice.
    phases = np.zeros((8, 30, 30), np.uint8)
    phases[2:4, 2:22, 2:22] = 1
    phases[4:6, 7:27, 7:27] = 2
    found = count_bodies(phases, None, (4, 16, 30), 26, {1: 1, 2: 1}, voxel_um=(2.0, 1.0, 0.5))
    shared = found.contacts.other >= 0
    assert found.contacts.faces[shared].tolist() == [[225, 0, 0]] * 2
    area = measure_contacts(found.contacts.faces[shared], (2.0, 1.0, 0.5))
    np.testing.assert_allclose(area, 225 * 0.5 * 2 / 3)
    # In the mean of all directions the area of a ball's surface, touching nothing but matrix.
    place = np.indices((44,) * 3) - 21.3
    ball = (np.square(place).sum(0) <= 400).astype(np.uint8)
    faces = count_bodies(ball, None, (20, 44, 17)).contacts.faces
    assert len(faces) == 1
    assert measure_contacts(faces, (1.0,) * 3)[0] == pytest.approx(4 * np.pi * 400, rel=0.015)
