import numpy as np
import pytest

from pipeline.kernels.tetrahedra import SIDES, mesh_regions

UNIT = (1.0, 1.0, 1.0)


def centred(n):
    return np.indices((n, n, n)) - (n - 1) / 2


def ball_regions(n=20, radius=6.3):
    z, y, x = centred(n)
    return (z * z + y * y + x * x <= radius**2).astype(np.uint8)


def faces_of(mesh):
    """Every face of every tetrahedron: sorted nodes, with the region behind it."""
    t = mesh.tetrahedra
    faces = np.concatenate([np.delete(t, k, 1) for k in range(4)])
    return np.sort(faces, 1), np.tile(mesh.regions, 4)


@pytest.mark.parametrize("n_sweeps", [0, 3])
def test_neighbours_fit_face_to_face_and_surfaces_lie_between_regions(n_sweeps):
    regions = np.random.default_rng(1).integers(0, 3, (4, 5, 6)).astype(np.uint8)
    mesh = mesh_regions(regions, (3.0, 2.0, 1.0), (30.0, 20.0, 10.0), n_sweeps)
    faces, region = faces_of(mesh)
    nodes, at, n = np.unique(faces, axis=0, return_inverse=True, return_counts=True)
    assert set(n) == {1, 2}
    order = np.argsort(at.ravel(), kind="stable")
    starts = np.concatenate([[0], np.cumsum(n)[:-1]])
    first, last = region[order][starts], region[order][starts + n - 1]
    bare = n == 1
    assert bare.sum() == 2 * 2 * (4 * 5 + 5 * 6 + 4 * 6)
    differs = ~bare & (first != last)
    wanted = {tuple(f): tuple(sorted(p)) for f, p in zip(
        nodes[differs].tolist(), np.stack([first, last], 1)[differs].tolist(), strict=True
    )}  # fmt: skip
    got = {tuple(sorted(t)): tuple(s) for t, s in zip(
        mesh.triangles.tolist(), mesh.sides.tolist(), strict=True
    )}  # fmt: skip
    assert len(got) == len(mesh.triangles)
    assert {f: s for f, s in got.items() if s[0] >= 0} == wanted
    walls = {f for f, s in got.items() if s[0] < 0}
    assert walls == {tuple(f) for f in nodes[bare].tolist()}
    assert (mesh.volumes_um3 > 0).all()
    assert mesh.volumes_um3.sum() == pytest.approx(120 * 6)
    for number, name in enumerate(SIDES):
        wall = mesh.vertices[mesh.triangles[mesh.sides[:, 0] == -1 - number]]
        axis = "xyz".index(name[0])
        low, edge = ((10, 6), (20, 10), (30, 12))[axis]
        assert np.unique(wall[..., axis]) == pytest.approx([low + edge * name.endswith("high")])


def test_a_ball_is_rounder_and_keeps_its_volume():
    regions = ball_regions()
    steps, smooth = (mesh_regions(regions, UNIT, n_sweeps=n) for n in (0, 3))
    volume = [m.volumes_um3[m.regions == 1].sum() for m in (steps, smooth)]
    assert volume[0] == pytest.approx(regions.sum())
    assert volume[1] == pytest.approx(regions.sum(), rel=0.01)
    areas = [m.areas_um2[m.sides[:, 0] == 0].sum() for m in (steps, smooth)]
    true = 4 * np.pi * 6.3**2
    assert areas[0] == pytest.approx(1.5 * true, rel=0.05)
    assert areas[1] == pytest.approx(true, rel=0.15)
    assert smooth.volumes_um3.min() >= 0.15 / 6 - 1e-12
    home = steps.vertices
    assert np.abs(smooth.vertices - home).max() <= 0.45 + 1e-12


def test_a_thin_plate_keeps_its_volume():
    z, y, x = centred(24)
    regions = ((np.abs(z + 0.4 * y) < 1.6) & (np.hypot(y, x) < 9)).astype(np.uint8)
    mesh = mesh_regions(regions, (1.0, 1.0, 2.0))
    assert mesh.volumes_um3[mesh.regions == 1].sum() == pytest.approx(2 * regions.sum(), rel=0.01)
    assert (mesh.volumes_um3 >= 0.15 * 2 / 6 - 1e-12).all()


def test_one_region_has_only_the_box():
    mesh = mesh_regions(np.zeros((2, 2, 2), np.uint8), UNIT)
    assert len(mesh.tetrahedra) == 48
    assert (mesh.sides[:, 0] < 0).all()
    assert mesh.areas_um2.sum() == pytest.approx(24)
