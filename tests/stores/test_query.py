import importlib.util
import io
import json
import time
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
import pytest

from pipeline.errors import NotFoundError, QueryError, UsageError
from pipeline.stores import sandbox
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.query import export_table, run_query
from pipeline.stores.rows import open_rows

_spec = importlib.util.spec_from_file_location(
    "rows_of_scans", Path(__file__).with_name("rows_of_scans.py")
)
rows_of_scans = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(rows_of_scans)
scan_rows = rows_of_scans.scan_rows


@pytest.fixture(scope="module")
def catalogue(tmp_path_factory):
    catalogue = Catalogue(tmp_path_factory.mktemp("workspace") / "catalogue")
    catalogue.commit(*scan_rows("a", "j1", n=20, seed=1))
    catalogue.commit(*scan_rows("b", "j2", n=5, seed=2))
    catalogue.commit(*scan_rows("a", "j3", n=7, seed=3))
    return catalogue


def test_rows_of_all_tables_join_and_keep_their_types(catalogue):
    got = run_query(
        catalogue,
        "SELECT s.scan_id, s.heat_treatment, s.thresholds, s.committed_at, p.phase, count(*) AS n,"
        " sum(p.n_voxels) AS voxels, max(p.volume_um3) AS largest"
        " FROM particles p JOIN scans s USING (scan_id) JOIN phases f USING (scan_id, phase)"
        " GROUP BY ALL ORDER BY ALL",
    )
    assert got.select(["scan_id", "phase", "n"]).to_pylist() == [
        {"scan_id": "a", "phase": "iron-rich", "n": 4},
        {"scan_id": "a", "phase": "pore", "n": 3},
        {"scan_id": "b", "phase": "iron-rich", "n": 3},
        {"scan_id": "b", "phase": "pore", "n": 2},
    ]
    assert got["committed_at"][0].as_py() == rows_of_scans.NOW
    assert got["heat_treatment"][0].as_py() == ["solution", "é"]
    assert got["thresholds"][0].as_py() == [1.5, 2.5]
    rows = catalogue.read("particles", "a")
    pores = rows.filter(pa.compute.equal(rows["phase"], "pore"))
    assert got["largest"][1].as_py() == max(pores["volume_um3"].to_pylist())
    assert int(got["voxels"][1].as_py()) == sum(pores["n_voxels"].to_pylist())


def test_every_row_and_column_comes_through_exactly(catalogue):
    got = run_query(catalogue, "SELECT * FROM particles ORDER BY scan_id, phase, particle_id")
    want = catalogue.read("particles")
    assert got.column_names == want.column_names
    assert got.cast(want.schema).equals(want)


def test_only_visible_rows_of_the_version_asked_for(catalogue):
    sql = "SELECT job, count(*) AS n FROM particles GROUP BY job ORDER BY job"
    assert run_query(catalogue, sql).to_pylist() == [{"job": "j2", "n": 5}, {"job": "j3", "n": 7}]
    assert run_query(catalogue, sql, version=1).to_pylist() == [{"job": "j1", "n": 20}]
    with pytest.raises(NotFoundError, match="version 9"):
        run_query(catalogue, sql, version=9)


def test_an_empty_catalogue_answers_with_no_rows(tmp_path):
    got = run_query(Catalogue(tmp_path), "SELECT scan_id, n_voxels FROM particles")
    assert got.num_rows == 0
    assert got.schema.types == [pa.string(), pa.int64()]


@pytest.mark.parametrize(
    "sql",
    [
        "FROM scans",
        "SELECT 1;",
        "-- a comment\nSELECT 1",
        "VALUES (1), (2)",
        "DESCRIBE particles",
        "SHOW TABLES",
        "SUMMARIZE phases",
        "WITH big AS (SELECT * FROM particles WHERE n_voxels > 102) SELECT count(*) FROM big",
        "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 9) FROM n",
        "SELECT * FROM range(3)",
        "SELECT unnest(tags) FROM scans",
        "SELECT scan_id FROM scans UNION ALL SELECT scan_id FROM phases",
    ],
)
def test_what_only_reads_is_answered(catalogue, sql):
    assert run_query(catalogue, sql).num_rows > 0


FILE = "/etc/hostname"


