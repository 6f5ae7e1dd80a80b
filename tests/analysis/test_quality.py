"""What rows of the catalogue say on the quality of a scan, in words, numbers and warnings."""

import pytest

from pipeline.analysis.headlines import list_warnings, pick_headlines
from pipeline.analysis.quality import describe_quality, list_contrasts, summarise_quality

SCAN = {
    "size_z_vx": 10, "size_y_vx": 10, "size_x_vx": 10, "n_voxels_mask": 600,
    "n_voxels_nonfinite": 0,
    "noise_sd": 20.0, "noise_conditioned_sd": 10.0, "denoise_used": "median, radius 1 vx",
    "threshold_shift": 10.0, "doubt_fraction": 0.001, "edge_phase": "iron-rich",
    "edge_width_vx": 2.0, "edge_width_um": 5.0, "edge_width_z_um": 5.0, "edge_width_y_um": 5.0,
    "edge_width_x_um": 5.0, "n_platelets": 40, "platelet_thickness_vx": 4.0,
    "thin_platelets": False, "segment_notes": [],
}  # fmt: skip


def phase(name, pure, kind="particles", **changed):
    return {
        "phase": name, "kind": kind, "pure_grey": pure, "volume_fraction": 0.1,
        "volume_fraction_lowered": 0.105, "volume_fraction_raised": 0.095, "n_particles": 10,
        "n_small_bodies": 3, "min_voxels": 27, "n_under_resolved": 1, "n_touching_border": 2,
        "n_threshold_sensitive": 0, **changed,
    }  # fmt: skip


PHASES = [phase("pore", 0.0), phase("matrix", 100.0, "background"), phase("iron-rich", 220.0)]


def warnings(scan=SCAN, phases=PHASES):
    return [line.warning for line in describe_quality(scan, phases) if line.warning]


def test_a_good_scan_has_lines_and_no_warning():
    lines = {line.name: line for line in describe_quality(SCAN, PHASES)}
    assert warnings() == []
    assert lines["specimen"].words.startswith("60.0 %")
    assert "median, radius 1 vx" in lines["noise"].words
    assert lines["contrast pore - matrix"].values == {"cnr_before": 5.0, "cnr_after": 10.0}
    assert "2.00 voxels, 5 um" in lines["sharpness"].words
    assert lines["fraction pore"].words.startswith("10 % of the volume; 9.5 to 10.5 %")
    assert "bodies matrix" not in lines
    assert "2 cut by the border; 3 under" in lines["bodies pore"].words
    cut = {
        line.name: line for line in describe_quality(SCAN, [phase("pore", 0.0, n_touching_mask=4)])
    }
    assert "2 cut by the border, 4 more by the edge of the mask" in cut["bodies pore"].words
    assert "least contrast of neighbours 5 times" in summarise_quality(SCAN, PHASES)


def test_every_pair_of_phases_has_a_contrast():
    pairs = {(p.dark, p.bright): (p.before, p.after) for p in list_contrasts(SCAN, PHASES)}
    assert pairs == {
        ("pore", "matrix"): (5.0, 10.0),
        ("pore", "iron-rich"): (11.0, 22.0),
        ("matrix", "iron-rich"): (6.0, 12.0),
    }


@pytest.mark.parametrize(
    ("scan", "changed", "says"),
    [
        ({"noise_sd": 50.0}, {}, "hard to part"),
        ({"doubt_fraction": 0.2}, {}, "20 % of voxels are in doubt"),
        ({"thin_platelets": True, "platelet_thickness_vx": 2.1}, {}, "2.10 voxels thick"),
        ({"segment_notes": ["phase 3 was not found"]}, {}, "phase 3 was not found"),
        ({"n_voxels_nonfinite": 7}, {}, "7 voxels are not finite"),
        ({"n_voxels_mask": 0}, {}, "nothing was found"),
        ({"n_voxels_mask": 30}, {}, "only 3 % of the volume was searched"),
        ({"noise_sd": None, "noise_conditioned_sd": None}, {}, "noise is not known"),
        ({}, {"volume_fraction_raised": 0.05}, "hangs on the thresholds"),
        ({}, {"n_under_resolved": 6}, "thinner than 3 voxels"),
    ],
)
def test_what_is_doubtful_is_warned_of(scan, changed, says):
    phases = [*PHASES[:2], phase("iron-rich", 220.0, **changed)]
    found = warnings(SCAN | scan, phases)
    assert any(says in warning for warning in found), found


def test_what_is_not_known_is_said_and_is_no_number():
    nothing = dict.fromkeys(SCAN) | {
        k: SCAN[k] for k in ("size_z_vx", "size_y_vx", "size_x_vx", "n_voxels_mask")
    }
    phases = [
        phase(p["phase"], None, p["kind"], n_particles=0, volume_fraction_lowered=None,
              volume_fraction_raised=None)
        for p in PHASES
    ]  # fmt: skip
    lines = {line.name: line for line in describe_quality(nothing, phases)}
    assert "not known" in lines["noise"].words
    assert "not measured" in lines["sharpness"].words
    assert "not known" in lines["doubt"].words
    assert "not known" in lines["contrast pore - matrix"].words
    assert lines["bodies pore"].words.startswith("none")
    assert "None" not in " ".join(line.words for line in lines.values())
    assert "None" not in summarise_quality(nothing, phases)


def number(name, quantity, note="", reference="", at=None):
    return {"phase": name, "quantity": quantity, "reference": reference, "at": at, "note": note}


def test_headlines_stand_by_phase_and_in_their_order():
    rows = [
        number("pore", "contact_ratio", reference="iron-rich"),
        number("iron-rich", "mean_free_path_um"),
        number("pore", "volume_fraction"),
        number("pore", "diameter_quantile_um", at=0.9),
        number("pore", "diameter_quantile_um", at=0.5),
        number("pore", "diameter_quantile_um", at=0.1),
        number("matrix", "volume_fraction"),
    ]
    found = [(r["phase"], r["words"]) for r in pick_headlines(rows, ["iron-rich", "pore"])]
    assert found == [
        ("iron-rich", "mean free path"),
        ("pore", "volume fraction"),
        ("pore", "median diameter"),
        ("pore", "diameter that a tenth exceeds"),
        ("pore", "contact, times chance, with iron-rich"),
    ]


def test_a_warning_of_several_phases_stands_once():
    rows = [
        number("pore", "representative_edge_um", "too small"),
        number("iron-rich", "representative_edge_um", "too small"),
        number("iron-rich", "contact_ratio", "touches it 3 times as often", "pore"),
        number("matrix", "representative_edge_um", "too small"),
    ]
    found = list_warnings(SCAN, PHASES, rows)
    assert found == ["edge of a representative cube, pore, iron-rich: too small"]


def test_a_phase_without_bodies_is_minded_once():
    rows = [number("pore", q, "the phase has no particle") for q in ("surface_density_mm",
            "mean_free_path_um", "largest_body_share", "orientation_anisotropy")]  # fmt: skip
    found = list_warnings(SCAN, [phase("pore", 0.0, n_particles=0), *PHASES[1:]], rows)
    assert found == ["no body of pore has a row: their numbers are left out"]
