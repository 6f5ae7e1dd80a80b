import numpy as np
import pytest
import trimesh
from scipy import ndimage

from pipeline.kernels.collapse import collapse_edges
from pipeline.kernels.relaxation import find_rings
from pipeline.kernels.surface import mesh_surface

UNIT = (1.0, 1.0, 1.0)


def box(n_sweeps=0):
    return mesh_surface(np.ones((8, 10, 12), bool), UNIT, n_sweeps=n_sweeps)


def test_flat_sides_need_few_triangles():
    surface = box()
    vertices, faces = collapse_edges(surface.vertices, surface.faces, 0.05, 0.05)
    find_rings(faces, len(vertices))  # closed
    assert len(faces) < 0.3 * len(surface.faces)
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    assert mesh.euler_number == 2
    assert mesh.volume == pytest.approx(960, rel=0.005)
    assert vertices.min(0) == pytest.approx(surface.vertices.min(0), abs=0.05)
    assert vertices.max(0) == pytest.approx(surface.vertices.max(0), abs=0.05)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("limit", [0.5, 5.0, 500.0])
def test_topology_holds_whatever_the_limit(seed, limit):
    mask = ndimage.gaussian_filter(np.random.default_rng(seed).random((16, 16, 16)), 1.0) > 0.52
    surface = mesh_surface(mask, UNIT)
    before = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    vertices, faces = collapse_edges(surface.vertices, surface.faces, limit, limit)
    after = trimesh.Trimesh(vertices, faces, process=False)
    assert after.is_watertight
    assert after.is_winding_consistent
    assert after.euler_number == before.euler_number
    assert after.body_count == before.body_count
    assert len(faces) < 0.75 * len(surface.faces)


def test_no_triangle_turns_over_or_becomes_a_needle():
    vertices, faces = collapse_edges(box(10).vertices, box(10).faces, 0.4, 0.4)
    t = vertices[faces]
    normals = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    longest = ((t - np.roll(t, 1, 1)) ** 2).sum(2).max(1)
    assert (np.linalg.norm(normals, axis=1) / 2 / longest).min() >= 0.029
    # A box is convex: every triangle faces away from its middle.
    assert (np.einsum("ij,ij->i", normals, t.mean(1) - [6, 5, 4]) > 0).all()


def test_a_spike_stays_unless_it_is_within_reach():
    mask = np.zeros((8, 8, 14), bool)
    mask[:, :, :8] = True
    mask[4, 4, 8:13] = True
    surface = mesh_surface(mask, UNIT)
    for reach, least in ((0.4, 12.0), (3.0, 8.0)):
        vertices, _ = collapse_edges(surface.vertices, surface.faces, 3.0, reach)
        assert vertices[:, 0].max() > least


def test_no_limit_means_no_change_and_the_input_is_not_touched():
    surface = box(10)
    kept = surface.vertices.copy()
    _, faces = collapse_edges(surface.vertices, surface.faces, 0.0, 1.0)
    assert len(faces) >= 0.9 * len(surface.faces)  # exactly flat parts cost nothing
    collapse_edges(surface.vertices, surface.faces, 1.0, 1.0)
    assert surface.vertices.tobytes() == kept.tobytes()
    again = [collapse_edges(surface.vertices, surface.faces, 0.5, 0.5) for _ in range(2)]
    assert again[0][0].tobytes() == again[1][0].tobytes()
