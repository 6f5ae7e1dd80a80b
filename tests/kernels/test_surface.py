import numpy as np
import pytest
import trimesh
from scipy import ndimage

from pipeline.kernels.surface import mesh_surface
from pipeline.kernels.trianglegrid import find_crossings, sort_triangles

UNIT = (1.0, 1.0, 1.0)


def centred(shape):
    return [c - (n - 1) / 2 for c, n in zip(np.indices(shape), shape, strict=True)]


def ball(radius, n):
    z, y, x = centred((n, n, n))
    return z * z + y * y + x * x <= radius * radius


def tilted_plate(thickness, seed):
    frame = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))[0]
    p = np.stack(centred((40, 40, 40)), -1) @ frame
    return (np.abs(p[..., 0]) < thickness / 2) & (np.hypot(p[..., 1], p[..., 2]) < 15), frame


def check(surface, mask, voxel_um=UNIT):
    """What holds for every surface: closed, outwards, the volume of the voxels, no crossings."""
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    volume = mask.sum() * np.prod(voxel_um)
    assert surface.volume_um3 == pytest.approx(volume, rel=1e-9)
    assert mesh.volume == pytest.approx(volume, rel=1e-9)
    assert mesh.area == pytest.approx(surface.area_um2)
    assert len(find_crossings(sort_triangles(surface.vertices, surface.faces))) == 0
    return mesh


@pytest.mark.parametrize(("radius", "within"), [(4.0, 0.04), (10.0, 0.01)])
def test_ball(radius, within):
    mask = ball(radius, 2 * int(radius) + 3)
    surface = mesh_surface(mask, UNIT)
    assert check(surface, mask).euler_number == 2
    assert surface.volume_um3 == pytest.approx(4 / 3 * np.pi * radius**3, rel=max(within, 0.01) * 2)
    same_volume = 36 ** (1 / 3) * np.pi ** (1 / 3) * mask.sum() ** (2 / 3)
    assert surface.area_um2 == pytest.approx(same_volume, rel=within)
    middle = surface.vertices.mean(0)
    assert middle == pytest.approx([mask.shape[0] / 2] * 3, abs=0.02)


@pytest.mark.parametrize("thickness", [2, 3, 4])
def test_a_flat_plate_stays_as_thick(thickness):
    mask = np.zeros((12, 40, 40), bool)
    mask[4 : 4 + thickness, 5:35, 5:35] = True
    surface = mesh_surface(mask, UNIT)
    check(surface, mask)
    inner = (np.abs(surface.vertices[:, :2] - 20) < 12).all(1)
    high = surface.vertices[inner, 2]
    # The round rim raises a bead of less than a fifth of a voxel beside it.
    assert np.ptp(high) < thickness + 0.45
    upper = high > high.mean()
    assert high[upper].mean() - high[~upper].mean() == pytest.approx(thickness, rel=0.02)
    deep = (np.abs(surface.vertices[:, :2] - 20) < 8).all(1)
    assert np.ptp(surface.vertices[deep, 2]) == pytest.approx(thickness, rel=0.005)
    assert np.ptp(surface.vertices[:, 0]) == pytest.approx(30, abs=1.0)
    area = 2 * 30 * 30 + 4 * 30 * thickness
    assert surface.area_um2 == pytest.approx(area, rel=0.06)  # its rim is round


@pytest.mark.parametrize("thickness", [1.5, 2, 3, 4])
def test_a_tilted_plate_stays_as_thick(thickness):
    mask, frame = tilted_plate(thickness, int(2 * thickness))
    surface = mesh_surface(mask, UNIT)
    assert check(surface, mask).euler_number == 2
    p = (surface.vertices[:, ::-1] - 20) @ frame
    inner = np.hypot(p[:, 1], p[:, 2]) < 11
    faces = p[inner & (p[:, 0] > 0), 0].mean() - p[inner & (p[:, 0] < 0), 0].mean()
    q = np.stack(centred(mask.shape), -1)[mask] @ frame
    of_voxels = (np.hypot(q[:, 1], q[:, 2]) < 11).sum() / (np.pi * 11**2)
    assert of_voxels == pytest.approx(thickness, rel=0.07)
    assert faces == pytest.approx(of_voxels, rel=0.03)


def test_torus_has_one_tunnel():
    z, y, x = centred((19, 45, 45))
    mask = (np.hypot(y, x) - 13.5) ** 2 + z * z <= 6.5**2
    surface = mesh_surface(mask, UNIT)
    assert check(surface, mask).euler_number == 0
    assert surface.volume_um3 == pytest.approx(2 * np.pi**2 * 13.5 * 6.5**2, rel=0.01)
    assert surface.area_um2 == pytest.approx(4 * np.pi**2 * 13.5 * 6.5, rel=0.02)


