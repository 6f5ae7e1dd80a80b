import numpy as np
import pytest
import trimesh
from scipy import ndimage
from scipy.spatial import cKDTree

from pipeline.kernels.decimation import (
    count_shells,
    decimate_surface,
    hausdorff_distance,
    join_shells,
    split_shells,
)
from pipeline.kernels.surface import Surface, mesh_surface
from pipeline.kernels.surfacefields import measure_quality


def bodies():
    z, y, x = np.indices((30, 30, 30)) - 14.5
    plate = (np.abs(z + 0.3 * y) < 1.5) & (np.hypot(y, x) < 13)
    torus = (np.hypot(y, x) - 9) ** 2 + z * z <= 9
    shell = (z * z + y * y + x * x < 150) & (z * z + y * y + x * x > 70)
    noise = ndimage.gaussian_filter(np.random.default_rng(3).random((24, 24, 24)), 1.5) > 0.53
    return {"plate": plate, "torus": torus, "shell": shell, "noise": noise}


@pytest.mark.parametrize("name", ["plate", "torus", "shell", "noise"])
def test_fewer_triangles_within_the_error(name):
    mask = bodies()[name]
    surface = mesh_surface(mask, (1.0, 1.0, 1.0))
    counts = [len(surface.faces)]
    for wanted in (0.1, 0.4):
        fewer, error = decimate_surface(surface, wanted)
        assert 0 < error <= wanted
        quality = measure_quality(fewer, float(mask.sum()))
        assert quality.watertight
        assert quality.n_crossings == 0
        assert abs(quality.volume_error) < 1e-6
        assert quality.n_shells == count_shells(surface)
        mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
        assert quality.euler_number == mesh.euler_number
        assert quality.area_um2 == pytest.approx(surface.area_um2, rel=0.04)
        counts.append(len(fewer.faces))
        # Every vertex of one lies within the error of the other, by another library's samples.
        points = trimesh.Trimesh(fewer.vertices, fewer.faces, process=False).sample(200, seed=1)
        dense = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
        apart = cKDTree(dense.subdivide().vertices).query(points)[0]
        assert apart.max() <= wanted + 0.3  # samples of the dense one lie half a voxel apart
    assert counts[0] > counts[1] > counts[2]
    assert counts[2] < (0.7 if name == "noise" else 0.25) * counts[0]


def test_a_shell_of_one_voxel_does_not_hold_up_the_rest():
    mask = bodies()["torus"]
    alone = len(decimate_surface(mesh_surface(mask, (1.0, 1.0, 1.0)), 0.4)[0].faces)
    mask[2, 2, 2] = mask[3, 3, 3] = True
    surface = mesh_surface(mask, (1.0, 1.0, 1.0))
    fewer, error = decimate_surface(surface, 0.4)
    assert (count_shells(surface), count_shells(fewer)) == (3, 3)
    assert len(fewer.faces) < 1.1 * alone + 16
    assert 0 < error <= 0.4
    assert fewer.volume_um3 == pytest.approx(mask.sum())


def test_shells_apart_and_together_again():
    mask = np.random.default_rng(4).random((9, 9, 9)) < 0.2
    surface = mesh_surface(mask, (1.0, 1.0, 1.0))
    shells = split_shells(surface)
    assert len(shells) == count_shells(surface) > 10
    assert all(count_shells(shell) == 1 for shell in shells)
    joined = join_shells(shells)
    assert joined.volume_um3 == pytest.approx(surface.volume_um3)
    assert joined.area_um2 == pytest.approx(surface.area_um2)
    assert np.array_equal(np.sort(joined.vertices, 0), np.sort(surface.vertices, 0))


def test_no_error_allowed_changes_nothing():
    surface = mesh_surface(np.ones((3, 4, 5), bool), (1.0, 1.0, 1.0))
    same, error = decimate_surface(surface, 0.0)
    assert same is surface
    assert error == 0.0


def test_an_octahedron_is_as_few_as_it_gets():
    surface = mesh_surface(np.ones((1, 1, 1), bool), (1.0, 1.0, 1.0))
    assert len(decimate_surface(surface, 0.01)[0].faces) == 8


def test_size_does_not_matter():
    mask = bodies()["torus"]
    small = mesh_surface(mask, (1e-3, 1e-3, 1e-3), (5.0, 6.0, 7.0))
    large = mesh_surface(mask, (1e3, 1e3, 1e3))
    counts = [len(decimate_surface(s, 0.3 * v)[0].faces) for s, v in ((small, 1e-3), (large, 1e3))]
    assert counts[0] == pytest.approx(counts[1], rel=0.05)
    assert counts[0] < 0.4 * len(small.faces)


def test_hausdorff_distance_of_shifted_and_of_partly_absent_shells():
    surface = mesh_surface(np.ones((6, 6, 6), bool), (1.0, 1.0, 1.0))
    away = Surface(surface.vertices + np.array([0.25, 0, 0]), surface.faces)
    assert hausdorff_distance(surface, away) == pytest.approx(0.25, abs=0.01)
    second = Surface(
        np.concatenate([surface.vertices, surface.vertices + np.array([20, 0, 0])]),
        np.concatenate([surface.faces, surface.faces + len(surface.vertices)]),
    )
    # Both ways: what one lacks counts.
    assert hausdorff_distance(surface, second) == pytest.approx(20, abs=0.1)
    assert hausdorff_distance(second, surface) == pytest.approx(20, abs=0.1)
