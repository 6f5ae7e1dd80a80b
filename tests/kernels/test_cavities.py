"""Cavities and tunnels against filling holes and labelling the complement of whole volumes."""

import numpy as np
import pytest
from scipy import ndimage

STRUCTURE = {n: ndimage.generate_binary_structure(3, i) for n, i in ((6, 1), (18, 2), (26, 3))}
TILES = [(40, 40, 40), (9, 11, 40), (16, 16, 16), (5, 7, 6)]


def enclosed(body, connectivity):
    """Cavities of one body and the voxels they hold, by labelling all that is not the body."""
    free = ~np.pad(body, 1)
    regions, n = ndimage.label(free, STRUCTURE[26 if connectivity == 6 else 6])
    inner = (regions != regions[0, 0, 0]) & free
    return n - 1, inner[1:-1, 1:-1, 1:-1]


def check(count_bodies, phases, connectivity, least, tiles, pore=-1):
    rows = None
    for tile_shape in tiles:
        found = count_bodies(phases, None, tile_shape, connectivity, least, pore=pore)
        names = ("n_cavities", "n_tunnels", "n_voxels_enclosed", "n_pores_enclosed")
        got = {name: found.rows[name].tolist() for name in names}
        if rows is None:
            rows = got
            for i, (kind, number) in enumerate(zip(found.phase, found.particle_id, strict=True)):
                body = (phases == kind) & (found.labels == number)
                n, inner = enclosed(body, connectivity)
                assert got["n_cavities"][i] == n
                assert got["n_voxels_enclosed"][i] == inner.sum()
                assert got["n_pores_enclosed"][i] == (inner & (phases == pore)).sum()
                if connectivity != 6:
                    filled = ndimage.binary_fill_holes(body)
                    assert inner.sum() == filled.sum() - body.sum()
        assert got == rows, tile_shape
    return rows


def ball(shape, centre, radius):
    place = np.indices(shape) - np.reshape(centre, (3, 1, 1, 1))
    return np.sqrt((place**2).sum(0)) <= radius


def nest(radii, shape=(40, 40, 40)):
    """Shells about the middle, each one voxel apart; odd numbers of balls are left free."""
    volume = np.zeros(shape, np.uint8)
    for k, radius in enumerate(radii):
        volume[ball(shape, [n / 2 - 0.5 for n in shape], radius)] = (k + 1) % 2
    return volume


@pytest.mark.parametrize("connectivity", [6, 18, 26])
def test_shells_in_shells_across_eight_tiles(count_bodies, connectivity):
    volume = nest((18, 15, 12, 9, 6, 3))
    rows = check(count_bodies, volume, connectivity, {1: 1}, TILES)
    assert rows["n_cavities"] == [1, 1, 1]
    assert rows["n_tunnels"] == [0, 0, 0]


def test_several_cavities_a_pierced_shell_and_a_handle(count_bodies):
    shape = (40, 40, 40)
    volume = ball(shape, (19.5,) * 3, 17).astype(np.uint8)
    for centre in ((10, 20, 20), (28, 20, 20), (20, 10, 22), (20, 29, 18)):
        volume[ball(shape, centre, 3.2)] = 0
    assert check(count_bodies, volume, 26, {1: 1}, TILES)["n_cavities"] == [4]
    volume[:20, 20, 20] = 0  # Opens the first cavity to the outside.
    rows = check(count_bodies, volume, 26, {1: 1}, TILES)
    assert (rows["n_cavities"], rows["n_tunnels"]) == ([3], [0])
    volume[:, 19, 32] = 0
    rows = check(count_bodies, volume, 26, {1: 1}, TILES)
    assert (rows["n_cavities"], rows["n_tunnels"]) == ([3], [1])


def test_a_cavity_that_the_border_opens_is_none(count_bodies):
    volume = nest((18, 12))
    assert check(count_bodies, volume, 26, {1: 1}, TILES)["n_cavities"] == [1]
    for half in (volume[20:], volume[:20], volume[:, 20:], volume[..., :20]):
        rows = check(count_bodies, half.copy(), 26, {1: 1}, TILES[1:])
        assert (rows["n_cavities"], rows["n_tunnels"]) == ([0], [0])


def test_pores_in_cavities_of_another_phase_and_of_nested_bodies(count_bodies):
    volume = nest((18, 14, 11, 8, 5)) * np.uint8(2)
    volume[19:21, 19:21, 8:10] = np.where(volume[19:21, 19:21, 8:10] == 0, 1, 2)
    volume[19:21, 19:21, 19:21] = 1  # A pore in the innermost ball, which closes around it.
    rows = check(count_bodies, volume, 26, {1: 4, 2: 30}, TILES, pore=1)
    assert sum(n > 0 for n in rows["n_pores_enclosed"]) >= 3


@pytest.mark.parametrize("connectivity", [6, 18, 26])
@pytest.mark.parametrize(("sigma", "density"), [(0.0, 0.7), (0.0, 0.93), (1.1, 0.62), (1.1, 0.9)])
def test_sponges_of_two_phases(count_bodies, connectivity, sigma, density):
    rng = np.random.default_rng(connectivity)
    noise = rng.random((19, 22, 24))
    noise = ndimage.gaussian_filter(noise, sigma) if sigma else noise
    rank = np.argsort(np.argsort(noise.ravel())).reshape(noise.shape) / noise.size
    phases = (1 + (rng.random(noise.shape) < 0.03)).astype(np.uint8) * (rank < density)
    least = {1: 4, 2: 1}
    check(count_bodies, phases.astype(np.uint8), connectivity, least, TILES[1:], pore=2)


def test_one_voxel_one_plane_and_a_full_volume(count_bodies):
    volume = np.zeros((12, 12, 12), np.uint8)
    volume[2, 2, 2] = 1
    volume[6] = 1
    rows = check(count_bodies, volume, 26, {1: 1}, [(12, 12, 12), (5, 7, 6)])
    assert (rows["n_cavities"], rows["n_tunnels"]) == ([0, 0], [0, 0])
    full = np.ones((12, 12, 12), np.uint8)
    assert check(count_bodies, full, 26, {1: 1}, [(12, 12, 12), (5, 7, 6)])["n_cavities"] == [0]
