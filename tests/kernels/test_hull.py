"""Hulls of lattice points: exact corners, closed surfaces, sizes against Qhull and closed forms."""

import numpy as np
import pytest
from scipy.spatial import ConvexHull
from scipy.spatial.distance import pdist

from pipeline.kernels.feret import (
    FERET_FACES,
    FERET_MAX,
    FERET_MEAN,
    FERET_MID,
    FERET_MIN,
    SHADOW_X,
    SHADOW_Z,
    VOLUME,
    extend_hulls,
    measure_hulls,
    project_hulls,
)
from pipeline.kernels.hull import find_facets, hull_corners, mark_corners
from pipeline.kernels.label import find_runs, label_runs
from pipeline.kernels.outline import HullPart, merge_hulls, outline_runs

COUNTED = np.arange(256) == 1


def corners_of(body):
    """All corners of the voxels of a body."""
    voxels = np.argwhere(body)
    return np.unique(np.concatenate([voxels + d for d in np.ndindex(2, 2, 2)]), axis=0)


def extreme(points):
    """Corners of the hull by Qhull: points where at least three planes meet."""
    hull = ConvexHull(points)
    planes = np.unique(np.round(hull.equations, 9), axis=0)
    on = np.abs(points @ planes[:, :3].T + planes[:, 3]) < 1e-7
    return points[on.sum(1) >= 3]


def outline(body, core=None):
    runs = find_runs(body.astype(np.uint8), COUNTED)
    labels, n = label_runs(runs, body.shape[1], 26)
    return outline_runs(runs, labels, n, core or body.shape, body.shape[1])


def sizes_of(body, voxel_um=(1.0, 1.0, 1.0)):
    offsets, corners = outline(body)
    assert offsets.size == 2
    return measure_hulls(offsets, corners, voxel_um)[0], offsets, corners


def tilted_box(edges, seed, size=30):
    rng = np.random.default_rng(seed)
    axes = np.linalg.qr(rng.standard_normal((3, 3)))[0]
    place = np.indices((size,) * 3).reshape(3, -1).T - size / 2 + rng.random(3)
    return (np.abs(place @ axes) <= np.array(edges) / 2).all(1).reshape((size,) * 3)


@pytest.mark.parametrize("seed", range(8))
def test_corners_are_those_of_qhull(seed):
    rng = np.random.default_rng(seed)
    # A small range makes many points coplanar and collinear.
    points = np.unique(rng.integers(0, rng.integers(2, 12), (rng.integers(20, 200), 3)), axis=0)
    assert hull_corners(points).tolist() == extreme(points).tolist()


@pytest.mark.parametrize("order", [np.s_[:], np.s_[::-1]])
def test_facets_close_and_hold_all_points(order):
    points = np.argwhere(np.ones((4, 5, 6)))[order].astype(np.int64)
    corners, beside, planes = find_facets(points)
    assert (points @ planes[:, :3].T <= planes[:, 3]).all()
    assert planes[:, 3].sum() == 6 * 3 * 4 * 5
    for f, e in np.ndindex(corners.shape):
        g = beside[f, e]
        back = np.flatnonzero(beside[g] == f)
        edge = {corners[f, e], corners[f, (e + 1) % 3]}
        assert any({corners[g, k], corners[g, (k + 1) % 3]} == edge for k in back)
    # Euler: a closed surface of triangles.
    assert len(corners) == 2 * len(np.unique(corners)) - 4
    found = points[mark_corners(points, corners, beside, planes)]
    assert len(found) == 8


