"""Names of grey levels by attenuation: right for every set of phases that is there."""

import itertools

import numpy as np
import pytest

from pipeline.errors import UsageError
from pipeline.kernels.naming import Guide, name_levels
from pipeline.kernels.peaks import threshold_peaks
from tests.kernels.test_peaks import COPPER, IRON, KINDS, MATRIX, PORE, SD, histogram_of

CNR = 5
ATTENUATIONS = tuple(0.75 * (contrast - PORE) for contrast in (PORE, 0.0, IRON, COPPER))
AIR = MATRIX + PORE * CNR * SD
SHARES = {"pore": 0.005, "iron": 0.05, "copper": 0.006}


def thresholds(guide, *names, seed=0, n=400_000):
    shares = {name: SHARES[name] for name in names}
    return threshold_peaks(histogram_of(CNR, **shares, seed=seed, n=n), KINDS, guide)


@pytest.mark.parametrize(
    "present", [c for n in range(4) for c in itertools.combinations(SHARES, n)], ids=str
)
@pytest.mark.parametrize("scale", [0.8, 1.0, 1.25])
def test_every_set_of_phases_is_named_right(present, scale):
    # An energy or a hardened beam that is off changes what air tells of the scale.
    guide = Guide(ATTENUATIONS, MATRIX - scale * (MATRIX - AIR))
    found = thresholds(guide, *present)
    assert found.found == ("pore" in present, True, "iron" in present, "copper" in present)
    darkest, *bright = found.thresholds
    assert darkest < bright[0] <= bright[1]
    if present[-1:] == ("copper",) and "iron" not in present:
        # Nothing is left for the phase between, and the next one starts midway.
        assert bright[0] == bright[1]
        assert (bright[0] - MATRIX) / SD == pytest.approx(COPPER * CNR / 2, abs=0.4)
    assert not [note for note in found.notes if "by rank" in note]


def test_pores_give_the_scale_where_no_air_is_seen():
    found = thresholds(Guide(ATTENUATIONS), "pore", "copper")
    assert found.found == (True, True, False, True)
    assert found.expected[0] == found.levels[0]


def test_without_any_scale_rank_decides_and_it_is_said():
    found = thresholds(Guide(ATTENUATIONS), "copper")
    assert found.found == (False, True, True, False)
    assert found.expected is None
    assert [note for note in found.notes if "by rank" in note]


def test_both_bright_phases_are_named_whatever_the_scale():
    for guide in (Guide(ATTENUATIONS), Guide(ATTENUATIONS, MATRIX - 3 * (MATRIX - AIR))):
        assert thresholds(guide, "iron", "copper").found == (False, True, True, True)


def test_without_a_guide_nothing_changes():
    for present in (("iron", "copper"), ("pore", "iron", "copper")):
        plain = thresholds(None, *present)
        guided = thresholds(Guide(ATTENUATIONS, AIR), *present)
        assert guided.levels == plain.levels
        assert guided.thresholds[-2:] == plain.thresholds[-2:]


def test_an_absent_outer_phase_starts_midway_to_where_it_would_be():
    plain, guided = (thresholds(g, "iron") for g in (None, Guide(ATTENUATIONS, AIR)))
    assert plain.found == guided.found == (False, True, True, False)
    assert guided.thresholds[:2] == plain.thresholds[:2]
    at = (guided.thresholds[2] - MATRIX) / SD
    assert at == pytest.approx((IRON + COPPER) * CNR / 2, abs=0.4)
    assert guided.thresholds[2] > plain.thresholds[2] + SD


def test_phases_that_attenuation_does_not_tell_apart_are_named_by_rank():
    alike = (*ATTENUATIONS[:3], ATTENUATIONS[2] * 1.02)
    plain, guided = (thresholds(g, "copper") for g in (None, Guide(alike, AIR)))
    assert guided.thresholds == plain.thresholds
    assert guided.notes == plain.notes


def test_of_several_levels_of_a_phase_the_largest_is_taken():
    named = name_levels(
        [90.0, 120.0, 320.0], [(1, 5.0), (1, 9.0), (1, 7.0)], [100.0, 320.0], [1, 3]
    )
    assert named == [1, 2]
    assert name_levels([90.0, 120.0], [(1, 5.0), (0, 9.0)], [100.0, 320.0], [1, 3]) == [0, None]


def test_two_levels_at_ratios_that_do_not_fit_go_to_their_places():
    # An oxide beside the copper-rich phase, and no iron-rich one.
    named = name_levels([280.0, 360.0], [(1, 5.0), (1, 9.0)], [100.0, 320.0], [1.0, 3.2])
    assert named == [None, 1]


def test_a_guide_for_other_phases_is_refused():
    with pytest.raises(UsageError, match="4 phases want as many attenuations, got 2"):
        threshold_peaks(np.ones(65536, np.int64), KINDS, Guide((0.0, 1.0)))