def test_a_hollow_ball_has_two_shells():
    mask = ball(12.6, 31) & ~ball(7.1, 31)
    surface = mesh_surface(mask, UNIT)
    assert check(surface, mask).euler_number == 4
    assert surface.volume_um3 == pytest.approx(4 / 3 * np.pi * (12.6**3 - 7.1**3), rel=0.01)
    assert surface.area_um2 == pytest.approx(4 * np.pi * (12.6**2 + 7.1**2), rel=0.02)


@pytest.mark.parametrize(("step", "shells"), [((0, 1, 1), 1), ((1, 1, 1), 2), ((0, 0, 2), 2)])
def test_bodies_that_touch(step, shells):
    # By an edge they hang together; by a corner, or one voxel apart, they do not.
    mask = np.zeros((12, 12, 16), bool)
    mask[2:5, 2:5, 2:5] = True
    high = [slice(2 + 3 * s, 5 + 3 * s) for s in step]
    high[2] = slice(6, 9) if step == (0, 0, 2) else high[2]
    mask[tuple(high)] = True
    mesh = check(mesh_surface(mask, UNIT), mask)
    assert mesh.body_count == shells
    assert mesh.euler_number == 2 * shells


def test_voxels_of_one_to_two():
    n, voxel = 27, (2.0, 1.0, 1.0)
    z, y, x = centred((n, n, n))
    mask = (2 * z) ** 2 + y * y + x * x <= 12.1**2
    surface = mesh_surface(mask, voxel, origin_um=(100.0, 10.0, 1.0))
    check(surface, mask, voxel)
    assert surface.volume_um3 == pytest.approx(4 / 3 * np.pi * 12.1**3, rel=0.01)
    assert surface.area_um2 == pytest.approx(4 * np.pi * 12.1**2, rel=0.03)
    assert surface.vertices.mean(0) == pytest.approx([1 + n / 2, 10 + n / 2, 100 + n], abs=0.05)
    assert np.ptp(surface.vertices, 0) == pytest.approx([24.2, 24.2, 24.2], abs=1.2)


def test_a_body_cut_by_the_border_is_closed_there():
    mask = ball(10, 23)[:, :, 11:]
    surface = mesh_surface(mask, UNIT)
    mesh = check(surface, mask)
    assert mesh.euler_number == 2
    cap = surface.vertices[np.hypot(*(surface.vertices[:, 1:] - 11.5).T) < 6]
    flat = np.abs(cap[cap[:, 0] < 3, 0])
    assert flat.size > 80
    assert flat.mean() < 0.03
    assert flat.max() < 0.2


@pytest.mark.parametrize("voxel", [UNIT, (2.0, 1.0, 0.5)])
def test_one_voxel_is_an_octahedron_of_its_volume(voxel):
    mask = np.ones((1, 1, 1), bool)
    surface = mesh_surface(mask, voxel)
    assert check(surface, mask, voxel).euler_number == 2
    assert len(surface.faces) == 8
    assert surface.vertices.mean(0) == pytest.approx([v / 2 for v in voxel[::-1]])


@pytest.mark.parametrize("share", [0.15, 0.35, 0.55])
def test_topology_of_noise_is_that_of_its_voxels(share, count_bodies):
    rng = np.random.default_rng(int(100 * share))
    mask = rng.random((14, 15, 16)) < share
    own = count_bodies(mask.astype(np.uint8), connectivity=18).rows["euler_number"].sum()
    for n_sweeps in (0, 10):
        mesh = check(mesh_surface(mask, UNIT, n_sweeps=n_sweeps), mask)
        assert mesh.euler_number == 2 * own
    n_bodies = ndimage.label(mask, ndimage.generate_binary_structure(3, 2))[1]
    n_cavities = ndimage.label(~np.pad(mask, 1))[1] - 1  # six neighbours, or 18's complement
    assert mesh.body_count == n_bodies + n_cavities


def test_smoothing_stays_within_half_a_voxel():
    mask = ndimage.gaussian_filter(np.random.default_rng(5).random((24, 24, 24)), 1.5) > 0.52
    raw, smooth = mesh_surface(mask, UNIT, n_sweeps=0), mesh_surface(mask, UNIT)
    check(smooth, mask)
    assert np.array_equal(raw.faces, smooth.faces)
    assert np.abs(raw.vertices - smooth.vertices).max() <= 0.95
    assert smooth.area_um2 < 0.98 * raw.area_um2
    again = mesh_surface(mask, UNIT)
    assert again.vertices.tobytes() == smooth.vertices.tobytes()


def test_nothing_has_no_surface():
    with pytest.raises(ValueError, match="without voxels"):
        mesh_surface(np.zeros((3, 3, 3), bool), UNIT)
