import pytest

from pipeline.errors import SourceError
from pipeline.model.header import DTYPES, VolumeHeader


def make(**changes):
    facts = {
        "location": "scan.raw",
        "format": "raw",
        "shape": (4, 5, 6),
        "dtype": "uint16",
        "voxel_um": (2.0, 2.0, 2.0),
        "n_bytes": 240,
    }
    return VolumeHeader(**facts | changes)


def test_sizes():
    header = make(dtype="float32")
    assert (header.itemsize, header.n_voxels) == (4, 120)
    assert header.require_voxel_um() == (2.0, 2.0, 2.0)
    assert [make(dtype=d).itemsize for d in DTYPES] == [1, 2, 2, 4]


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"shape": (4, 5)}, r"scan.raw has 2 axes \(4, 5\), wanted a volume of three"),
        ({"shape": (2, 3, 4, 5)}, "has 4 axes"),
        ({"shape": (4, 0, 6)}, r"empty: shape \(4, 0, 6\)"),
        ({"dtype": "float64"}, "holds float64 voxels, wanted one of uint8, int16"),
        ({"voxel_um": (1.0, 0.0, 1.0)}, "not positive and finite"),
        ({"voxel_um": (1.0, -2.0, 1.0)}, "not positive and finite"),
        ({"voxel_um": (1.0, float("nan"), 1.0)}, "not positive and finite"),
        ({"voxel_um": (1.0, float("inf"), 1.0)}, "not positive and finite"),
        ({"voxel_um": (1e300, 1e300, 1e300)}, "none of a CT scan: wanted 0.0001 to 100000 um"),
        ({"voxel_um": (1.0, 1.0, 1e-9)}, "none of a CT scan"),
    ],
)
def test_what_cannot_be_a_volume_is_refused(changes, message):
    with pytest.raises(SourceError, match=message):
        make(**changes)


def test_missing_voxel_size_is_not_taken_as_one():
    with pytest.raises(SourceError, match="states no voxel size") as caught:
        make(voxel_um=None).require_voxel_um()
    assert "--voxel-um" in caught.value.remedy
