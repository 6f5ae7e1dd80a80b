"""`castcensus copy`, and every command that reads, on a workspace in object storage."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from filelock import FileLock

from flows.jobs.mechanical import import_results
from flows.jobs.status import JobStatus, now, scan_lock, write_status
from flows.jobs.transfer import copy_census
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.places import open_place
from tests.benchmarks.groups import Group, Scatter, write_groups

READING = [
    ("scans", 0),
    ("scans", "--json", "--as-of", "1", 0),
    ("jobs", "--json", 0),
    ("show", "scan", 0),
    ("show", "job", "--json", 0),
    ("statistics", "scan", "--format", "csv", 0),
    ("query", "SELECT phase, sum(n_voxels) AS n, (SELECT count(*) FROM specimens) AS m "
     "FROM particles GROUP BY phase ORDER BY phase", "--format", "json", 0),
    ("fingerprint", "scan", 0),
    ("check", "scan", "--json", 0),
    ("compare", "--by", "temper", "--where", "temper IS NOT NULL", "--json", 0),
    ("specimens", "list", "--json", 0),
    ("correlate", "--with", "elongation_percent", "--json", 0),
    ("fracture", "bar-1", "--radius-um", "40", "--json", 0),
    ("report", "scan", "--format", "json", "--output", "out", 0),
    ("mesh", "scan", "--format", "stl", "--output", "out", 0),
    # Mistakes are told as they are told of a folder.
    ("show", "nope", 3),
    ("fingerprint", "nope", 3),
]  # fmt: skip
"""Commands with the exit status that they end with."""


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
        size_z_vx=400,
        size_y_vx=400,
        size_x_vx=400,
    )
    results = place.parent / "tensile.csv"
    results.write_text(
        "specimen,elongation_percent,fracture_scan,fracture_z_um,fracture_y_um,fracture_x_um\n"
        + "".join(f"bar-{i},{i + i % 3},bar-{i}-{'FT'[i > 2]}-0,50,50,50\n" for i in range(1, 5))
    )
    import_results(Catalogue(place / "catalogue"), results)
    return place


@pytest.fixture(scope="module")
def address(storage, workspace) -> str:
    """Return where a copy of the workspace lies."""
    address = f"{storage.bucket('foundry')}/lab/census"
    copy_census(workspace, open_place(address))
    return address


def test_a_copy_is_read_by_every_command_that_reads(run_here, workspace, address) -> None:
    for *words, status in READING:
        told = []
        for place in (workspace, address):
            out, err = run_here(*words, "--workspace", place, status=status)
            files = {str(p): p.read_bytes() for p in Path("out").rglob("*") if p.is_file()}
            shutil.rmtree("out", ignore_errors=True)
            told.append((out, err.replace(str(place), "PLACE"), files))
        assert told[0] == told[1], words
        assert any(told[0])


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
def test_what_writes_says_where_to_work_instead(run_here, address, words, says) -> None:
    Path("tensile.csv").write_text("specimen,elongation_percent\nbar-1,3\n")
    out, err = run_here(*words, "--workspace", address, status=2)
    assert (out, err.count("\n")) == ("", 1)
    assert "atomic renames" in err
    assert says in err
    assert [path.name for path in Path().iterdir()] == ["tensile.csv"]


@pytest.mark.parametrize(
    ("place", "status", "says"),
    [
        ("s3://no-bucket-of-ours/census", 1, "no such bucket"),
        ("s3://foundry/nothing", 3, "no workspace at s3://foundry/nothing"),
    ],
)
def test_a_mistaken_address_gets_one_paragraph(run_here, address, place, status, says) -> None:
    out, err = run_here("scans", "--workspace", place, status=status)
    assert (out, err.count("\n")) == ("", 1)
    assert says in err


def test_copies_there_and_back_and_a_moved_workspace_works(
    run_here, workspace, storage, tmp_path
) -> None:
    away = storage.bucket("there-and-back")
    wanted = [run_here(name, "scan", "--workspace", workspace) for name in ("fingerprint", "show")]
    told = json.loads(run_here("copy", away, "--workspace", workspace, "--json")[0])
    assert (told["target"], told["scans"][-1], told["n_there"]) == (away, "scan", 0)
    out, err = run_here("copy", "backup", "--workspace", away)
    assert (str(tmp_path / "backup") in out, err) == (True, "")
    (tmp_path / "backup").rename(tmp_path / "moved")
    there = ("--workspace", tmp_path / "moved")
    assert [run_here(name, "scan", *there) for name in ("fingerprint", "show")] == wanted
    run_here("check", "scan", *there)


def test_a_scan_that_is_being_counted_is_not_copied(run_here, workspace) -> None:
    with FileLock(scan_lock(workspace, "scan")):
        _, err = run_here("copy", "backup", "--workspace", workspace, status=2)
    assert "scan scan is being processed by another process" in err
    run_here("copy", "backup", "--workspace", workspace)
