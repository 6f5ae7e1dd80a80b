import pytest

from pipeline.errors import UsageError
from pipeline.model.records import SPECIMENS
from pipeline.model.specimens import PROPERTIES, SpecimenResult, read_results

GOOD = "specimen,strength_mpa,elongation_percent\nbar-01,231.5,1.8\nbar-02,240,\n"


def test_rows_that_fit():
    results, rejected = read_results(GOOD, "tensile.csv")
    assert not rejected
    assert results[0] == SpecimenResult(
        specimen="bar-01", strength_mpa=231.5, elongation_percent=1.8
    )
    assert results[1].elongation_percent is None
    semicolons, _ = read_results("\ufeff" + GOOD.replace(",", ";"), "tensile.csv")
    assert semicolons == results


def test_every_column_is_one_of_the_table():
    names = [c.name for c in SPECIMENS.columns]
    assert list(SpecimenResult.model_fields) == names[:-1]
    assert set(PROPERTIES) < set(names)


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        (",250,2", "specimen"),
        ("bar-3,-5,2", "strength_mpa: Input should be greater than 0, got '-5'"),
        ("bar-3,0.23e5,2", "strength_mpa: Input should be less than or equal to 1500"),
        ('bar-3,"231,5",2', "strength_mpa"),
        ("bar-3,nan,2", "finite"),
        ("bar-3,250,2,7", "4 cells, wanted 3"),
        ("bar-01,250,2", "specimen bar-01 stands on line 2 already"),
        ("bar-3,,", "the row states no result"),
        ("bar-3,high,120", "elongation_percent: Input should be less than or equal to 100"),
    ],
)
def test_rejected_rows_name_their_line(cells, says):
    results, rejected = read_results(GOOD + "\n" + cells + "\nbar-09,1,1\n", "tensile.csv")
    assert [r.specimen for r in results] == ["bar-01", "bar-02", "bar-09"]
    (row,) = rejected
    assert row.line == 5
    assert says in row.reason


def test_cycles_are_whole_however_they_are_written():
    head = "specimen,cycles_to_failure\n"
    results, rejected = read_results(head + "a,1e5\nb,100000.0\nc,7\nd,1.5\ne,many\n", "f")
    assert [r.cycles_to_failure for r in results] == [100_000, 100_000, 7]
    assert [r.reason for r in rejected] == [
        "cycles_to_failure: wants a whole number, got '1.5'",
        "cycles_to_failure: wants a whole number, got 'many'",
    ]


def test_fracture_origins_are_whole_and_yield_lies_under_strength():
    head = (
        "specimen,strength_mpa,yield_mpa,fracture_scan,fracture_z_um,fracture_y_um,fracture_x_um\n"
    )
    results, rejected = read_results(
        head + "a,250,180,a-F,10,20,30\nb,250,260,,,,\nc,250,180,c-F,10,,30\nd,,,d-F,1,2,3\n", "f"
    )
    assert [r.specimen for r in results] == ["a", "d"]
    assert [r.line for r in rejected] == [3, 4]
    assert "above strength" in rejected[0].reason
    assert "together" in rejected[1].reason


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("specimen,strength\na,250\n", "Wanted strength_mpa, in that unit"),
        ("specimen,fracture_z_mm\na,2\n", "fracture_z_um"),
        ("specimen,hardness\na,90\n", "hardness_hv or hardness_hbw"),
        ("specimen,colour\na,red\n", "Known columns"),
        ("specimen,yield_mpa,yield_mpa\na,1,1\n", "stands twice"),
        ("name,strength_mpa\na,250\n", "no column specimen"),
        ("specimen,strength_mpa\n", "holds no rows"),
        ("", "no column specimen"),
    ],
)
def test_headers_that_cannot_be_meant(text, says):
    with pytest.raises(UsageError, match=r"tensile\.csv") as caught:
        read_results(text, "tensile.csv")
    assert says in str(caught.value)
