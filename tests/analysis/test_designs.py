import pyarrow as pa
import pytest

from pipeline.analysis.designs import make_contrast, make_design
from pipeline.errors import UsageError

PLAIN = {
    "specimen": "bar-1", "temper": "F", "condition": None, "alloy": "CC-319R", "operator": None,
    "tube_kv": 60.0, "tube_power_w": None, "beam_energy_kev": None, "voxel_z_um": 2.0,
    "voxel_y_um": 2.0, "voxel_x_um": 2.0, "recipe_hash": "abc", "recipe_name": "r",
    "code_version": "0.1.0", "mask_volume_um3": 1e9, "heat_treatment": None, "denoise_used": None,
}  # fmt: skip


def scans(*rows: dict) -> pa.Table:
    return pa.Table.from_pylist([{"scan_id": f"s{i}", **PLAIN, **r} for i, r in enumerate(rows)])


def bars(temper: str, *names: str) -> list[dict]:
    return [{"temper": temper, "specimen": name} for name in names]


def test_scans_nest_in_specimens():
    design = make_design(scans(*bars("F", "a", "a", "b"), *bars("T6", "c", "d")), "temper")
    assert design.groups == ("F", "T6")
    assert [(u.group, u.specimen, u.scan_ids) for u in design.units][:2] == [
        ("F", "a", ("s0", "s1")),
        ("F", "b", ("s2",)),
    ]
    contrast = make_contrast(design, "F", "T6")
    assert not contrast.paired
    assert (contrast.first.tolist(), contrast.second.tolist()) == ([0, 1], [2, 3])


def test_a_specimen_in_both_groups_makes_a_pair():
    design = make_design(scans(*bars("F", "a", "b", "c"), *bars("T6", "c", "b", "x")), "temper")
    contrast = make_contrast(design, "F", "T6")
    assert contrast.paired
    names = [[design.units[i].specimen for i in side] for side in (contrast.first, contrast.second)]
    assert names == [["b", "c"], ["b", "c"]]
    assert contrast.note == "2 specimens are in one group only and are left out"


def test_one_shared_specimen_of_many_does_not_count_twice():
    rows = scans(*bars("F", *"abcde"), *bars("T6", *"evwxy"))
    contrast = make_contrast(make_design(rows, "temper"), "F", "T6")
    assert not contrast.paired
    assert len(contrast.first) == len(contrast.second) == 4
    assert "1 specimens are in both groups" in contrast.note


def test_pairs_by_another_column_and_pairs_that_are_not_there():
    rows = [{"temper": t, "specimen": f"{t}{i}", "operator": f"cast {i}"} for t in ("F", "T6")
            for i in range(3)]  # fmt: skip
    design = make_design(scans(*rows), "temper", paired_by="operator")
    assert make_contrast(design, "F", "T6").paired
    design = make_design(scans(*rows), "temper", paired_by="specimen")
    contrast = make_contrast(design, "F", "T6")
    assert len(contrast.first) == 0
    assert "there are no pairs" in contrast.note


def test_more_groups_make_all_pairs_or_go_against_one():
    rows = scans(*bars("F", "a"), *bars("T4", "b"), *bars("T6", "c"))
    assert make_design(rows, "temper").contrasts == [("F", "T4"), ("F", "T6"), ("T4", "T6")]
    against = make_design(rows, "temper", reference="T4")
    assert against.contrasts == [("T4", "F"), ("T4", "T6")]


@pytest.mark.parametrize(
    ("change", "reason", "says"),
    [
        ({"voxel_y_um": 2.03}, "voxel", "voxel edges go from 2 to 2.03 um"),
        ({"recipe_hash": "xyz"}, "recipe", "2 different recipes"),
        ({"code_version": "0.2.0"}, "version", "castcensus 0.1, 0.2"),
        ({"specimen": None}, "specimen", "1 of 2 scans name no specimen"),
    ],
)
def test_what_cannot_be_compared_is_refused_unless_told(change, reason, says):
    rows = scans(*bars("F", "a"), {"temper": "T6", "specimen": "b"} | change)
    with pytest.raises(UsageError, match=says) as caught:
        make_design(rows, "temper")
    assert f"--despite {reason}" in caught.value.remedy
    design = make_design(rows, "temper", despite=[reason])
    assert design.despite == (reason,)
    assert any(says in caution for caution in design.cautions)


def test_small_differences_of_voxel_and_patch_are_none():
    rows = scans(
        *bars("F", "a"), bars("T6", "b")[0] | {"voxel_x_um": 2.01, "code_version": "0.1.9"}
    )
    assert make_design(rows, "temper").despite == ()


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"by": "colour"}, "no column of scans"),
        ({"by": "tempr"}, "Such as temper"),
        ({"by": "heat_treatment"}, "no column of scans"),
        ({"by": "alloy"}, "all are 'CC-319R'"),
        ({"by": "condition"}, "none states it"),
        ({"by": "temper", "reference": "T7"}, "is no group"),
        ({"by": "temper", "despite": ["luck"]}, "is no reason"),
        ({"by": "temper", "paired_by": "nobody"}, "no column of scans"),
    ],
)
def test_groups_that_cannot_be_meant(options, says):
    with pytest.raises(UsageError, match=says):
        make_design(scans(*bars("F", "a"), *bars("T6", "b")), **options)


def test_what_goes_with_the_groups_is_named():
    kv = [bars("F", "a")[0], bars("T6", "b")[0] | {"tube_kv": 80.0, "mask_volume_um3": 2e9}]
    cautions = make_design(scans(*kv, {"temper": None}), "temper").cautions
    assert cautions[0] == "1 scans state no temper and are left out."
    assert any(c.startswith("tube_kv changes together with temper") for c in cautions)
    assert any("volumes searched differ" in c for c in cautions)
    by_kv = make_design(scans(*kv, {"specimen": "c", "tube_kv": 100.0}), "tube_kv")
    assert by_kv.groups == ("60", "80", "100")
    assert {u.group for u in by_kv.units} == set(by_kv.groups)
