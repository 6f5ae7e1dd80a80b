import pytest

from pipeline.errors import DamageError
from pipeline.model.records import SPECIMENS
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.query import run_query
from pipeline.stores.specimens import SpecimenTable


def result(name, **values):
    return {"specimen": name, **values}


def test_rows_replace_those_of_their_specimens(tmp_path):
    table = SpecimenTable(tmp_path)
    assert table.version() == -1
    assert table.read().equals(SPECIMENS.schema.empty_table())
    first = table.put([result("b", strength_mpa=200.0), result("a", cycles_to_failure=10**6)])
    second = table.put([result("b", elongation_percent=2.0), result("c", remark="ö")])
    assert second == first + 1 == table.version()
    rows = table.read().to_pylist()
    assert [row["specimen"] for row in rows] == ["a", "b", "c"]
    assert rows[1]["strength_mpa"] is None
    assert rows[1]["elongation_percent"] == 2.0
    assert rows[0]["cycles_to_failure"] == 10**6


def test_what_does_not_fit_leaves_the_table_as_it_was(tmp_path):
    table = SpecimenTable(tmp_path)
    version = table.put([result("a", strength_mpa=200.0)])
    with pytest.raises(Exception, match="specimen"):
        table.put([result("b", strength_mpa=210.0), result(None, strength_mpa=1.0)])
    assert table.version() == version
    assert table.read()["specimen"].to_pylist() == ["a"]


def test_a_damaged_table_is_told(tmp_path):
    table = SpecimenTable(tmp_path)
    table.put([result("a", strength_mpa=200.0)])
    for file in table.path.glob("*.parquet"):
        file.write_bytes(b"no parquet")
    with pytest.raises(DamageError, match="specimens"):
        table.read()


def test_a_query_reads_it(tmp_path):
    SpecimenTable(tmp_path).put([result("a", strength_mpa=200.0), result("b", strength_mpa=300.0)])
    answer = run_query(Catalogue(tmp_path), "SELECT max(strength_mpa) AS most FROM specimens")
    assert answer["most"].to_pylist() == [300.0]
