"""`castcensus copy`, and every command that reads, on a workspace in object storage."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from flows.cli.main import main
from flows.jobs.status import JobStatus, now, write_status
from flows.jobs.transfer import copy_census
from pipeline.run import run
from pipeline.stores.places import open_place
from tests.benchmarks.groups import Group, Scatter, write_groups

READING = [
    ["scans"],
    ["scans", "--json", "--as-of", "1"],
    ["jobs", "--json"],
    ["show", "scan"],
    ["show", "job", "--json"],
    ["statistics", "scan", "--format", "csv"],
    ["query", "SELECT phase, sum(n_voxels) AS n, (SELECT count(*) FROM specimens) AS m "
     "FROM particles GROUP BY phase ORDER BY phase", "--format", "json"],
    ["fingerprint", "scan"],
    ["check", "scan", "--json"],
    ["compare", "--by", "temper", "--where", "temper IS NOT NULL", "--json"],
    ["specimens", "list", "--json"],
    ["correlate", "--with", "elongation_percent", "--json"],
    ["fracture", "bar-1", "--radius-um", "40", "--json"],
    ["report", "scan", "--format", "json", "--output", "out"],
    ["mesh", "scan", "--format", "stl", "--output", "out"],
    # Mistakes are told as they are told of a folder.
    ["show", "nope"],
    ["fingerprint", "nope"],
]  # fmt: skip


@pytest.fixture(scope="module")
def workspace(tmp_path_factory, plan_job, binary_recipe) -> Path:
    """Return a workspace of a counted scan, rows of bars in two tempers, and their strengths."""
    place = tmp_path_factory.mktemp("copy") / "census"
    rng = np.random.default_rng(5)
    voxels = (rng.random((64, 64, 64)) > 0.97).astype(np.uint8)
    voxels[20:30, 20:36, 20:24] = 1
    np.save(place.parent / "v.npy", voxels)
    folder = plan_job(place, place.parent / "v.npy", binary_recipe, "tiling.tile_shape=[32,64,64]")
    run(folder.path)
    write_status(
        folder,
        JobStatus(job="job", scan="scan", state="done", created_at=now(), updated_at=now()),
    )
    bars = [f"bar-{i}" for i in range(1, 5)]
    write_groups(
        place / "catalogue",
        [Group("F", bars[:2]), Group("T", bars[2:], size_factor=0.6)],
        30,
        Scatter(specimens=0.05),
    )
    return place


@pytest.fixture
def call(monkeypatch, capsys, tmp_path):
    """Run a command in this process, in a folder of the test's own."""
    monkeypatch.chdir(tmp_path)

    def run_main(workspace, *arguments):
        words = ["castcensus", *map(str, arguments), "--workspace", str(workspace)]
        monkeypatch.setattr("sys.argv", words)
        try:
            main()
            status = 0
        except SystemExit as ended:
            status = ended.code or 0
        out, err = capsys.readouterr()
        return status, out, err

    return run_main


@pytest.fixture(scope="module")
def address(storage, workspace) -> str:
    """Return where a copy of the workspace lies."""
    address = f"{storage.bucket('foundry')}/lab/census"
    copy_census(workspace, open_place(address))
    return address


def test_a_copy_is_read_by_every_command_that_reads(call, workspace, address, tmp_path) -> None:
    results = tmp_path / "tensile.csv"
    results.write_text(
        "specimen,elongation_percent,fracture_scan,fracture_z_um,fracture_y_um,fracture_x_um\n"
        + "".join(f"bar-{i},{i + (i % 3)},bar-{i}-{'FT'[i > 2]}-0,50,50,50\n" for i in range(1, 5))
    )
    assert call(workspace, "specimens", "import", results)[0] == 0
    status, out, err = call(workspace, "copy", address, "--json")
    assert (status, err) == (0, "")
    assert json.loads(out)["scans"][-1] == "scan"
    for words in READING:
        told = []
        for place in (workspace, address):
            status, out, err = call(place, *words)
            written = {}
            if Path("out").exists():
                written = {str(p): p.read_bytes() for p in Path("out").rglob("*") if p.is_file()}
                shutil.rmtree("out")
            told.append((status, out, err.replace(str(place), "PLACE"), written))
        assert told[0] == told[1], words


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["submit", "v.npy", "--scan", "b"], "on a disk"),
        (["check", "scan", "--repair"], "on a disk"),
        (["specimens", "import", "tensile.csv"], "on a disk"),
        (["stress", "scan"], "on a disk"),
        (["show", "scan", "--follow"], "on a disk"),
        (["report", "scan"], "--output"),
        (["mesh", "scan"], "--output"),
    ],
)
def test_what_writes_says_where_to_work_instead(call, workspace, address, words, says) -> None:
    Path("tensile.csv").write_text("specimen,elongation_percent\nbar-1,3\n")
    status, out, err = call(address, *words)
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert "atomic renames" in err
    assert says in err
    assert not Path("s3:").exists()


@pytest.mark.parametrize(
    ("place", "status", "says"),
    [
        ("s3://no-bucket-of-ours/census", 1, "no such bucket"),
        ("s3://foundry/nothing", 3, "no workspace at s3://foundry/nothing"),
    ],
)
def test_a_mistaken_address_gets_one_paragraph(call, address, place, status, says) -> None:
    got, out, err = call(place, "scans")
    assert (got, out) == (status, "")
    assert says in err
    assert err.count("\n") == 1


def test_a_folder_is_filled_too_and_a_moved_workspace_works(call, workspace, tmp_path) -> None:
    wanted = call(workspace, "fingerprint", "scan")
    status, out, _ = call(workspace, "copy", tmp_path / "backup")
    assert status == 0
    assert str(tmp_path / "backup") in out
    (tmp_path / "backup").rename(tmp_path / "moved")
    assert call(tmp_path / "moved", "fingerprint", "scan") == wanted
    assert call(tmp_path / "moved", "check", "scan")[0] == 0
    assert call(tmp_path / "moved", "show", "scan") == call(workspace, "show", "scan")
