import numpy as np
import pytest

from pipeline.kernels.relaxation import find_rings, relax_surface_
from pipeline.kernels.surface import Surface, enclosed_volume

# An octahedron whose top is split: edges of both directions, vertices of 4 and of other degrees.
POINTS = np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]], np.float64)
FACES = np.array(
    [[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]]
)


def bumpy(n=3, seed=1):
    """An octahedron cut into small triangles, with vertices jolted."""
    points, faces = POINTS, FACES
    for _ in range(n):
        edges = np.sort(np.stack([faces, np.roll(faces, -1, 1)], -1).reshape(-1, 2), axis=1)
        pairs, at = np.unique(edges, axis=0, return_inverse=True)
        m = at.reshape(-1, 3) + len(points)
        points = np.concatenate([points, points[pairs].mean(1)])
        a, b, c = faces.T
        ab, bc, ca = m.T
        faces = np.concatenate(
            [np.stack(t, 1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
        )
    points = points / np.linalg.norm(points, axis=1, keepdims=True)
    return points + np.random.default_rng(seed).normal(0, 0.02, points.shape), faces


def test_rings_of_an_octahedron():
    rings = find_rings(FACES, 6)
    assert rings.edges.shape == (12, 4)
    assert (np.diff(rings.starts) == 4).all()
    for a, b, c, d in rings.edges:
        faces = {tuple(np.roll(f, -k)) for f in FACES.tolist() for k in range(3)}
        assert (a, b, c) in faces
        assert (b, a, d) in faces


@pytest.mark.parametrize(
    "faces", [FACES[1:], np.concatenate([FACES, FACES[:1]]), FACES[:, ::-1][[0, 0, 1]]]
)
def test_a_surface_with_a_hole_or_a_double_is_refused(faces):
    with pytest.raises(ValueError, match="two triangles"):
        find_rings(np.ascontiguousarray(faces), 6)


def test_smoothing_moves_no_volume_and_rounds():
    points, faces = bumpy()
    before = enclosed_volume(points, faces)
    moved = points.copy()
    relax_surface_(moved, find_rings(faces, len(points)), points, np.full(points.shape, 1.0), 2)
    assert enclosed_volume(moved, faces) == pytest.approx(before, rel=1e-12)
    radii = [np.linalg.norm(p - p.mean(0), axis=1).std() for p in (points, moved)]
    assert radii[1] < 0.6 * radii[0]
    ball = 36 ** (1 / 3) * np.pi ** (1 / 3) * before ** (2 / 3)
    areas = [Surface(p, faces).area_um2 for p in (points, moved)]
    assert ball < areas[1] < areas[0]


def test_no_vertex_leaves_its_bounds():
    points, faces = bumpy(seed=2)
    reach = np.full(points.shape, 0.01)
    reach[:7] = 0.0
    moved = points.copy()
    relax_surface_(moved, find_rings(faces, len(points)), points, reach, 10)
    assert (np.abs(moved - points) <= reach + 1e-15).all()
    assert np.abs(moved - points).max() > 0.005
    assert enclosed_volume(moved, faces) == pytest.approx(enclosed_volume(points, faces), rel=1e-12)
