import numpy as np
import pytest

from pipeline.phantom.truth import Census
from pipeline.report.truth import compare_truth


def test_a_census_beside_its_truth() -> None:
    exact = np.full((12, 12, 12), 1, np.uint8)
    exact[1:4, 1:4, 1:4] = 2
    exact[4:6, 4:6, 4:6] = 2  # touches the first at a corner
    exact[8:10, 8, 8] = 2  # too small
    exact[9:11, 1:3, 1:3] = 0
    voxels = {"pore": 8, "matrix": 1685, "iron-rich": 37, "copper-rich": 0}
    counted = {"kind": "particles", "volume_fraction": 0.01, "n_particles": 1, "min_voxels": 4}
    rows = [
        {**counted, "phase": "pore", "largest_volume_um3": 70.0},
        {"kind": "background", "phase": "matrix"},
        {**counted, "phase": "iron-rich", "largest_volume_um3": 250.0},
        {**counted, "phase": "copper-rich", "volume_fraction": None, "n_particles": 0,
         "largest_volume_um3": None},
    ]  # fmt: skip
    searched = np.ones(exact.shape, bool)
    searched[:, :, :2] = False
    pore, iron, copper = compare_truth(rows, Census(voxels), exact, searched, 2.0, 26)
    assert pore.true_fraction_searched == pytest.approx(4 / 1440)
    assert iron.true_fraction_searched == pytest.approx((18 + 8 + 2) / 1440)
    assert (pore.n_true, pore.largest_true_um3) == (1, 8 * 8)
    assert (iron.n_particles, iron.n_true, iron.largest_true_um3) == (1, 1, 35 * 8)
    assert iron.true_fraction == pytest.approx(37 / 1730)
    assert (copper.n_true, copper.largest_um3, copper.fraction) == (0, 0.0, 0.0)
    assert compare_truth(rows, Census(voxels), exact, searched, 2.0, 6)[1].n_true == 2
