import numpy as np
import pytest

from pipeline.errors import UsageError
from pipeline.phantom.specimen import Lognormal, SpecimenSpec, Treatment

GOOD = {"size_vx": (64, 64, 64), "voxel_um": 1.5, "seed": 1}


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"size_vx": (64, 64, 4)}, "size"),
        ({"size_vx": (64, 64)}, "size"),
        ({"size_vx": (64, 64, 20_000)}, "size"),
        ({"voxel_um": 0.0}, "voxel_um"),
        ({"voxel_um": float("nan")}, "voxel_um"),
        ({"seed": -1}, "seed"),
        ({"temper": "T7"}, "temper"),
        ({"iron_fraction": 0.5}, "iron_fraction"),
        ({"copper_on_platelets": 1.1}, "copper_on_platelets"),
        ({"cnr": 0.0}, "cnr"),
        ({"psf_sigma_vx": -0.1}, "psf_sigma_vx"),
        ({"energy_kev": 1000.0}, "energy_kev"),
    ],
)
def test_values_out_of_range_are_refused_by_name(change, word):
    with pytest.raises(UsageError, match=word):
        SpecimenSpec(**(GOOD | change))


def test_sizes_out_of_order_are_refused():
    with pytest.raises(UsageError, match="low < median < high"):
        Lognormal(10.0, 0.3, 12.0, 20.0)
    with pytest.raises(UsageError, match="gap"):
        Treatment(gap_vx=20.0)


def test_moments_agree_with_a_sample():
    sizes = Lognormal(34.0, 0.3, 18.0, 64.0)
    sample = sizes.quantile(np.random.default_rng(5).random(200_000))
    assert sample.min() >= 18
    assert sample.max() <= 64
    # The standard error of the mean square is about 0.15 %.
    assert sizes.moment(2) == pytest.approx(np.mean(sample**2), rel=0.01)
    # Half of the sample lies below the median of the cut distribution, near that of the whole one.
    assert np.median(sample) == pytest.approx(34.0, rel=0.02)
