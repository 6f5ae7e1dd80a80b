"""``castcensus report`` and ``castcensus show`` of a scan, as their users meet them."""

import json

import pytest

from flows.cli.main import main
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue

RECIPE = {
    "name": "bodies",
    "condition": {"mask": "none"},
    "segment": {"method": "manual", "thresholds": [700, 1300]},
    "phases": [
        {"name": "pore", "kind": "particles", "min_voxels": 5},
        {"name": "matrix", "kind": "background"},
        {"name": "iron-rich", "kind": "particles", "min_voxels": 5},
    ],
}


@pytest.fixture(scope="module")
def workspace(volume, plan_job, tmp_path_factory):
    """Return a workspace that holds the scan `a`, without the files of a driver."""
    place = tmp_path_factory.mktemp("census")
    run(plan_job(place, volume, RECIPE, scan_id="a").path)
    return place


@pytest.fixture
def call(workspace, monkeypatch, capsys):
    """Run a command in this process, which takes a tenth of the time of one of its own."""
    monkeypatch.setenv("CASTCENSUS_WORKSPACE", str(workspace))

    def run_main(*arguments):
        monkeypatch.setattr("sys.argv", ["castcensus", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return ended.value.code or 0, out, err

    return run_main


def test_a_report_goes_where_it_is_wanted_in_the_formats_wanted(call, tmp_path):
    wanted = ("--format", "json", "--format", "csv", "--json", "--output", tmp_path / "out")
    status, out, _ = call("report", "a", *wanted)
    assert status == 0
    told = json.loads(out)
    assert told["scan"] == "a"
    files = sorted(str(p) for p in (tmp_path / "out").rglob("*") if p.is_file())
    assert sorted(told["files"]) == files
    assert {path.rpartition(".")[2] for path in files} == {"json", "csv"}


@pytest.mark.parametrize(
    ("arguments", "status", "says"),
    [
        (["report", "nope"], 3, "nope"),
        (["report", "a", "--format", "docx"], 2, "docx"),
        (["report", "a", "--as-of", "99"], 3, "99"),
        (["show", "nope"], 3, "nope"),
    ],
)
def test_a_mistake_gets_its_exit_status(call, arguments, status, says):
    got, out, err = call(*arguments)
    assert got == status
    assert says in err
    assert out == ""


def test_a_scan_is_shown_with_its_quality_and_intervals(call, workspace):
    status, out, _ = call("show", "a", "--json")
    assert status == 0
    census = json.loads(out)["census"]
    rows = Catalogue(workspace / "catalogue").read("statistics", "a").to_pylist()
    known = {(r["phase"], r["quantity"], r["reference"], r["at"]): r for r in rows}
    for row in census["statistics"]:
        stored = known[row["phase"], row["quantity"], row["reference"], row["at"]]
        assert {k: stored[k] for k in row} == row
    fraction = next(r for r in census["statistics"] if r["quantity"] == "volume_fraction")
    assert fraction["low"] < fraction["value"] < fraction["high"]
    lines = {line["name"]: line for line in census["quality"]}
    assert {"specimen", "noise", "sharpness", "doubt", "contrast pore - matrix"} <= set(lines)
    assert census["warnings"]


def test_a_scan_is_shown_to_people(call):
    status, out, _ = call("show", "a")
    assert status == 0
    for words in ("volume fraction", "median diameter", "contrast pore - matrix", "Mind: "):
        assert words in out
    assert "nan" not in out