@pytest.mark.parametrize(
    ("sql", "message"),
    [
        ("", "got 0 statements"),
        ("SELECT 1; SELECT 2", "got 2 statements"),
        ("SELECT 1; DROP VIEW scans", "got 2 statements"),
        ("CREATE TABLE t (i INT)", "got CREATE"),
        ("INSERT INTO scans SELECT * FROM scans", "got INSERT"),
        ("DELETE FROM scans", "got DELETE"),
        ("WITH x AS (INSERT INTO scans FROM scans RETURNING *) FROM x", "INSERT_QUERY"),
        ("COPY scans TO 'new'", "got COPY"),
        ("COPY (SELECT 1) TO 'new' (FORMAT parquet)", "got COPY"),
        ("EXPORT DATABASE 'new'", "got EXPORT"),
        ("ATTACH 'new'", "got ATTACH"),
        ("USE memory", "got SET"),
        ("INSTALL httpfs", "got LOAD"),
        ("LOAD httpfs", "got LOAD"),
        ("PRAGMA database_list", "got PRAGMA"),
        ("SET memory_limit = '1TB'", "got SET"),
        ("SET enable_external_access = true", "got SET"),
        ("RESET threads", "got "),
        ("CALL pragma_version()", "got CALL"),
        ("EXPLAIN ANALYZE SELECT 1", "got EXPLAIN"),
        ("PREPARE p AS SELECT 1", "got PREPARE"),
        ("BEGIN", "got TRANSACTION"),
        (f"SELECT * FROM read_csv('{FILE}')", "read_csv is not allowed"),
        (f"SELECT * FROM read_text('{FILE}')", "read_text is not allowed"),
        (f"SELECT (SELECT content FROM read_blob('{FILE}'))", "read_blob is not allowed"),
        (f"SELECT 1 ORDER BY (SELECT content FROM read_blob('{FILE}'))", "read_blob is not"),
        ("SELECT * FROM glob('/*')", "glob is not allowed"),
        ("SELECT * FROM parquet_scan('a')", "parquet_scan is not allowed"),
        ("WITH x AS (FROM READ_PARQUET('a')) FROM x", "read_parquet is not allowed"),
        ("SELECT 1 UNION FROM read_json('a')", "read_json is not allowed"),
        ("SELECT 1 WHERE EXISTS (FROM sniff_csv('a'))", "sniff_csv is not allowed"),
        ("SELECT * FROM main.read_csv('a')", "read_csv is not allowed"),
        ("SUMMARIZE FROM read_csv('a')", "read_csv is not allowed"),
        ("SELECT * FROM query('SELECT 1')", "query is not allowed"),
        ("SELECT * FROM arrow_scan(1, 2, 3)", "arrow_scan is not allowed"),
        ("SELECT * FROM enable_logging(storage = 'file')", "enable_logging is not allowed"),
        ("SELECT * FROM duckdb_secrets()", "duckdb_secrets is not allowed"),
    ],
)
def test_a_statement_that_does_more_than_read_tables_is_refused(sql, message):
    with pytest.raises(sandbox.RefusedError, match=message):
        sandbox.check_statement(sandbox._connect(10**9, 1), sql)


@pytest.mark.parametrize(
    ("sql", "message"),
    [
        ("COPY scans TO '{new}'", "refused: got COPY, wanted SELECT"),
        ("SELECT 1; SELECT 2", "refused: got 2 statements, wanted 1"),
        ("SELECT * FROM read_csv('{file}')", "read_csv is not allowed"),
        ("SELECT * FROM '{file}'", "file system operations are disabled"),
        ("SELECT getenv('HOME')", "getenv does not exist"),
        ("SELECT * FROM catalogue", "catalogue does not exist"),
        ("SELEC 1", "syntax error"),
        ("SELECT colour FROM particles", "colour"),
        ("SELECT CAST(phase AS INT) FROM particles", "Conversion Error"),
    ],
)
def test_a_refusal_is_one_paragraph_that_names_the_tables(catalogue, tmp_path, sql, message):
    file = next((catalogue.root / "particles").rglob("*.parquet"))
    with pytest.raises(QueryError, match=message) as caught:
        run_query(catalogue, sql.format(new=tmp_path / "new", file=file))
    assert "scans, phases, particles" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "Traceback" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_duckdb_itself_is_locked_behind_the_check(catalogue):
    # The second wall: what would get past the check of the statement still finds no file.
    connection = sandbox._connect(10**9, 1)
    connection.register("scans", open_rows((), catalogue.read("scans").schema))
    sandbox._lock(connection)
    file = next((catalogue.root / "particles").rglob("*.parquet"))
    visible_here = pa.table({"a": [1]})
    for sql in (
        f"FROM read_parquet('{file}')",
        f"FROM read_text('{FILE}')",
        "COPY scans TO 'somewhere.csv'",
        "ATTACH 'somewhere.db'",
        "INSTALL httpfs",
        "SET enable_external_access = true",
        "SET threads = 64",
        "FROM visible_here",
    ):
        with pytest.raises(duckdb.Error):
            connection.sql(sql).fetchall()
    assert not Path("somewhere.csv").exists()
    assert visible_here.num_rows == 1


