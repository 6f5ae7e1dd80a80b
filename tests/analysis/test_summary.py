"""Every number of a scan: a finite one, or none with a reason, for volumes that people do bring."""

import math

import numpy as np
import pytest

from pipeline.analysis.counts import ScanCounts
from pipeline.analysis.estimates import Estimate
from pipeline.analysis.summary import describe_scan, describe_thresholds
from pipeline.analysis.surfaces import Steps
from pipeline.kernels.cells import DIRECTIONS
from pipeline.kernels.descriptors import crofton_weights
from pipeline.kernels.samples import fold_samples
from pipeline.kernels.tally import BEYOND
from pipeline.model.plan import CONTACT_BLOCKS, SAMPLE_BLOCKS, block_edge_vx

NAMES = ("pore", "matrix", "iron-rich")


@pytest.fixture
def describe(count_bodies):
    """Return a maker of all numbers of a phase map."""

    def make(phases, voxel_um=(2.0, 2.0, 2.0), component_mm3=1.0, least=None):
        phases = phases.astype(np.uint8)
        block = block_edge_vx(phases.shape, SAMPLE_BLOCKS)
        wide = block_edge_vx(phases.shape, CONTACT_BLOCKS)
        padded = np.pad(phases, 1, constant_values=BEYOND)
        found = fold_samples(padded, (0, 0, 0), block, wide, 3)
        lengths = np.sqrt(((np.array(DIRECTIONS) * np.array(voxel_um)) ** 2).sum(1))
        counts = ScanCounts(
            NAMES, phases.shape, voxel_um, block, wide, found.voxels.astype(np.int64),
            found.contacts, found.pairs, Steps(lengths, crofton_weights(voxel_um)), (1.0, 0.0, 0.0),
        )  # fmt: skip
        bodies = count_bodies(phases, None, None, 26, least or {0: 1, 2: 1}, voxel_um)
        particles = {
            NAMES[p]: {
                **{c: values[bodies.phase == p] for c, values in bodies.rows.items()},
                "particle_id": bodies.particle_id[bodies.phase == p],
            }
            for p in (0, 2)
        }
        return describe_scan(counts, particles, component_mm3, 0.1)

    return make


def index(rows):
    keys = [(r.phase, r.quantity, r.reference, r.at) for r in rows]
    assert len(set(keys)) == len(keys)
    for row in rows:
        numbers = (row.value, row.low, row.high, row.at)
        assert all(v is None or math.isfinite(v) for v in numbers), row
        assert row.value is not None or row.note, row
        if row.low is not None and row.high is not None:
            assert row.low <= row.value <= row.high, row
    return dict(zip(keys, rows, strict=True))


def empty():
    return np.ones((40, 36, 32), np.uint8)


def one_body():
    phases = empty()
    phases[10:20, 10:25, 14:17] = 2
    return phases


def one_voxel():
    phases = empty()
    phases[20, 20, 20] = 2
    return phases


def percolating():
    phases = empty()
    phases[:, 10:14, 10:14] = phases[18:22, :, 10:14] = phases[18:22, 10:14] = 2
    return phases


def nothing_inside():
    return np.full((12, 12, 12), 255, np.uint8)


def all_iron():
    return np.full((12, 12, 12), 2, np.uint8)


CASES = (empty, one_body, one_voxel, percolating, nothing_inside, all_iron)


@pytest.mark.parametrize("make", CASES, ids=lambda f: f.__name__)
def test_odd_volumes_have_numbers_or_reasons(describe, make):
    rows = index(describe(make()))
    for phase in NAMES:
        assert (phase, "volume_fraction", "", None) in rows


@pytest.mark.parametrize("shape", [(1, 1, 1), (1, 40, 40), (2, 3, 50)])
def test_thin_volumes_have_numbers_or_reasons(describe, shape):
    index(describe(np.random.default_rng(1).choice([0, 1, 2, 255], shape, p=[0.1, 0.7, 0.1, 0.1])))


def test_a_phase_without_particles_says_so(describe):
    rows = index(describe(one_body()))
    for quantity in ("number_density_mm3", "largest_body_share", "diameter_level_um"):
        row = rows["pore", quantity, "", None]
        assert row.value is None
        assert "no particle" in row.note
    assert rows["pore", "volume_fraction", "", None].value == 0.0
    assert rows["pore", "contact_ratio", "iron-rich", None].value is None


def test_strays_have_a_fraction_without_an_interval(describe):
    phases = one_body()
    phases[3, 3, 3] = phases[8, 4, 20] = 0
    sized = index(describe(phases))
    assert sized["pore", "volume_fraction_rows", "", None].value == pytest.approx(2 / phases.size)
    strays = index(describe(phases, least={0: 27, 2: 1}))
    assert strays["pore", "volume_fraction_rows", "", None].value == 0.0
    row = strays["pore", "volume_fraction", "", None]
    assert (row.low, row.high) == (None, None)
    assert row.value == pytest.approx(2 / phases.size)
    assert "strays" in row.note


