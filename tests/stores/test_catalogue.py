import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from deltalake import DeltaTable, write_deltalake
from deltalake.exceptions import CommitFailedError

from pipeline.errors import DamageError, NotFoundError, StoreError, UsageError
from pipeline.model import records
from pipeline.model.records import FATES, PARTICLES, SCANS, STRESS, Table
from pipeline.stores import delta
from pipeline.stores.catalogue import Catalogue

_spec = importlib.util.spec_from_file_location(
    "rows_of_scans", Path(__file__).with_name("rows_of_scans.py")
)
rows_of_scans = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(rows_of_scans)
scan_rows = rows_of_scans.scan_rows


# The tables of a census; those of what is asked of it later have tests of their own.
TABLES = tuple(table for table in records.TABLES if table not in (STRESS, FATES))


@pytest.fixture
def catalogue(tmp_path):
    return Catalogue(tmp_path / "catalogue")


def jobs_seen(catalogue, version=None):
    """Jobs whose rows are visible, the same in every table."""
    seen = [
        sorted(set(catalogue.read(table.name, version=version)["job"].to_pylist()))
        for table in TABLES
    ]
    assert all(jobs == seen[0] for jobs in seen)
    return seen[0]


def test_nothing_committed_reads_as_empty_tables_and_writes_nothing(catalogue):
    assert catalogue.version() == -1
    assert catalogue.scan_ids() == []
    assert not catalogue.has("a")
    assert catalogue.read("particles").num_rows == 0
    assert catalogue.read("particles").schema.equals(PARTICLES.schema)
    with pytest.raises(NotFoundError, match="is empty"):
        catalogue.read("scans", version=0)
    assert not catalogue.root.exists()


def test_a_commit_reads_back_exactly_in_canonical_order(catalogue):
    scan, phases, particles, others = scan_rows("a", "j1", n=101)
    shuffled = particles.take(np.random.default_rng(1).permutation(101))
    version = catalogue.commit(scan, phases, shuffled, others)
    assert version == catalogue.version() == 1
    for table, wanted in zip(TABLES, (scan, phases, particles, *others.values()), strict=True):
        order = [(name, "ascending") for name in table.order]
        got = catalogue.read(table.name, "a")
        assert got.schema.equals(table.schema)
        assert got.equals(wanted.sort_by(order).combine_chunks())


def test_batches_are_streamed_and_empty_particles_are_a_result(catalogue):
    scan, phases, particles, _ = scan_rows("a", "j1", n=50)
    catalogue.commit(scan, phases, (b for b in particles.to_batches(max_chunksize=7)))
    assert catalogue.read("particles", "a").num_rows == 50
    catalogue.commit(*scan_rows("b", "j2", n=0))
    assert catalogue.has("b")
    assert catalogue.read("particles", "b").num_rows == 0
    assert catalogue.read("phases", "b").num_rows == 2


def test_replacing_hides_the_old_job_and_keeps_it_citable(catalogue):
    first = catalogue.commit(*scan_rows("a", "j1", n=20, seed=1))
    other = catalogue.commit(*scan_rows("b", "j2", n=5, seed=2))
    second = catalogue.commit(*scan_rows("a", "j3", n=7, seed=3))
    assert first < other < second == catalogue.version()
    assert jobs_seen(catalogue) == ["j2", "j3"]
    assert jobs_seen(catalogue, other) == ["j1", "j2"]
    assert jobs_seen(catalogue, first) == ["j1"]
    assert catalogue.read("particles", "a", version=first).num_rows == 20
    assert catalogue.scan_ids(first) == ["a"]
    assert catalogue.scan_ids(0) == []
    # Swept: the current version of the table itself holds the rows of the new job only.
    raw = DeltaTable(catalogue.root / "particles").to_pyarrow_table()
    assert sorted(set(raw["job"].to_pylist())) == ["j2", "j3"]


def test_committing_the_same_job_again_does_not_double_its_rows(catalogue):
    catalogue.commit(*scan_rows("a", "j1", n=20))
    catalogue.commit(*scan_rows("a", "j1", n=20))
    assert catalogue.read("particles").num_rows == 20
    assert catalogue.read("phases").num_rows == 2


