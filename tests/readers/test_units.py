import numpy as np
import pytest

from pipeline.readers.units import length_um, unit_um, voxel_from_attributes, voxel_of


@pytest.mark.parametrize(
    ("unit", "um"),
    [
        ("m", 1e6),
        ("cm", 1e4),
        ("mm", 1e3),
        ("millimeters", 1e3),
        ("um", 1.0),
        ("µm", 1.0),
        ("μm", 1.0),
        ("\\u00B5m", 1.0),
        ("micrometer", 1.0),
        ("Microns", 1.0),
        ("nm", 1e-3),
        ("inch", 25400.0),
        ("inches", 25400.0),
        ("Å", 1e-4),
    ],
)
def test_units_of_length(unit: str, um: float) -> None:
    assert unit_um(unit) == um
    assert length_um(2, unit) == 2 * um


@pytest.mark.parametrize("unit", ["", "pixel", "pixels", "voxel", "px", "second", "s", "1/cm"])
def test_what_is_no_length(unit: str) -> None:
    assert length_um(1.0, unit) is None


def test_voxel_of_one_or_three_numbers_only() -> None:
    assert voxel_of(2.0, "um") == (2.0, 2.0, 2.0)
    assert voxel_of([1, 2, 3], ["mm", "um", "nm"]) == (1000.0, 2.0, 0.003)
    assert voxel_of([1, 2], "um") is None
    assert voxel_of([1, 2, 3], ["um", "um"]) is None
    assert voxel_of(None, "um") is None
    assert voxel_of("1, 2, 3 mm", "") == (1000.0, 2000.0, 3000.0)
    assert voxel_of("large", "um") is None
    assert voxel_of("1-2-3", "um") is None


def test_attributes_with_and_without_units() -> None:
    assert voxel_from_attributes({"voxel_um": np.array([3.0, 2.0, 1.0])}) == (3.0, 2.0, 1.0)
    assert voxel_from_attributes({"voxel_size_mm": 0.005}) == (5.0, 5.0, 5.0)
    assert voxel_from_attributes({"voxel_size": [1.0, 2.0, 3.0], "units": b"mm"}) == (
        1000.0,
        2000.0,
        3000.0,
    )
    assert voxel_from_attributes({"pixel_size": 0.5, "pixel_size_units": "um"}) == (0.5, 0.5, 0.5)
    assert voxel_from_attributes({"voxel_size": b"650 nm"}) == (0.65, 0.65, 0.65)
    units = np.array([b"um", b"um", b"mm"])
    assert voxel_from_attributes({"voxel_size": [1, 2, 3], "units": units}) == (1.0, 2.0, 3000.0)


def test_a_number_without_a_unit_is_not_taken_for_micrometres() -> None:
    assert voxel_from_attributes({"voxel_size": 0.65}) is None
    assert voxel_from_attributes({"voxel_size": 0.65, "units": "1/cm"}) is None
    assert voxel_from_attributes({}) is None
