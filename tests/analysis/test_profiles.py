import numpy as np
import pyarrow as pa
import pytest

from pipeline.analysis.profiles import (
    SHARES,
    list_descriptors,
    profile_particles,
    profile_values,
)
from pipeline.model.records import PARTICLES


def test_quantiles_are_numpys():
    values = np.random.default_rng(1).lognormal(size=237)
    found = profile_values(np.append(values, np.nan))
    assert found.n == 237
    assert found.mean == pytest.approx(values.mean())
    assert found.quantiles == pytest.approx(np.quantile(values, SHARES))
    assert profile_values(np.array([7.0])).quantiles.tolist() == [7.0] * len(SHARES)
    assert profile_values(np.array([np.nan])) is None


def test_particles_are_told_apart_by_phase():
    rows = pa.table(
        {
            "phase": ["pore", "iron-rich", "pore", "iron-rich", "pore", "pore"],
            "touches_border": [False, False, False, False, True, False],
            "touches_mask_edge": [False, False, False, False, False, True],
            "volume_um3": [1.0, 10.0, 3.0, None, 80.0, 70.0],
            "euler_number": [1, 2, 3, 4, 5, 6],
            "under_resolved": [True, False, False, None, False, False],
        }
    )
    found = profile_particles(
        rows, ["volume_um3", "euler_number"], ["under_resolved"], ["pore", "iron-rich", "absent"]
    )
    assert found["pore", "volume_um3"].mean == 2.0
    assert found["iron-rich", "volume_um3"].n == 1
    assert found["iron-rich", "euler_number"].mean == 3.0
    assert found["pore", "under_resolved"].mean == 0.5
    assert found["iron-rich", "under_resolved"].n == 1
    assert not [key for key in found if key[0] == "absent"]
    cut = profile_particles(rows, ["volume_um3"], [], ["pore"], with_border=True)
    assert cut["pore", "volume_um3"].n == 4
    # Whether the edge cuts particles is told of all that the border of the volume does not cut.
    edges = profile_particles(rows, [], ["touches_mask_edge"], ["pore"])
    assert edges["pore", "touches_mask_edge"].mean == pytest.approx(1 / 3)


def test_descriptors_say_what_a_particle_is_like_not_where_it_lies():
    numbers, flags = list_descriptors(PARTICLES)
    assert {"volume_um3", "sphericity", "thickness_um", "load_angle_deg", "major_um"} <= set(
        numbers
    )
    assert {"under_resolved", "touches_mask_edge"} <= set(flags)
    assert not {"particle_id", "centroid_z_um", "bbox_z_start_vx", "major_x", "job"} & set(numbers)