def test_remove_takes_a_scan_out_and_keeps_the_others(catalogue):
    before = catalogue.commit(*scan_rows("a", "j1"))
    before = catalogue.commit(*scan_rows("b", "j2"))
    after = catalogue.remove("a")
    assert after == before + 1
    assert catalogue.scan_ids() == ["b"]
    assert jobs_seen(catalogue) == ["j2"]
    assert catalogue.scan_ids(before) == ["a", "b"]
    assert catalogue.read("particles", "a", version=before).num_rows == 20
    with pytest.raises(NotFoundError, match="'a'"):
        catalogue.remove("a")
    catalogue.remove("b")
    assert catalogue.read("scans").num_rows == 0
    assert catalogue.read("particles").num_rows == 0


@pytest.mark.parametrize(
    "broken", ["phases", "particles", "contacts", "neighbours", "statistics", "scans", "sweep"]
)
def test_a_failure_between_steps_leaves_one_whole_result(catalogue, monkeypatch, broken):
    catalogue.commit(*scan_rows("a", "j1", n=20, seed=1))
    old = catalogue.fingerprint_rows("a")
    new = scan_rows("a", "j2", n=30, seed=2)
    with monkeypatch.context() as patch:
        if broken == "sweep":
            patch.setattr(Catalogue, "_sweep", _fail)
        elif broken == "scans":
            patch.setattr(catalogue._tables["scans"], "replace", _fail)
        else:
            patch.setattr(catalogue._tables[broken], "overwrite", _fail)
        with pytest.raises(RuntimeError, match="power cut"):
            catalogue.commit(*new)
    # Another scan's commit in between must not uncover the rows that were left behind.
    catalogue.commit(*scan_rows("b", "j9", seed=9))
    if broken == "sweep":
        assert catalogue.read("particles", "a").num_rows == 30
        assert set(catalogue.read("particles", "a")["job"].to_pylist()) == {"j2"}
    else:
        assert catalogue.fingerprint_rows("a") == old
        assert catalogue.read("particles", "a").num_rows == 20
    catalogue.commit(*scan_rows("a", "j3", n=40, seed=3))
    assert catalogue.read("particles", "a").num_rows == 40
    raw = DeltaTable(catalogue.root / "particles").to_pyarrow_table()
    assert sorted(set(raw["job"].to_pylist())) == ["j3", "j9"]


def _fail(*args, **kwargs):
    raise RuntimeError("power cut")