@pytest.mark.parametrize(
    "sql",
    [
        "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT count(*) FROM n",
        "SELECT count(*) FROM range(10000000) a, range(10000000) b WHERE a.range % 7 = b.range % 9",
        "SELECT sleep_ms(100000)",
    ],
)
def test_what_takes_too_long_is_killed(catalogue, sql):
    begin = time.monotonic()
    with pytest.raises(QueryError, match=r"took longer than 2 s"):
        run_query(catalogue, sql, timeout_s=2)
    assert time.monotonic() - begin < 10


@pytest.mark.parametrize(
    "sql",
    [
        "SELECT repeat('x', 4000000000)",
        "SELECT len(range(1000000000))",
        "SELECT list(i) FROM range(1000000000) t(i)",
        "SELECT len(regexp_replace(repeat('x', 2000000000), 'x', 'yyyy', 'g'))",
        "SELECT * FROM range(10000000000) a, range(1000) b ORDER BY hash(a.range)",
        "SELECT string_agg(repeat('x', 1000000), '') FROM range(3000)",
    ],
)
def test_what_needs_too_much_memory_is_stopped(catalogue, sql):
    with pytest.raises(QueryError, match=r"needed more (memory )?than 0\.2 GB"):
        run_query(catalogue, sql, memory_limit="200MB", timeout_s=60)


def test_a_result_larger_than_the_memory_is_refused(catalogue):
    with pytest.raises(QueryError, match=r"result is larger than 0\.1 GB"):
        run_query(catalogue, "SELECT * FROM range(10000000000)", memory_limit="100MB")


def test_a_filter_on_the_scan_opens_its_files_only(catalogue):
    snapshot = catalogue.snapshot()
    # Were the other scan's file opened, the query would fail.
    other = next(f for f in snapshot.files["particles"] if f.scan_id == "b")
    away = Path(other.path).rename(Path(other.path).with_suffix(".away"))
    try:
        sql = "SELECT count(volume_um3) AS n FROM particles"
        assert run_query(catalogue, f"{sql} WHERE scan_id = 'a'")["n"].to_pylist() == [7]
        with pytest.raises(QueryError, match="failed"):
            run_query(catalogue, sql)
    finally:
        away.rename(other.path)


def test_filters_at_the_edge_of_a_time_lose_no_row(catalogue):
    # The Delta log rounds times to milliseconds; these rows lie between two of them.
    sql = "SELECT count(*) AS n FROM scans WHERE committed_at >= '2026-01-02 03:04:05.6789+00'"
    assert run_query(catalogue, sql)["n"].to_pylist() == [2]


MIXED = pa.table(
    {
        "name": pa.array(["a,b", 'q"é', None]),
        "x": pa.array([1.5, float("nan"), float("-inf")]),
        "n": pa.array([1, None, 2**53 + 1]),
        "big": pa.array([2**60, 1, None], pa.decimal128(38, 0)),
        "flag": pa.array([True, False, None]),
        "tags": pa.array([["a", "b"], [], None]),
        "at": pa.array([rows_of_scans.NOW, None, None], pa.timestamp("us", tz="UTC")),
    }
)


def exported(table, fmt):
    out = io.BytesIO()
    export_table(table, fmt, out)
    return out.getvalue()


def test_json_is_a_list_of_objects_with_plain_values():
    assert json.loads(exported(MIXED, "json")) == [
        {
            "name": "a,b",
            "x": 1.5,
            "n": 1,
            "big": 2**60,
            "flag": True,
            "tags": ["a", "b"],
            "at": "2026-01-02T03:04:05.678901+00:00",
        },
        {"name": 'q"é', "x": None, "n": None, "big": 1, "flag": False, "tags": [], "at": None},
        dict.fromkeys(MIXED.column_names) | {"n": 2**53 + 1},
    ]
    assert json.loads(exported(MIXED.slice(0, 0), "json")) == []


def test_csv_reads_back():
    got = pacsv.read_csv(io.BytesIO(exported(MIXED, "csv")))
    assert got.column_names == MIXED.column_names
    assert got["name"].to_pylist() == ["a,b", 'q"é', ""]
    assert got["n"].to_pylist() == [1, None, 2**53 + 1]
    assert [json.loads(t) if t else None for t in got["tags"].to_pylist()] == [["a", "b"], [], None]
    assert "2026-01-02T03:04:05.678901Z" in exported(MIXED, "csv").decode()


def test_parquet_keeps_every_type():
    got = pq.read_table(io.BytesIO(exported(MIXED, "parquet")))
    assert got.schema.equals(MIXED.schema)
    assert str(got.to_pylist()) == str(MIXED.to_pylist())


def test_results_of_queries_export(catalogue):
    got = run_query(catalogue, "SELECT *, sum(n_voxels) OVER () AS total FROM particles")
    assert len(json.loads(exported(got, "json"))) == 12
    assert exported(got, "csv").count(b"\n") == 13


def test_an_unknown_format_is_refused():
    with pytest.raises(UsageError, match="'xml'"):
        export_table(MIXED, "xml", io.BytesIO())
