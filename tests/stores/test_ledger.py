import json

import pytest

from pipeline.model.reports import TileReport
from pipeline.stores.ledger import Ledger


def report(number):
    return TileReport(number, 100, 0.25, "host:1", 10_000)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "ledger" / "label.log"


def test_absent_ledger_has_nothing_finished(path):
    assert Ledger(path, "a").finished() == (set(), False)


def test_records_and_seal(path):
    with Ledger(path, "a") as ledger:
        for number in (3, 0, 3):
            ledger.record(report(number))
        assert Ledger(path, "a").finished() == ({0, 3}, False)
        ledger.seal()
    assert Ledger(path, "a").finished() == ({0, 3}, True)


def test_lines_of_another_key_do_not_count(path):
    with Ledger(path, "old") as ledger:
        ledger.record(report(0))
        ledger.seal()
    with Ledger(path, "new") as ledger:
        ledger.record(report(5))
    assert Ledger(path, "new").finished() == ({5}, False)
    assert Ledger(path, "old").finished() == ({0}, True)


def test_every_truncation_loses_at_most_the_torn_line(path):
    with Ledger(path, "a") as ledger:
        for number in range(3):
            ledger.record(report(number))
        ledger.seal()
    whole = path.read_bytes()
    ends = [i + 1 for i, byte in enumerate(whole) if byte == ord("\n")]
    for length in range(len(whole) + 1):
        path.write_bytes(whole[:length])
        n_whole = sum(end <= length for end in ends)
        tiles, sealed = Ledger(path, "a").finished()
        # A line that lacks only its end is as good as whole.
        assert len(tiles) + sealed in (n_whole, n_whole + 1)
        assert len(tiles) + sealed == n_whole or length + 1 in ends
        assert tiles == set(range(len(tiles)))


def test_writing_goes_on_after_a_torn_line(path):
    with Ledger(path, "a") as ledger:
        ledger.record(report(0))
        ledger.record(report(1))
    path.write_bytes(path.read_bytes()[:-7])
    with Ledger(path, "a") as ledger:
        ledger.record(report(2))
    assert Ledger(path, "a").finished() == ({0, 2}, False)


def test_what_is_no_record_is_passed_over(path):
    with Ledger(path, "a") as ledger:
        ledger.record(report(0))
    with path.open("ab") as file:
        file.write(b'[1]\n"x"\n\xff\xfe\n{}\n\n' + json.dumps({"key": "a"}).encode() + b"\n")
    assert Ledger(path, "a").finished() == ({0}, False)


def test_record_outside_its_block_is_a_programming_error(path):
    with pytest.raises(RuntimeError, match="with"):
        Ledger(path, "a").record(report(0))


def test_records_stand_on_disk_when_the_block_fails(path):
    def fail():
        with Ledger(path, "a") as ledger:
            ledger.record(report(4))
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    assert Ledger(path, "a").finished() == ({4}, False)