def test_rows_of_an_unfinished_job_of_a_new_scan_stay_invisible(catalogue, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr(Catalogue, "_publish", _fail)
        with pytest.raises(RuntimeError):
            catalogue.commit(*scan_rows("a", "j1"))
    catalogue.commit(*scan_rows("b", "j2"))
    assert catalogue.scan_ids() == ["b"]
    assert jobs_seen(catalogue) == ["j2"]


def test_a_failing_iterator_of_batches_raises_its_own_error_and_shows_nothing(catalogue):
    scan, phases, particles, _ = scan_rows("a", "j1", n=50)

    def batches():
        yield from particles.to_batches(max_chunksize=10)[:2]
        raise OSError("tally gone")

    with pytest.raises(OSError, match=r"^tally gone$"):
        catalogue.commit(scan, phases, batches())
    assert catalogue.scan_ids() == []
    catalogue.commit(scan, phases, particles)
    assert catalogue.read("particles").num_rows == 50


def test_four_processes_commit_at_once_into_a_new_catalogue(catalogue):
    command = [sys.executable, rows_of_scans.__file__, str(catalogue.root)]
    pipe = subprocess.PIPE
    workers = [
        subprocess.Popen([*command, str(k)], stdin=pipe, stdout=pipe, text=True) for k in range(4)
    ]
    for worker in workers:
        assert worker.stdout.readline() == "ready\n"
    for worker in workers:
        worker.stdin.write("go\n")
        worker.stdin.flush()
    for worker in workers:
        worker.communicate(timeout=120)
    assert [worker.returncode for worker in workers] == [0, 0, 0, 0]
    assert catalogue.scan_ids() == [f"scan-{k}" for k in range(4)]
    assert catalogue.read("particles").num_rows == 4 * 12
    # Every version in between is whole: each scan visible in it has all the rows of its job.
    for version in range(catalogue.version() + 1):
        for job in catalogue.read("scans", version=version)["job"].to_pylist():
            _, k, i = job.split("-")
            rows = catalogue.read("particles", f"scan-{k}", version=version)
            assert rows["job"].to_pylist() == [job] * (10 + int(i))


def test_a_commit_on_top_of_a_stale_version_is_refused_by_delta(catalogue):
    # The promise that pins never run backwards stands on this.
    catalogue.commit(*scan_rows("a", "j1"))
    path = catalogue.root / "scans"
    stale = DeltaTable(path)
    catalogue.commit(*scan_rows("b", "j2"))
    with pytest.raises(CommitFailedError):
        write_deltalake(
            stale,
            scan_rows("c", "j3")[0],
            mode="overwrite",
            predicate="scan_id = 'c'",
            commit_properties=delta._noted({"phases": 1, "particles": 1}),
        )


def test_overtaken_forever_is_an_error_after_bounded_tries(catalogue, monkeypatch):
    calls = []

    def overtaken():
        calls.append(1)
        raise CommitFailedError("version exists")

    with pytest.raises(StoreError, match="3 times: version exists"):
        delta.retry(overtaken, "writing", 3)
    assert len(calls) == 3


def spoil(table, name, array):
    return table.set_column(table.schema.get_field_index(name), name, array)


@pytest.mark.parametrize(
    ("spoiled", "message"),
    [
        (lambda t: spoil(t, "volume_um3", t["volume_um3"].cast("float32")), "volume_um3: got fl"),
        (lambda t: spoil(t, "n_voxels", t["n_voxels"].cast("int32")), "n_voxels: got int32"),
        (lambda t: spoil(t, "n_voxels", t["n_voxels"].cast("float64")), "n_voxels: got double"),
        (lambda t: t.drop_columns(["sphericity"]), "sphericity: missing"),
        (lambda t: t.append_column("colour", t["phase"]), "colour is unknown"),
        (lambda t: spoil(t, "phase", pa.array([None] * 20, "string")), "phase: 20 of 20 .* null"),
        (lambda t: spoil(t, "job", pa.array(["x"] * 20)), "job: got 'x', wanted 'j1'"),
        (lambda t: spoil(t, "scan_id", pa.array(["x"] * 20)), "scan_id: got 'x', wanted 'a'"),
    ],
)
@pytest.mark.parametrize("as_batches", [False, True])
def test_rows_that_do_not_fit_are_refused_by_column(catalogue, spoiled, message, as_batches):
    scan, phases, particles, _ = scan_rows("a", "j1")
    bad = spoiled(particles)
    with pytest.raises(StoreError, match=message):
        catalogue.commit(scan, phases, iter(bad.to_batches()) if as_batches else bad)
    assert catalogue.scan_ids() == []


def test_more_than_one_scan_or_an_empty_id_is_refused(catalogue):
    scan, phases, particles, _ = scan_rows("a", "j1")
    with pytest.raises(StoreError, match="got 2 rows"):
        catalogue.commit(pa.concat_tables([scan, scan]), phases, particles)
    with pytest.raises(StoreError, match="may not be empty"):
        catalogue.commit(*scan_rows("", "j1"))


def test_unknown_scan_version_table_and_column_are_named(catalogue):
    with pytest.raises(NotFoundError, match="no scan 'zz': no catalogue lies at"):
        catalogue.read("particles", "zz")
    version = catalogue.commit(*scan_rows("a", "j1"))
    with pytest.raises(NotFoundError, match="'zz' is not in version 1"):
        catalogue.read("particles", "zz")
    with pytest.raises(NotFoundError, match=r"version 99 .* has versions 0 to 1"):
        catalogue.read("particles", version=99)
    with pytest.raises(NotFoundError):
        catalogue.read("particles", version=-1)
    with pytest.raises(NotFoundError):
        catalogue.fingerprint_rows("zz", version)
    with pytest.raises(UsageError, match="'grains'"):
        catalogue.read("grains")
    with pytest.raises(UsageError, match="'colour'"):
        catalogue.read("particles", columns=["colour"])
    got = catalogue.read("particles", columns=["n_voxels", "phase"])
    assert got.column_names == ["n_voxels", "phase"]
    assert got["phase"].to_pylist() == ["iron-rich"] * 10 + ["pore"] * 10


@pytest.mark.parametrize("scan_id", ["o'clock", "ä b/c%25", 'x" OR 1=1', "..", "a=b", "日本"])
def test_any_text_is_a_scan_id(catalogue, scan_id):
    catalogue.commit(*scan_rows("other", "j0", n=3))
    catalogue.commit(*scan_rows(scan_id, "j'1", n=4))
    catalogue.commit(*scan_rows(scan_id, "j'2", n=5))
    assert catalogue.scan_ids() == sorted(["other", scan_id])
    assert catalogue.read("particles", scan_id).num_rows == 5
    catalogue.remove(scan_id)
    assert catalogue.scan_ids() == ["other"]


def test_columns_added_later_are_null_in_older_rows_and_older_code_still_writes(
    catalogue, monkeypatch
):
    # An older catalogue: a table `scans` without the column `seconds`, which may not be null.
    from pipeline.stores import catalogue as module

    columns = tuple(column for column in SCANS.columns if column.name != "seconds")
    older = Table(SCANS.name, SCANS.order, columns)
    old = Catalogue(catalogue.root)
    old._tables["scans"].table = older
    scan, phases, particles, _ = scan_rows("a", "j1")
    with monkeypatch.context() as patch:
        patch.setattr(module, "SCANS", older)
        old.commit(scan.drop_columns(["seconds"]), phases, particles)
    assert catalogue.read("scans")["seconds"].to_pylist() == [None]
    catalogue.commit(*scan_rows("b", "j2"))
    assert [v is None for v in catalogue.read("scans")["seconds"].to_pylist()] == [True, False]
    with monkeypatch.context() as patch:
        patch.setattr(module, "SCANS", older)
        old.commit(scan_rows("c", "j3")[0].drop_columns(["seconds"]), *scan_rows("c", "j3")[1:])
    assert catalogue.scan_ids() == ["a", "b", "c"]
    assert catalogue.read("scans", "c")["seconds"].to_pylist() == [None]


def test_a_table_with_a_column_of_another_type_is_refused(catalogue):
    position = SCANS.schema.get_field_index("seconds")
    schema = SCANS.schema.set(position, pa.field("seconds", pa.int64()))
    path = catalogue.root / "scans"
    path.mkdir(parents=True)
    DeltaTable.create(
        path, schema.set(position, pa.field("seconds", pa.int64())), partition_by=["scan_id", "job"]
    )
    with pytest.raises(StoreError, match="column seconds: the table has int64, wanted double"):
        catalogue.commit(*scan_rows("a", "j1"))


def test_versions_never_expire(catalogue):
    catalogue.commit(*scan_rows("a", "j1"))
    for table in TABLES:
        settings = DeltaTable(catalogue.root / table.name).metadata().configuration
        assert settings["delta.deletedFileRetentionDuration"] == "interval 36500 days"
        assert settings["delta.logRetentionDuration"] == "interval 36500 days"
        assert settings["delta.enableExpiredLogCleanup"] == "false"


def test_versions_stay_readable_beyond_a_checkpoint(catalogue):
    first = catalogue.commit(*scan_rows("a", "j0", n=3))
    for i in range(1, 104):
        catalogue._tables["scans"].replace(
            scan_rows("b", f"j{i}")[0], "b", f"j{i}", catalogue._pins
        )
    assert list((catalogue.root / "scans" / "_delta_log").glob("*.checkpoint*.parquet"))
    assert catalogue.read("particles", "a", version=first).num_rows == 3
    assert catalogue.scan_ids() == ["a", "b"]
    assert catalogue.scan_ids(first) == ["a"]


def test_a_commit_of_a_foreign_tool_keeps_the_pins(catalogue):
    catalogue.commit(*scan_rows("a", "j1", n=3))
    catalogue.commit(*scan_rows("b", "j2", n=4))
    DeltaTable(catalogue.root / "scans").alter.set_table_properties({"delta.appendOnly": "false"})
    assert catalogue.version() == 3
    assert catalogue.read("particles").num_rows == 7


def test_a_missing_file_and_a_damaged_log_are_reported(catalogue):
    catalogue.commit(*scan_rows("a", "j1"))
    file = next((catalogue.root / "particles").rglob("*.parquet"))
    moved = file.rename(file.with_suffix(".away"))
    with pytest.raises(DamageError, match="cannot be read"):
        catalogue.read("particles")
    moved.rename(file)
    log = catalogue.root / "scans" / "_delta_log" / f"{1:020d}.json"
    text = log.read_text()
    log.write_text(text[: len(text) // 2])
    with pytest.raises(DamageError, match="scans"):
        catalogue.read("particles")


def test_a_folder_that_cannot_be_written_is_an_error_not_a_traceback(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be written"):
        Catalogue(tmp_path / "file" / "catalogue").commit(*scan_rows("a", "j1"))


def test_files_of_a_commit_are_synced(catalogue, monkeypatch):
    synced = set()
    real = os.fsync

    def fsync(number):
        synced.add(os.readlink(f"/proc/self/fd/{number}"))
        real(number)

    monkeypatch.setattr(os, "fsync", fsync)
    catalogue.commit(*scan_rows("a", "j1"))
    for table in TABLES:
        root = (catalogue.root / table.name).resolve()
        assert {str(p) for p in root.rglob("*.parquet")} <= synced
        assert str(root / "_delta_log" / f"{1:020d}.json") in synced
        assert {str(root / "_delta_log"), str(root)} <= synced


class TestFingerprint:
    def of(self, root, scan, phases, particles):
        catalogue = Catalogue(root)
        catalogue.commit(scan, phases, particles)
        return catalogue.fingerprint_rows("a")

    def test_order_chunks_job_and_neighbours_do_not_matter(self, tmp_path):
        scan, phases, particles, _ = scan_rows("a", "j1", n=200)
        one = self.of(tmp_path / "1", scan, phases, particles)
        assert len(one) == 64
        shuffled = particles.take(np.random.default_rng(0).permutation(200))
        chunks = iter(shuffled.to_batches(max_chunksize=13))
        assert self.of(tmp_path / "2", scan, phases.slice(1), chunks) != one
        chunks = iter(shuffled.to_batches(max_chunksize=13))
        turned = phases.take([1, 0])
        assert self.of(tmp_path / "3", scan, turned, chunks) == one
        Catalogue(tmp_path / "1").commit(*scan_rows("b", "j5", seed=5))
        assert Catalogue(tmp_path / "1").fingerprint_rows("a") == one
        other = [spoil(t, "job", pa.array(["j7"] * len(t))) for t in (scan, phases, particles)]
        other[0] = spoil(other[0], "seconds", pa.array([1e9]))
        assert self.of(tmp_path / "4", *other) == one

    def test_one_ulp_a_null_and_a_text_matter_and_the_sign_of_zero_does_not(self, tmp_path):
        scan, phases, particles, _ = scan_rows("a", "j1", n=20)
        volume = particles["volume_um3"].to_numpy().copy()
        volume[3] = 0.0
        particles = spoil(particles, "volume_um3", pa.array(volume))
        base = self.of(tmp_path / "0", scan, phases, particles)
        volume[3] = -0.0
        assert (
            self.of(tmp_path / "1", scan, phases, spoil(particles, "volume_um3", pa.array(volume)))
            == base
        )
        volume[3] = 0.0
        volume[7] = np.nextafter(volume[7], np.inf)
        found = {
            base,
            self.of(tmp_path / "2", scan, phases, spoil(particles, "volume_um3", pa.array(volume))),
        }
        texts = pa.list_(pa.string())
        scans = [
            spoil(scan, "alloy", pa.array([None], pa.string())),
            spoil(scan, "alloy", pa.array([""])),
            *(spoil(scan, "tags", pa.array([v], texts)) for v in (["a", "b"], ["ab"], [], None)),
        ]
        for i, other in enumerate(scans, start=3):
            found.add(self.of(tmp_path / str(i), other, phases, particles))
        assert len(found) == 8

    def test_an_old_version_has_its_own(self, catalogue):
        first = catalogue.commit(*scan_rows("a", "j1", seed=1))
        one = catalogue.fingerprint_rows("a")
        catalogue.commit(*scan_rows("a", "j2", seed=2))
        assert catalogue.fingerprint_rows("a") != one
        assert catalogue.fingerprint_rows("a", first) == one


def test_the_commit_names_the_versions_beside_it(catalogue):
    catalogue.commit(*scan_rows("a", "j1"))
    log = (catalogue.root / "scans" / "_delta_log" / f"{1:020d}.json").read_text()
    notes = [json.loads(line).get("commitInfo", {}).get("castcensus") for line in log.splitlines()]
    beside = ("phases", "particles", "contacts", "members", "neighbours", "statistics")
    wanted = {**dict.fromkeys(beside, 1), "stress": 0, "fates": 0}
    assert wanted in notes
