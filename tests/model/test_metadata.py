import pytest

from pipeline.errors import UsageError
from pipeline.model.metadata import ScanMetadata, check_metadata, check_scan_id, read_metadata


@pytest.mark.parametrize("scan_id", ["a", "A319-F_01.left", "0", "x" * 100])
def test_scan_ids_that_fit(scan_id):
    assert check_scan_id(scan_id) == scan_id


@pytest.mark.parametrize(
    "scan_id", ["", ".", "..", "-a", "_a", "a b", "a/b", "a\\b", "ä", "a\n", "x" * 101, "a=1"]
)
def test_scan_ids_that_do_not(scan_id):
    with pytest.raises(UsageError, match="does not fit"):
        check_scan_id(scan_id)


def test_facts_from_yaml():
    text = """
    specimen: bar 3
    temper: T6
    heat_treatment: [solution 495 C 2 h, quench, age 180 C 8 h]
    tube_kv: 80
    voxel_um: [2, 2, 2.5]
    """
    facts, source_values = read_metadata(text, "scan.yaml")
    assert facts == ScanMetadata(
        specimen="bar 3",
        temper="T6",
        heat_treatment=("solution 495 C 2 h", "quench", "age 180 C 8 h"),
        tube_kv=80.0,
    )
    assert source_values == {"voxel_um": [2, 2, 2.5]}


def test_empty_file_states_nothing():
    assert read_metadata("", "scan.yaml") == (ScanMetadata(), {})


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("- a", "scan.yaml holds list"),
        ("a: [", "scan.yaml is not valid YAML"),
        ("specimn: a", "scan.yaml: specimn: .*got 'a'"),
        ("tube_kv: -3", "tube_kv"),
        ("tube_kv: 5000", "tube_kv"),
        ("beam_energy_kev: .nan", "beam_energy_kev"),
        ("specimen: [a]", "specimen"),
    ],
)
def test_facts_that_do_not_fit(text, message):
    with pytest.raises(UsageError, match=message):
        read_metadata(text, "scan.yaml")


def test_unknown_fact_names_the_known_ones():
    with pytest.raises(UsageError) as caught:
        check_metadata({"colour": "red"}, "--fact")
    assert "heat_treatment" in caught.value.remedy