def test_one_body_is_all_of_its_phase_and_spans_nothing(describe):
    rows = index(describe(one_body()))
    assert rows["iron-rich", "largest_body_share", "", None].value == 1.0
    assert rows["iron-rich", "axes_spanned", "", None].value == 0.0
    density = rows["iron-rich", "number_density_mm3", "", None]
    wanted = 1 / ((40 - 11) * (36 - 16) * (32 - 4) * 8e-9)
    assert density.value == pytest.approx(wanted)
    assert (density.low, density.high) == (None, None)
    tensor = rows["iron-rich", "orientation_xx", "", None]
    assert (tensor.value, tensor.n) == (None, 1)
    assert "1 of 1 bodies" in tensor.note


def test_few_whole_bodies_have_no_interval_and_say_how_few(describe):
    phases = empty()
    for z in range(0, 33, 3):
        phases[z : z + 2, 0:2, 0:12] = 2
    phases[10:20, 10:25, 14:17] = phases[22:24, 10:25, 14:17] = 2
    rows = index(describe(phases))
    for quantity, at in (("number_density_mm3", None), ("mean_volume_um3", None),
                         ("diameter_quantile_um", 0.5)):  # fmt: skip
        row = rows["iron-rich", quantity, "", at]
        assert (row.n, row.low, row.high) == (2, None, None)
        assert "2 of 13 bodies lie whole" in row.note
    needed = rows["iron-rich", "particles_needed", "", None]
    assert needed.value is None
    assert "2 of 13 bodies" in needed.note


def test_plates_have_an_orientation_and_cubes_do_not(describe):
    phases = empty()
    for i in range(18):
        z, y, x = np.array([13, 12, 18]) * np.unravel_index(i, (3, 3, 2)) + 1
        phases[z : z + 10, y : y + 10, x : x + 4] = 2
        phases[z : z + 6, y : y + 6, x + 5 : x + 11] = 0
    rows = index(describe(phases))
    assert rows["iron-rich", "orientation_xx", "", None].value == pytest.approx(1.0)
    assert rows["iron-rich", "orientation_anisotropy", "", None].n == 18
    cubes = rows["pore", "orientation_anisotropy", "", None]
    assert cubes.value is None
    assert "0 of 18 bodies" in cubes.note


def test_cut_bodies_among_extremes_are_named(describe):
    phases = np.ones((40, 40, 40), np.uint8)
    for i in range(64):
        z, y, x = 10 * np.array(np.unravel_index(i, (4, 4, 4)))
        phases[z + 2 : z + 5 + i % 2, y + 2 : y + 5, x + 2 : x + 5] = 2
    phases[:, 38:] = 255
    phases[1:9, 31:38, 11:17] = 2
    rows = index(describe(phases))
    first = rows["iron-rich", "sqrt_area_ranked_um", "", 1.0]
    assert "surface, cut by the edge of the specimen: a lower bound" in first.note
    for row in rows.values():
        if row.quantity in ("diameter_maximum_um", "diameter_level_um") and row.value is not None:
            assert "maxima are of bodies that the border or the specimen's edge cuts" in row.note
    assert rows["iron-rich", "diameter_maximum_um", "", 1.0].value is not None


def test_a_phase_that_percolates_is_named(describe):
    rows = index(describe(percolating()))
    spanned = rows["iron-rich", "axes_spanned", "", None]
    assert spanned.value == 3.0
    assert "z, y, x" in spanned.note
    density = rows["iron-rich", "number_density_mm3", "", None]
    assert density.value is None
    assert "wholly inside" in density.note


def test_without_any_specimen_everything_is_absent_with_a_reason(describe):
    rows = describe(nothing_inside())
    assert all(row.value is None and row.note for row in rows)


def test_thresholds_by_hand_have_no_known_noise():
    histogram = np.zeros(65536, np.int64)
    histogram[100:200] = 5
    (row, _) = describe_thresholds(["a", "b"], histogram, [150], 0.0)
    assert row.value is None
    rows = list(describe_thresholds(["a", "b"], histogram, [150], 10.0))
    stem = "volume_fraction_threshold"
    assert [(r.phase, r.quantity) for r in rows] == [
        (phase, stem + end) for phase in "ab" for end in ("", "_least", "_greatest")
    ]
    assert [r.value for r in rows] == pytest.approx([0.5, 0.4, 0.6] * 2)
    # A range over thresholds is no 95 % interval, and does not stand where those do.
    assert all(r.low is r.high is None for r in rows)


def test_no_fraction_lies_below_none(describe):
    phases = empty()
    phases[1:4, 1:4, 1:4] = 0
    row = index(describe(phases))["pore", "volume_fraction_e562", "", None]
    assert row.low == 0.0 < row.value < row.high


def test_an_absent_number_wants_a_reason():
    with pytest.raises(ValueError, match="without a reason"):
        Estimate("pore", "x", "1", "m")
    assert Estimate("pore", "x", "1", "m", 1.0, 0.5, math.inf).high is None
