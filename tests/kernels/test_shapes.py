"""Classes of shape: every rule, every border, the margin to it."""

import numpy as np
import pytest

from pipeline.kernels.shapes import classify_shapes


def classify(solidity=0.9, tunnels=0, elongation=0.9, flatness=0.9):
    values = {
        "solidity": solidity,
        "n_tunnels": tunnels,
        "elongation": elongation,
        "flatness": flatness,
    }
    found = classify_shapes({name: np.array([value]) for name, value in values.items()})
    return found["shape_class"][0], found["shape_margin"][0]


@pytest.mark.parametrize(
    ("values", "name", "margin"),
    [
        ({}, "compact", np.log(0.9 * 1.5)),
        ({"elongation": 2 / 3, "flatness": 1.0}, "compact", 0.0),
        ({"elongation": 0.4}, "needle", np.log(1 / 0.6)),
        ({"flatness": 0.4}, "platelet", np.log(1 / 0.6)),
        ({"flatness": 0.1}, "platelet", np.log(0.9 / 0.4)),
        ({"elongation": 0.5, "flatness": 0.4}, "platelet", np.log(5 / 4)),
        ({"elongation": 0.4, "flatness": 0.5}, "needle", np.log(5 / 4)),
        ({"solidity": 0.2}, "branched", np.log(2)),
        ({"solidity": 0.2, "tunnels": 1}, "branched", 0.5),
        ({"solidity": 0.2, "tunnels": 2}, "network", 0.5),
        ({"solidity": 0.2, "tunnels": 41, "flatness": 0.1}, "network", np.log(2)),
        ({"solidity": 0.41, "tunnels": 41, "flatness": 0.1}, "platelet", np.log(0.41 / 0.4)),
    ],
)
def test_rules_and_margins(values, name, margin):
    found = classify(**values)
    assert found[0] == name
    assert found[1] == pytest.approx(margin, abs=1e-12)


def test_crossing_plates_branch_and_a_frame_is_a_network(count_bodies):
    plates = np.zeros((46, 46, 46), np.uint8)
    plates[3:43, 3:43, 21:25] = plates[21:25, 3:43, 3:43] = plates[3:43, 21:25, 3:43] = 1
    assert count_bodies(plates, None, (20, 31, 46)).rows["shape_class"].tolist() == ["branched"]
    z, y, x = np.indices((40, 40, 40))
    on = [(v < 3) | (v > 36) for v in (z, y, x)]
    frame = (sum(v.astype(int) for v in on) >= 2).astype(np.uint8)
    rows = count_bodies(frame, None, (20, 31, 40)).rows
    assert rows["euler_number"].tolist() == [-4]
    assert rows["shape_class"].tolist() == ["network"]


def test_two_tunnels_make_a_network_and_a_cavity_does_not_hide_one(count_bodies):
    loops = np.zeros((40, 40, 40), np.uint8)
    loops[3:6, 3:37, 3:37] = 1
    loops[3:6, 6:18, 6:34] = loops[3:6, 21:34, 6:34] = 0  # a frame with a bar: two tunnels
    loops[3:37, 3:6, 3:6] = loops[3:37, 34:37, 34:37] = 1
    hollow = loops.copy()
    hollow[4, 4, 20] = 0
    for body, euler in ((loops, -1), (hollow, 0)):
        rows = count_bodies(body, None, (20, 31, 40)).rows
        assert (rows["euler_number"].tolist(), rows["n_tunnels"].tolist()) == ([euler], [2])
        assert rows["shape_class"].tolist() == ["network"]