def test_long_bodies_are_exact():
    far = 2**20
    points = np.array(
        [[0, 0, 0], [far, 0, 0], [0, far, 0], [0, 0, far], [far, far, far], [far // 2, 1, 1]]
    )
    points = np.vstack([points, [far - 1, far - 1, far - 1]])
    assert hull_corners(points).tolist() == points[:5].tolist()


@pytest.mark.parametrize("seed", range(6))
def test_outlines_of_bodies_and_of_their_parts(seed):
    rng = np.random.default_rng(seed)
    body = rng.random((12, 14, 13)) < (0.1, 0.5)[seed % 2]
    body[5, 5, :] = body[:, 5, 5] = True
    runs = find_runs(body.astype(np.uint8), COUNTED)
    # All of it as one body, connected or not: layers and rows may be missing.
    one = np.ones(runs.start.size, np.int32)
    core = (11, 13, 12)
    offsets, corners = outline_runs(runs, one, 1, core, body.shape[1])
    wanted = extreme(corners_of(body[:11, :13, :12]))
    assert corners.tolist() == wanted.tolist()
    assert offsets.tolist() == [0, len(wanted)]
    # Cut in eight, each part outlined by itself, in any order.
    parts = []
    for z, y, x in rng.permutation(list(np.ndindex(2, 2, 2))):
        piece = np.ascontiguousarray(body[z * 4 : 4 + z * 7, y * 6 : 6 + y * 7, x * 5 : 5 + x * 7])
        pieces = find_runs(piece.astype(np.uint8), COUNTED)
        ids = np.ones(pieces.start.size, np.int32)
        at, points = outline_runs(pieces, ids, 1, piece.shape, piece.shape[1])
        has = np.diff(at) > 0
        parts.append(HullPart.cut(np.array([7]), has, at, points, (z * 4, y * 6, x * 5)))
    rows, at, merged = merge_hulls(parts)
    assert rows.tolist() == [7]
    assert merged.tolist() == corners.tolist()
    assert at.tolist() == offsets.tolist()


def test_body_in_the_shared_layer_has_no_corner():
    body = np.zeros((5, 5, 5), bool)
    body[4, 2, 2] = body[1, 1, 1:5] = True
    offsets, corners = outline(body, (4, 4, 4))
    assert offsets.tolist() == [0, 8, 8]
    assert corners.max(0).tolist() == [2, 2, 4]
    sizes = measure_hulls(offsets, corners, (1.0, 1.0, 1.0))
    assert np.isnan(sizes[1]).all()
    assert sizes[0, VOLUME] == 3


@pytest.mark.parametrize("edges", [(1, 1, 1), (2, 5, 9), (12, 1, 1), (7, 7, 1)])
@pytest.mark.parametrize("voxel_um", [(1.0, 1.0, 1.0), (2.0, 0.5, 1.25)])
def test_boxes_are_exact(edges, voxel_um):
    sizes, offsets, corners = sizes_of(np.ones(edges, bool), voxel_um)
    a, b, c = np.array(edges) * voxel_um
    low, middle, _ = sorted((a, b, c))
    assert sizes[VOLUME] == pytest.approx(a * b * c, rel=1e-14)
    assert sizes[SHADOW_Z : SHADOW_X + 1] == pytest.approx([b * c, a * c, a * b], rel=1e-14)
    assert sizes[FERET_MAX] == pytest.approx(np.sqrt(a * a + b * b + c * c), rel=1e-14)
    # From a face's middle to that of the opposite one, a voxel less along the other axes.
    shorter = np.array([a, b, c]) - voxel_um
    reach = [np.linalg.norm(np.where(np.arange(3) == i, (a, b, c), shorter)) for i in range(3)]
    assert sizes[FERET_FACES] == pytest.approx(max(reach), rel=1e-14)
    assert sizes[FERET_MID] == pytest.approx(middle, rel=1e-14)
    assert sizes[FERET_MIN] == pytest.approx(low, rel=1e-14)
    # Mean caliper of a box: half the sum of its edges.
    assert sizes[FERET_MEAN] == pytest.approx((a + b + c) / 2, rel=1e-12)
    for direction in ((1.0, 0.0, 0.0), (1.0, 2.0, -3.0)):
        n = np.abs(direction) / np.linalg.norm(direction)
        area = project_hulls(offsets, corners, voxel_um, direction, np.array([True]))
        assert area[0] == pytest.approx(n @ [b * c, a * c, a * b], rel=1e-13)
    extents = extend_hulls(offsets, corners, voxel_um, np.eye(3)[None], np.array([True]))
    assert extents[0] == pytest.approx([a, b, c], rel=1e-14)


@pytest.mark.parametrize("seed", range(6))
def test_sizes_are_those_of_all_directions(seed):
    voxel_um = ((1.0, 1.0, 1.0), (2.0, 1.0, 1.3))[seed % 2]
    sizes, _, corners = sizes_of(tilted_box((3 + seed, 9, 17 - seed), seed), voxel_um)
    points = corners * np.array(voxel_um)
    hull = ConvexHull(points)
    assert sizes[VOLUME] == pytest.approx(hull.volume, rel=1e-12)
    assert sizes[FERET_MAX] == pytest.approx(pdist(points).max(), rel=1e-14)
    for axis in range(3):
        shadow = ConvexHull(np.delete(points, axis, 1)).volume
        assert sizes[SHADOW_Z + axis] == pytest.approx(shadow, rel=1e-12)
    # Every pair of edges and every facet: the smallest caliper rests on one of these.
    ends = np.unique(np.sort(hull.simplices[:, [0, 1, 1, 2, 0, 2]].reshape(-1, 2), 1), axis=0)
    edges = points[ends[:, 1]] - points[ends[:, 0]]
    crossed = np.cross(edges[:, None], edges[None]).reshape(-1, 3)
    length = np.linalg.norm(crossed, axis=1)
    normals = np.vstack(
        [hull.equations[:, :3], crossed[length > 1e-9] / length[length > 1e-9, None]]
    )
    calipers = np.ptp(points @ normals.T, axis=0)
    assert sizes[FERET_MIN] == pytest.approx(calipers.min(), rel=1e-12)
    # Right angles to it, and the mean over a fine grid of directions.
    across = np.linalg.svd(normals[calipers.argmin()][None])[2][1:]
    turn = np.linspace(0, np.pi, 3000)[:, None]
    ring = np.ptp(points @ (np.cos(turn) * across[0] + np.sin(turn) * across[1]).T, axis=0)
    assert sizes[FERET_MID] <= ring.min() * (1 + 1e-12)
    assert sizes[FERET_MID] == pytest.approx(ring.min(), rel=1e-3)
    k = np.arange(20000) + 0.5
    z, turn = 1 - 2 * k / 20000, np.pi * (1 + np.sqrt(5)) * k
    sphere = np.stack([z, np.sqrt(1 - z * z) * np.cos(turn), np.sqrt(1 - z * z) * np.sin(turn)])
    assert sizes[FERET_MEAN] == pytest.approx(np.ptp(points @ sphere, axis=0).mean(), rel=1e-5)


def test_sizes_do_not_depend_on_place():
    _, offsets, corners = sizes_of(tilted_box((4, 9, 13), 1))
    here = measure_hulls(offsets, corners, (1.0, 1.0, 1.0))
    there = measure_hulls(offsets, corners + np.int32(70_001), (1.0, 1.0, 1.0))
    assert here.tobytes() == there.tobytes()
