import math

import numpy as np
import pyarrow as pa
import pytest

from pipeline.analysis.fracture import box_distance_um, chance_of_rank, rank_origin


def particles(*boxes, phase="pore", sizes=None):
    """Boxes as (z, y, x) of first voxel and edge."""
    rows = []
    for i, (start, edge) in enumerate(boxes):
        row = {"phase": phase, "particle_id": i + 1, "touches_border": False}
        for axis, first in zip("zyx", start, strict=True):
            row |= {f"bbox_{axis}_start_vx": first, f"bbox_{axis}_stop_vx": first + edge,
                    f"centroid_{axis}_um": 2.0 * (first + edge / 2)}  # fmt: skip
        size = sizes[i] if sizes else float(edge**3)
        rows.append(
            row | {"volume_um3": size, "feret_max_um": size, "sqrt_projected_area_um": None}
        )
    return pa.Table.from_pylist(rows)


def test_distance_to_boxes_of_anisotropic_voxels():
    start, stop = np.array([[10.0, 10, 10]] * 3), np.array([[20.0, 20, 20]] * 3)
    voxel = np.array([1.0, 2.0, 3.0])
    inside = box_distance_um(start, stop, voxel, np.array([15.0, 30.0, 45.0]))
    assert inside.tolist() == [0.0] * 3
    beside = box_distance_um(start, stop, voxel, np.array([23.0, 44.0, 45.0]))
    assert beside[0] == pytest.approx(5.0)


def test_particles_near_the_origin_and_their_ranks():
    mine = particles(((0, 0, 0), 4), ((10, 10, 10), 8), ((40, 40, 40), 2), ((60, 60, 60), 6))
    others = particles(((9, 9, 9), 1), phase="iron-rich")
    found = rank_origin(pa.concat_tables([mine, others]), (2.0,) * 3, (19.0, 20.0, 20.0), 30.0)
    rows = found.to_pylist()
    assert [(r["phase"], r["particle_id"]) for r in rows] == [
        ("iron-rich", 1), ("pore", 2), ("pore", 1)]  # fmt: skip
    assert rows[1]["distance_um"] == pytest.approx(1.0)
    assert rows[2]["distance_um"] == pytest.approx(math.sqrt(11**2 + 2 * 12**2))
    assert [r["volume_rank"] for r in rows] == [1, 1, 3]
    assert (rows[1]["n_phase"], rows[1]["n_near"]) == (4, 2)
    # Of 4 particles 2 are near: the largest is among them in half of all draws.
    assert rows[1]["volume_chance"] == pytest.approx(0.5)
    # A size that some particles lack ranks none of them.
    assert rows[1]["sqrt_projected_area_rank"] is None
    assert rank_origin(mine, (2.0,) * 3, (80.0, 0.0, 0.0), 5.0).num_rows == 0


def test_chance_of_a_rank_by_counting():
    # Best of 3 out of 10 ranks 2 or better: 1 - C(8, 3) / C(10, 3).
    assert chance_of_rank(2, 10, 3) == pytest.approx(1 - math.comb(8, 3) / math.comb(10, 3))
    assert chance_of_rank(9, 10, 3) == 1.0


def test_equal_sizes_share_the_better_rank():
    mine = particles(*[((i, 0, 0), 1) for i in range(4)], sizes=[5.0, 5.0, 7.0, 1.0])
    found = rank_origin(mine, (2.0,) * 3, (0.0, 0.0, 0.0), 100.0)
    assert found["volume_rank"].to_pylist() == [2, 2, 1, 4]
