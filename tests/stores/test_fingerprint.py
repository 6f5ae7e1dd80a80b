import numpy as np
import pytest

from pipeline.errors import DamageError, NotFoundError
from pipeline.stores.fingerprint import fingerprint_scan, hash_volume
from pipeline.stores.volume import create_volume, open_volume, shard_path

SHAPE = (20, 24, 18)


def store(path, voxels, tile, dtype="uint32"):
    array = create_volume(path, voxels.shape, dtype, tile)
    array[:] = voxels
    return array


@pytest.fixture
def voxels():
    return np.random.default_rng(1).integers(0, 9, SHAPE)


def test_hash_does_not_see_the_tiles(tmp_path, voxels):
    tiles = [(20, 24, 18), (8, 8, 8), (5, 24, 3), (16, 10, 18)]
    arrays = [store(tmp_path / str(i), voxels, tile) for i, tile in enumerate(tiles)]
    assert len({hash_volume(array) for array in arrays}) == 1


def test_hash_sees_every_voxel_type_and_shape(tmp_path, voxels):
    other = voxels.copy()
    other[19, 23, 17] += 1
    swapped = voxels.copy()
    swapped[0, [0, 1]] = swapped[0, [1, 0]]
    hashes = {
        hash_volume(store(tmp_path / "a", voxels, (8, 8, 8))),
        hash_volume(store(tmp_path / "b", other, (8, 8, 8))),
        hash_volume(store(tmp_path / "c", swapped, (8, 8, 8))),
        hash_volume(store(tmp_path / "d", voxels, (8, 8, 8), "uint64")),
        hash_volume(store(tmp_path / "e", voxels.reshape(24, 20, 18), (8, 8, 8))),
    }
    assert len(hashes) == 5


def test_hash_meets_damage(tmp_path, voxels):
    array = store(tmp_path / "a", voxels, (8, 8, 8))
    path = shard_path(array, (1, 1, 1))
    data = bytearray(path.read_bytes())
    data[len(data) // 3] ^= 16
    path.write_bytes(data)
    with pytest.raises(DamageError, match=str(path)):
        hash_volume(open_volume(tmp_path / "a"))


def test_absent_scan(tmp_path):
    with pytest.raises(NotFoundError):
        fingerprint_scan(tmp_path, "none")
