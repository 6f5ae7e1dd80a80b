import math

import numpy as np
import pyarrow as pa
import pytest

from pipeline.analysis.fracture import (
    best_ranks,
    box_distance_um,
    chance_of_rank,
    draw_origins,
    rank_origin,
)

NOWHERE = np.empty((0, 3))


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
    inside = box_distance_um(start * voxel, stop * voxel, np.array([15.0, 30.0, 45.0]))
    assert inside.tolist() == [0.0] * 3
    beside = box_distance_um(start * voxel, stop * voxel, np.array([23.0, 44.0, 45.0]))
    assert beside[0] == pytest.approx(5.0)


def test_particles_near_the_origin_and_their_ranks():
    mine = particles(((0, 0, 0), 4), ((10, 10, 10), 8), ((40, 40, 40), 2), ((60, 60, 60), 6))
    others = particles(((9, 9, 9), 1), phase="iron-rich")
    found = rank_origin(
        pa.concat_tables([mine, others]),
        (2.0,) * 3,
        (19.0, 20.0, 20.0),
        30.0,
        np.array([[20.0, 20.0, 20.0], [150.0, 150.0, 150.0], [300.0, 0.0, 0.0]]),
    )
    rows = found.to_pylist()
    assert [(r["phase"], r["particle_id"]) for r in rows] == [
        ("iron-rich", 1), ("pore", 2), ("pore", 1)]  # fmt: skip
    assert rows[1]["distance_um"] == pytest.approx(1.0)
    assert rows[2]["distance_um"] == pytest.approx(math.sqrt(11**2 + 2 * 12**2))
    assert [r["volume_rank"] for r in rows] == [1, 1, 3]
    assert (rows[1]["n_phase"], rows[1]["n_near"]) == (4, 2)
    # One of three random origins is as near the largest: (1 + 1) / (1 + 3).
    assert rows[1]["volume_chance"] == pytest.approx(0.5)
    # A size that some particles lack ranks none of them.
    assert rows[1]["sqrt_projected_area_rank"] is None
    assert rank_origin(mine, (2.0,) * 3, (80.0, 0.0, 0.0), 5.0, NOWHERE).num_rows == 0


def test_the_best_rank_near_an_origin_by_looking_at_every_particle():
    rng = np.random.default_rng(6)
    low = rng.uniform(0, 90, (40, 3))
    high = low + rng.uniform(1, 20, (40, 3))
    ranks, origins = rng.integers(1, 30, 40), rng.uniform(0, 100, (50, 3))
    none = np.iinfo(np.int64).max
    wanted = [
        min((r for r, a, b in zip(ranks, low, high, strict=True)
             if np.linalg.norm(np.clip(o, a, b) - o) <= 6.0), default=none)
        for o in origins
    ]  # fmt: skip
    found = best_ranks(ranks, (low, high), origins, 6.0)
    assert found.tolist() == wanted
    assert none in wanted
    cut = best_ranks(ranks, (low, high), origins, 6.0, worst=10)
    assert cut.tolist() == [r if r <= 10 else none for r in wanted]


@pytest.mark.parametrize(("radius_um", "least"), [(5.0, 0.035), (20.0, 0.03), (100.0, 0.0)])
def test_random_origins_are_clear_at_5_percent_in_5_percent_of_cases(radius_um, least):
    # Large boxes are met more often than small ones; the specimen is a bar in its volume.
    def round_bar(voxel):
        return np.hypot(voxel[1] - 100, voxel[2] - 100) < 90

    drawn = [draw_origins((200,) * 3, (2.0,) * 3, round_bar, seed) for seed in (1, 2)]
    shares = []
    for seed in range(10, 15):
        rng = np.random.default_rng(seed)
        edge = rng.lognormal(2.2, 0.5, (500, 1)) * rng.uniform(0.5, 1.5, (500, 3))
        low = rng.uniform(0, 400, (500, 3)) - edge / 2
        ranks = np.argsort(np.argsort(-edge.prod(axis=1))) + 1
        random, tried = (best_ranks(ranks, (low, low + edge), d, radius_um) for d in drawn)
        shares.append(np.mean([chance_of_rank(int(best), random) <= 0.05 for best in tried]))
    # Ranks come in steps, wide ones where a ball is no small part of the bar: fewer, never more.
    assert max(shares) <= 0.075
    assert least <= np.mean(shares) <= 0.055


def test_origins_are_drawn_from_the_specimen_alone_and_alike_for_a_seed():
    def slab(voxel):
        return 10 <= voxel[0] < 20

    found = draw_origins((40, 10, 10), (2.0, 1.0, 3.0), slab, 5, 400)
    assert found.shape == (400, 3)
    assert 20 <= found[:, 0].min() < 22
    assert 38 < found[:, 0].max() < 40
    assert found.mean(axis=0) == pytest.approx([30, 5, 15], rel=0.1)
    assert (found == draw_origins((40, 10, 10), (2.0, 1.0, 3.0), slab, 5, 400)).all()
    assert not len(draw_origins((4, 4, 4), (1.0,) * 3, lambda _: False, 5, 9))
    assert chance_of_rank(1, np.empty(0, np.int64)) is None


def test_equal_sizes_share_the_better_rank():
    mine = particles(*[((i, 0, 0), 1) for i in range(4)], sizes=[5.0, 5.0, 7.0, 1.0])
    found = rank_origin(mine, (2.0,) * 3, (0.0, 0.0, 0.0), 100.0, NOWHERE)
    assert found["volume_rank"].to_pylist() == [2, 2, 1, 4]
