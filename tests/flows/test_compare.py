"""Groups of scans on the command line."""

import csv
import io
import json
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from flows.cli.main import load_command
from flows.jobs.comparison import GroupWish, choose_scans, compare_scans
from pipeline.errors import NotFoundError, QueryError, UsageError
from pipeline.stores.catalogue import Catalogue
from tests.benchmarks.groups import Group, Scatter, write_groups


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a workspace of four bars in F and four others in T6, whose particles are smaller."""
    place = tmp_path_factory.mktemp("groups")
    groups = [
        Group("F", ["bar-01", "bar-02", "bar-03", "bar-04"]),
        Group("T6", ["bar-11", "bar-12", "bar-13", "bar-14"], size_factor=0.6),
    ]
    write_groups(place / "catalogue", groups, 300, Scatter(specimens=0.05))
    return place


def run(capsys: Any, workspace: Path, *arguments: object) -> tuple[str, str]:
    """Run the command in this process."""
    words = [*map(str, arguments), "--workspace", str(workspace)]
    load_command("compare").main(words, standalone_mode=False)
    return tuple(capsys.readouterr())


def test_a_true_difference_is_found_and_the_rest_is_not(castcensus: Any, workspace: Path) -> None:
    found = castcensus.json(
        *("compare", "--by", "temper", "--where", "alloy = 'CC-319R' AND tube_kv = 60"),
        *("--phase", "iron-rich", "--workspace", workspace),
    )
    assert set(found) == {
        *("by", "where", "phase", "paired_by", "reference", "change_percent", "with_border"),
        *("catalogue_version", "groups", "despite", "cautions", "rows"),
    }
    assert [group["group"] for group in found["groups"]] == ["F", "T6"]
    assert found["groups"][0]["specimens"] == ["bar-01", "bar-02", "bar-03", "bar-04"]
    assert found["despite"] == []
    assert any("edge cuts are left out" in text for text in found["cautions"])
    assert len({r["n_tests"] for r in found["rows"] if r["p_value"] is not None}) == 1
    rows = {(r["quantity"], r["measure"]): r for r in found["rows"]}
    size = rows["equivalent_diameter_um", "q50"]
    assert size["ratio_low"] < 0.6 < size["ratio_high"] < 1
    assert size["p_value"] == size["p_least"] == pytest.approx(2 / 70)
    assert rows["volume_fraction", "value"]["ratio"] < 0.5
    assert rows["equivalent_diameter_um", "distribution"]["distance"] > 1
    others = [r["p_value"] for r in found["rows"] if r["quantity"] == "sphericity"]
    assert min(others) > 2 / 70
    assert {r["phase"] for r in found["rows"]} == {"", "iron-rich"}


def test_table_and_files(workspace: Path, tmp_path: Path, capsys: Any) -> None:
    out, err = run(capsys, workspace, "--by", "temper", "--output", tmp_path / "made")
    assert "equivalent_diameter_um" in out
    assert "least p first" in err
    assert "not particles" in err
    rows = pq.read_table(tmp_path / "made" / "comparison.parquet")
    answer = json.loads((tmp_path / "made" / "comparison.json").read_text())
    assert rows.num_rows == len(answer["rows"])
    units = list(csv.DictReader(io.StringIO((tmp_path / "made" / "specimens.csv").read_text())))
    assert {u["specimen"] for u in units if u["group"] == "F"} == set(
        answer["groups"][0]["specimens"]
    )
    names = {path.name for path in (tmp_path / "made").iterdir()}
    figures = {f"{kind}-F-T6.{suffix}" for kind in ("effects", "distributions", "shifts")
               for suffix in ("png", "svg")}  # fmt: skip
    assert figures < names
    as_csv, _ = run(capsys, workspace, "--by", "temper", "--format", "csv")
    assert (
        as_csv.splitlines()[1:]
        == ((tmp_path / "made" / "comparison.csv").read_text().splitlines()[1:])
    )


def test_one_specimen_a_group_is_told(workspace: Path, capsys: Any) -> None:
    where = "specimen IN ('bar-01', 'bar-11') -- one of each"
    out, err = run(capsys, workspace, "--by", "temper", "--where", where)
    assert "1 and 1 specimens" in err
    assert "no p-value" in err
    assert "bar" not in out


def test_a_paired_design_is_said_in_table_and_figure(tmp_path: Path, capsys: Any) -> None:
    bars = ["bar-01", "bar-02", "bar-03"]
    write_groups(tmp_path / "catalogue", [Group("F", bars), Group("T6", bars)], 30)
    made = tmp_path / "made"
    _, err = run(capsys, tmp_path, "--by", "temper", "--phase", "iron-rich", "--output", made)
    assert "Paired: specimens that both groups have" in err
    assert "3 pairs of the same specimens" in (made / "effects-F-T6.svg").read_text()


def test_other_resolution_is_refused_unless_told(tmp_path: Path, capsys: Any) -> None:
    write_groups(tmp_path / "catalogue", [Group("F", ["a", "b"])], 30)
    write_groups(tmp_path / "catalogue", [Group("T6", ["c", "d"])], 30, seed=1, voxel_z_um=3.0,
                 recipe_hash="other")  # fmt: skip
    with pytest.raises(UsageError, match="not comparable: voxel edges") as caught:
        run(capsys, tmp_path, "--by", "temper")
    assert "--despite voxel,recipe" in caught.value.remedy
    out, err = run(capsys, tmp_path, "--by", "temper", "--despite", "voxel, recipe", "--json")
    assert json.loads(out)["despite"] == ["recipe", "voxel"]
    assert "Compared although voxel edges go from 2 to 3 um." in err


def test_what_counts_is_the_specimen_not_the_order_of_scans(workspace: Path) -> None:
    catalogue = Catalogue(workspace / "catalogue")
    found = [
        compare_scans(catalogue, GroupWish("temper", phase="pore", with_border=border))
        for border in (False, False, True)
    ]
    assert found[0].comparison.rows.equals(found[1].comparison.rows)
    assert not found[0].comparison.rows.equals(found[2].comparison.rows)
    with pytest.raises(UsageError, match="No scan has a phase 'silicon'"):
        compare_scans(catalogue, GroupWish("temper", phase="silicon"))


@pytest.mark.parametrize(
    ("where", "error"),
    [
        ("temper = 'O'", NotFoundError),
        ("true); DROP TABLE scans; SELECT (true", QueryError),
    ],
)
def test_conditions_that_are_none(workspace: Path, where: str, error: type[Exception]) -> None:
    catalogue = Catalogue(workspace / "catalogue")
    with pytest.raises(error):
        choose_scans(catalogue, catalogue.snapshot(), where)


def test_a_condition_yields_names_of_scans_and_nothing_else(workspace: Path) -> None:
    catalogue = Catalogue(workspace / "catalogue")
    where = "temper = 'T6') UNION SELECT phase FROM phases WHERE (true"
    rows = choose_scans(catalogue, catalogue.snapshot(), where)
    assert set(rows["temper"].to_pylist()) == {"T6"}
