"""What every command promises to scripts: exit status, streams, one paragraph for a mistake."""

import json
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flows.cli.main import COMMANDS, load_command


def test_help_answers_at_once_and_names_every_command(castcensus: Any, tmp_path: Path) -> None:
    castcensus("--help")
    seconds = []
    for _ in range(3):
        began = time.perf_counter()
        out, _ = castcensus("--help")
        seconds.append(time.perf_counter() - began)
    assert min(seconds) < 0.5
    assert all(name in out for name in COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_loads_and_its_help_has_an_example(name: str) -> None:
    command = load_command(name)
    assert "Example:  castcensus" in (command.help or "")


@pytest.mark.parametrize(
    ("arguments", "status", "says"),
    [
        (["bogus"], 2, "bogus"),
        (["submit", "x.npy", "--bogus"], 2, "--bogus"),
        (["submit", "x.npy"], 2, "--scan"),
        (["submit", "missing.npy", "--scan", "a"], 2, "missing.npy"),
        (["submit", "x.npy", "--scan", "a/b"], 2, "a/b"),
        (["submit", "x.npy", "--scan", "a", "--voxel-um", "-1"], 2, "--voxel-um"),
        (["submit", "x.npy", "--scan", "a", "--voxel-um", "1,2"], 2, "--voxel-um"),
        (["submit", "x.npy", "--scan", "a", "--set", "segment.metod=peaks"], 2, "segment.metod"),
        (["submit", "x.npy", "--scan", "a", "--recipe", "nope"], 3, "cast-al-si-cu"),
        (["submit", "x.npy", "--scan", "a", "--cluster", "nope"], 3, "threads"),
        (["submit", "x.npy", "--scan", "a", "--metadata", "nope.yaml"], 3, "nope.yaml"),
        (["submit", "x.raw", "--scan", "a", "--shape", "1,2"], 2, "--shape"),
        (["plan", "x.npy"], 2, "--voxel-um"),
        (["show", "nope"], 3, "nope"),
        (["cancel", "nope"], 3, "nope"),
        (["resume", "nope"], 3, "nope"),
        (["fingerprint", "nope"], 3, "nope"),
        (["query", "SELECT 1", "--as-of", "7"], 3, "7"),
        (["query", "DROP TABLE scans"], 2, "SELECT"),
        (["simulate", "x", "--size", "12,"], 2, "--size"),
        (["simulate", "x", "--size", "300", "--projected"], 2, "256"),
        (["simulate", "x", "--size", "32", "--cupping", "2"], 2, "cupping"),
    ],
)
def test_a_mistake_gets_its_exit_status_and_leaves_nothing(
    run_here: Any, arguments: list[str], status: int, says: str, tmp_path: Path
) -> None:
    np.save(tmp_path / "x.npy", np.zeros((16, 16, 16), np.uint16))
    if arguments[0] == "submit" and "--voxel-um" not in arguments:
        arguments = [*arguments, "--voxel-um", "1"]
    out, err = run_here(*arguments, status=status)
    assert out == ""
    assert says in err
    assert [p.name for p in tmp_path.iterdir()] == ["x.npy"]


def test_a_workspace_that_is_a_file_is_named(castcensus: Any, volume: Path, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    arguments = ("submit", volume, "--scan", "a", "--voxel-um", "1", "--workspace")
    _, err = castcensus(*arguments, tmp_path / "file", status=1)
    assert str(tmp_path / "file") in err


def test_an_empty_workspace_has_no_jobs_and_no_scans(castcensus: Any, tmp_path: Path) -> None:
    assert castcensus.json("jobs") == []
    assert castcensus.json("scans") == []
    assert list(tmp_path.iterdir()) == []


def test_plan_reads_facts_beside_the_volume_and_options_before_them(
    castcensus: Any, tmp_path: Path
) -> None:
    np.save(tmp_path / "x.npy", np.zeros((20, 30, 40), np.uint16))
    (tmp_path / "x.npy.meta.yaml").write_text("voxel_um: [3, 2, 1]\nalloy: A319\n")
    plan = castcensus.json("plan", "x.npy", "--set", "tiling.tile_shape=[16,16,16]")
    assert (plan["shape"], plan["voxel_um"], plan["n_tiles"]) == ([20, 30, 40], [3, 2, 1], 12)
    assert plan["fits"] is True
    assert castcensus.json("plan", "x.npy", "--voxel-um", "5")["voxel_um"] == [5, 5, 5]
    out, _ = castcensus("plan", "x.npy")
    assert "20 x 30 x 40 voxels" in out
    (tmp_path / "x.npy.meta.yaml").write_text("voxel_um: 1\nbeam_energy_kev: 60\n")
    alike = castcensus.json("plan", "x.npy", "--set", "phases.iron-rich.material=Si@2.329")
    assert "matrix and iron-rich differ by 0.4 % in attenuation" in alike["warnings"][0]
    (tmp_path / "x.npy.meta.yaml").write_text("voxel_um: 1\nallloy: A319\n")
    assert "allloy" in castcensus("plan", "x.npy", status=2)[1]


def test_plan_that_does_not_fit_is_shown_and_refused(
    castcensus: Any, volume: Path, tmp_path: Path
) -> None:
    arguments = ("plan", volume, "--voxel-um", "1", "--memory-limit", "64MiB", "--json")
    out, err = castcensus(*arguments, status=2)
    assert json.loads(out)["fits"] is False
    assert "the limit is 64 MiB" in err


def test_query_writes_every_format(run_here: Any, tmp_path: Path) -> None:
    sql = "SELECT 1 AS a, 'x' AS b"
    assert json.loads(run_here("query", sql, "--format", "json")[0]) == [{"a": 1, "b": "x"}]
    assert run_here("query", sql)[0].split() == ["a", "b", "1", "x"]
    out, err = run_here("query", sql, "--output", "f.csv")
    assert (out, "1 rows" in err) == ("", True)
    assert (tmp_path / "f.csv").read_text().replace('"', "").split() == ["a,b", "1,x"]
    run_here("query", sql, "--format", "parquet", "--output", "no/f", status=1)
    assert "wanted a file" in run_here("query", sql, "--output", ".", status=2)[1]
    assert [p.name for p in tmp_path.iterdir()] == ["f.csv"]
    run_here("query", sql, "--output", "f.json")
    assert json.loads((tmp_path / "f.json").read_bytes()) == [{"a": 1, "b": "x"}]


def test_dictionary_names_columns(castcensus: Any) -> None:
    out, _ = castcensus("dictionary")
    assert "| volume_um3 |" in out


def test_simulate_makes_a_source_that_plan_takes(castcensus: Any, tmp_path: Path) -> None:
    made = castcensus.json("simulate", "specimen", "--size", "32", "--seed", "3", "--format", "npy")
    assert made["n_bodies"] >= 0
    plan = castcensus.json("plan", made["source"])
    assert (plan["shape"], plan["voxel_um"]) == ([32, 32, 32], [2, 2, 2])


def test_simulate_takes_bodies_artefacts_and_a_beam(castcensus: Any, tmp_path: Path) -> None:
    flags = ("--size", "16,40,40", "--seed", "3", "--format", "npy", "--bodies", "rich")
    artefacts = ("--cupping", "0.1", "--correlated-noise", "1", "--drift", "0.02", "--rings", "0.1")
    distorted = castcensus.json("simulate", "a", *flags, *artefacts)
    projected = castcensus.json("simulate", "b", *flags, "--projected", "--tube-kv", "60")
    assert distorted["n_bodies"] == projected["n_bodies"]
    spec = json.loads((tmp_path / "a/truth.json").read_text())["specimen"]
    wanted = {"correlation_vx": 1.0, "cupping": 0.1, "rings": 0.1, "drift": 0.02}
    assert spec["artefacts"] == wanted
    assert spec["rich"]["bent"] > 0
    assert json.loads((tmp_path / "b/truth.json").read_text())["beam"]["tube_kv"] == 60
    assert castcensus.json("plan", projected["source"])["shape"] == [16, 40, 40]
