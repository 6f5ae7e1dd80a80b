import numpy as np
import pytest

from pipeline.kernels.trianglegrid import cast_rays, distances_to, find_crossings, sort_triangles

CORNERS = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], np.float64)
CUBE = np.array(
    [
        [0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
        [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3],
    ]
)  # fmt: skip


def test_distances_from_a_cube():
    points = np.random.default_rng(0).uniform(-0.8, 1.8, (400, 3))
    outside = np.linalg.norm(np.maximum(np.maximum(-points, points - 1), 0), axis=1)
    inside = np.minimum(points, 1 - points).min(1)
    wanted = np.where(outside > 0, outside, inside)
    assert distances_to(sort_triangles(CORNERS, CUBE), points) == pytest.approx(wanted, abs=1e-12)


def test_distances_do_not_depend_on_the_cells():
    rng = np.random.default_rng(1)
    # Small triangles far apart, one large one: many cells are empty, one triangle is in many.
    vertices = rng.uniform(0, 10, (60, 1, 3)) + rng.uniform(0, 0.3, (60, 3, 3))
    vertices = np.concatenate([vertices.reshape(-1, 3), [[0, 0, 0], [10, 0, 1], [0, 10, 2]]])
    faces = np.arange(len(vertices)).reshape(-1, 3)
    points = rng.uniform(-1, 11, (200, 3))
    each = [distances_to(sort_triangles(vertices, f[None]), points) for f in faces]
    together = distances_to(sort_triangles(vertices, faces), points)
    assert together == pytest.approx(np.min(each, 0), abs=1e-12)
    nearest = np.linalg.norm(points[:, None] - vertices[None], axis=2).min(1)
    assert (together <= nearest + 1e-12).all()


@pytest.mark.parametrize(
    ("shift", "crossing"),
    [((2, 0, 0), False), ((0.4, 0.3, 0.2), True), ((0.2, 0.3, 5), False), ((0, 0, 0.5), True)],
)
def test_two_cubes(shift, crossing):
    vertices = np.concatenate([CORNERS, CORNERS * [0.9, 0.8, 0.7] + shift])
    pairs = find_crossings(sort_triangles(vertices, np.concatenate([CUBE, CUBE + 8])))
    assert (len(pairs) > 0) == crossing
    assert all((a < 12) != (b < 12) for a, b in pairs)
    assert len(np.unique(np.sort(pairs, 1), axis=0)) == len(pairs)


def test_neighbours_that_cross_or_fold():
    # Around the cube's corner 0, a corner opposite is pushed through the face beyond.
    pushed = CORNERS.copy()
    pushed[7] = [-0.3, 0.4, 0.45]
    assert len(find_crossings(sort_triangles(pushed, CUBE))) > 0
    flat = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0.2, 0.9, 0]], np.float64)
    folded = np.array([[0, 1, 2], [1, 0, 3]])
    assert find_crossings(sort_triangles(flat, folded)).tolist() == [[0, 1]]
    flat[3] = [1, -1, 0]
    assert len(find_crossings(sort_triangles(flat, folded))) == 0


def test_rays_cross_a_cube():
    grid = sort_triangles(CORNERS * 3, CUBE)
    starts = np.array([[0, 1, 1.3], [1, 1.1, 1.3], [1, 1.1, 1.3], [3, 1.2, 1.7]])
    ways = np.array([[1, 0, 0], [0, 0, 1], [0, -0.6, -0.8], [1, 0, 0]])
    lengths = cast_rays(grid, starts, ways)
    assert lengths[:3] == pytest.approx([3, 1.7, 1.3 / 0.8])
    assert np.isinf(lengths[3])
