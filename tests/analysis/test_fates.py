"""Fates from counts of overlap, one rule after the other."""

import numpy as np
import pytest

from pipeline.analysis.fates import Side, decide_fates, find_links, tell_summary
from pipeline.model.similarity import Similarity


def side(n_voxels, pairs, near, *, in_field=None, same=None, thickness=None):
    """A side of a few particles; what is not said is as if nothing were cut."""
    ids = np.arange(1, len(n_voxels) + 1)
    n_voxels = np.asarray(n_voxels)
    near = np.asarray(near, np.int64)
    return Side(
        ids=ids,
        n_voxels=n_voxels,
        n_in_field=n_voxels if in_field is None else np.asarray(in_field),
        pairs=np.asarray(pairs, np.int64).reshape(-1, 2),
        n_same=near if same is None else np.asarray(same),
        n_near=near,
        voxel_um3=2.0,
        centroid_um=np.stack([ids * 10.0] * 3, axis=1),
        thickness_um=np.asarray([4.0] * len(ids) if thickness is None else thickness),
    )


def fates(before, after, change=0.15, move=None):
    rows = decide_fates(before, after, move or Similarity(), change)
    return {(r["side"], r["particle_id"]): r for r in rows}


def test_one_partner_is_kept_shrunk_or_grown_by_volume():
    before = side([100, 100, 100], [[1, 1], [2, 2], [3, 3]], [90, 50, 100])
    after = side([95, 60, 130], [[1, 1], [2, 2], [3, 3]], [90, 60, 100])
    rows = fates(before, after)
    assert [rows["before", i]["fate"] for i in (1, 2, 3)] == ["kept", "shrunk", "grown"]
    assert rows["before", 2]["volume_ratio"] == pytest.approx(0.6)
    assert rows["before", 2]["volume_um3"] == 200.0
    assert rows["before", 1]["offset_um"] == 0.0
    assert fates(before, after, change=0.5)["before", 2]["fate"] == "kept"


def test_pieces_and_mergers_are_counted_and_shared_out():
    before = side([200, 60, 40], [[1, 1], [1, 2], [2, 3], [3, 3]], [70, 60, 60, 40])
    after = side([80, 70, 110], [[1, 1], [2, 1], [3, 2], [3, 3]], [80, 70, 60, 40])
    rows = fates(before, after)
    assert rows["before", 1]["fate"] == "split"
    assert rows["before", 1]["partners"] == [1, 2]
    assert rows["before", 1]["n_pieces"] == 2
    assert rows["before", 1]["volume_other_um3"] == 300.0
    assert [rows["before", i]["fate"] for i in (2, 3)] == ["merged", "merged"]
    assert rows["before", 2]["volume_other_um3"] == pytest.approx(2 * 110 * 0.6)
    assert rows["before", 3]["n_sharing"] == 1
    assert "offset_um" not in rows["before", 3]


def test_without_partner_it_dissolved_or_is_new_or_left_or_entered():
    before = side([100, 100], [], [], in_field=[100, 30])
    after = side([50, 50], [], [], in_field=[50, 10])
    rows = fates(before, after)
    assert rows["before", 1]["fate"] == "dissolved"
    assert rows["before", 1]["volume_ratio"] == 0.0
    assert rows["before", 2]["fate"] == "left the field"
    assert rows["after", 1]["fate"] == "new"
    assert rows["after", 2]["fate"] == "entered the field"


def test_neighbours_that_touch_are_no_partners():
    # 20 of 100 voxels lie near a body that is another one's.
    before = side([100, 100], [[1, 1], [2, 1]], [100, 20])
    after = side([100], [[1, 1], [1, 2]], [90, 10])
    assert find_links(before, after)[:, :2].tolist() == [[0, 0]]
    assert fates(before, after)["before", 2]["fate"] == "dissolved"


def test_only_the_common_field_is_compared():
    before = side([100], [[1, 1]], [60], in_field=[60])
    after = side([90], [[1, 1]], [58], in_field=[58])
    row = fates(before, after)["before", 1]
    assert (row["fate"], row["is_cut"]) == ("kept", True)
    assert row["volume_ratio"] == pytest.approx(58 / 60)


def test_volumes_after_are_in_the_lengths_before():
    move = Similarity(scale=1.1)
    before, after = (side([1000], [[1, 1]], [1000]) for _ in range(2))
    row = fates(before, after, move=move)["before", 1]
    assert row["volume_ratio"] == pytest.approx(1.1**-3)
    assert row["fate"] == "shrunk"


def test_a_phase_without_bodies_has_no_rows_and_a_gain_is_called_one():
    none = side([], [], [])
    assert decide_fates(none, none, Similarity(), 0.15) == []
    told = tell_summary(
        {
            "phase": "pore",
            "n_bodies": 1,
            "dissolved_share": -0.5,
            "n_by_fate": {"split": 0},
            "pieces_mean": None,
            "thickness_before_um": None,
            "thickness_after_um": None,
        }
    )
    assert told == "pore: 1 bodies, 50 % of the volume gained"
