"""Mechanical results on the command line."""

import csv
import json
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from flows.cli.main import load_command
from pipeline.errors import NotFoundError, SourceError, UsageError
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.specimens import SpecimenTable
from tests.benchmarks.groups import Group, Scatter, write_groups

BARS = [f"bar-{i:02d}" for i in range(7)]


def run(capsys: Any, *arguments: object) -> tuple[str, str]:
    """Run a command in this process."""
    name, *words = map(str, arguments)
    load_command(name).main(words, standalone_mode=False)
    return tuple(capsys.readouterr())


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a workspace of seven bars, the results of which follow from their particles."""
    place = tmp_path_factory.mktemp("mechanical")
    catalogue = write_groups(place / "catalogue", [Group("F", BARS)], 300, Scatter(specimens=0.3),
                             size_z_vx=400, size_y_vx=400, size_x_vx=400)  # fmt: skip
    rows = catalogue.read("particles", columns=["scan_id", "phase", "touches_border",
                                                "touches_mask_edge",
                                                "equivalent_diameter_um"])  # fmt: skip
    sizes: dict[str, list[float]] = {}
    for row in rows.to_pylist():
        if row["phase"] == "iron-rich" and not (row["touches_border"] or row["touches_mask_edge"]):
            sizes.setdefault(row["scan_id"][:6], []).append(row["equivalent_diameter_um"])
    lines = ["specimen,strength_mpa,elongation_percent,fracture_scan,fracture_z_um,fracture_y_um,"
             "fracture_x_um"]  # fmt: skip
    for bar in BARS:
        mean = sum(sizes[bar]) / len(sizes[bar])
        origin = f"{bar}-F-0,1,2,3" if bar == "bar-03" else ",,,"
        lines.append(f"{bar},{220 + hash_free(bar)},{20 / mean:.6f},{origin}")
    (place / "tensile.csv").write_text("\n".join(lines) + "\n")
    return place


def hash_free(name: str) -> int:
    """Return a number that follows from a name."""
    return sum(name.encode()) * 7919 % 13


def test_results_in_and_out(written: Path, tmp_path: Path, capsys: Any) -> None:
    there = ("--workspace", written)
    out, _ = run(capsys, "specimens", "import", written / "tensile.csv", *there, "--json")
    assert json.loads(out)["n_new"] + json.loads(out)["n_replaced"] == 7
    run(capsys, "specimens", "export", tmp_path / "out.csv", *there)
    rows = list(csv.DictReader((tmp_path / "out.csv").open()))
    assert [row["specimen"] for row in rows] == BARS
    _, err = run(capsys, "specimens", "import", tmp_path / "out.csv", *there)
    assert "0 specimens entered, 7 replaced" in err
    out, _ = run(capsys, "specimens", "list", *there)
    assert "strength_mpa" in out
    assert "hardness_hv" not in out


def test_one_bad_row_keeps_all_out_unless_told(tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "bad.csv").write_text("specimen,strength_mpa\na,250\nb,much\nc,260\n")
    call = ("specimens", "import", tmp_path / "bad.csv", "--workspace", tmp_path)
    with pytest.raises(SourceError, match=r"1 of 3 rows .* nothing was written. Line 3"):
        run(capsys, *call)
    assert SpecimenTable(tmp_path / "catalogue").version() == -1
    _, err = run(capsys, *call, "--skip-rejected")
    assert "line 3 left out" in err
    assert "No scan names specimen a." in err
    rows = SpecimenTable(tmp_path / "catalogue").read()
    assert rows["specimen"].to_pylist() == ["a", "c"]
    with pytest.raises(UsageError, match="wants a file"):
        run(capsys, "specimens", "import", "--workspace", tmp_path)


def test_origins_that_cannot_be_are_rejected_and_losses_are_named(
    written: Path, tmp_path: Path, capsys: Any
) -> None:
    there = ("--workspace", written)
    run(capsys, "specimens", "import", written / "tensile.csv", *there)
    head = "specimen,fracture_scan,fracture_z_um,fracture_y_um,fracture_x_um\n"
    rows = ("bar-01,bar-01-F-0,1e6,1,1", "bar-02,bar-04-F-0,1,1,1", "bar-05,bar-05-F-9,1,1,1",
            "bar-06,bar-06-F-0,1e9,1,1")  # fmt: skip
    (tmp_path / "origins.csv").write_text(head + "\n".join(rows) + "\n")
    call = ("specimens", "import", tmp_path / "origins.csv", *there)
    with pytest.raises(SourceError, match="3 of 4 rows"):
        run(capsys, *call)
    _, err = run(capsys, *call, "--skip-rejected")
    assert "line 2 left out: fracture_z_um: 1e+06 lies beyond scan bar-01-F-0, which ends" in err
    assert "line 3 left out: fracture_scan: scan bar-04-F-0 is of specimen bar-04" in err
    assert "line 5 left out: fracture_z_um" in err
    assert "Fracture of bar-05: there is no scan bar-05-F-9." in err
    assert "Specimen bar-05 loses strength_mpa, elongation_percent: its row is replaced." in err
    run(capsys, "specimens", "import", written / "tensile.csv", *there)


def test_what_goes_with_ductility(written: Path, tmp_path: Path, capsys: Any) -> None:
    there = ("--workspace", written)
    run(capsys, "specimens", "import", written / "tensile.csv", *there)
    out, _ = run(capsys, "correlate", *there, "--phase", "iron-rich", "--json", "--output",
                 tmp_path / "made")  # fmt: skip
    found = json.loads(out)
    rows = {(r["quantity"], r["measure"]): r for r in found["rows"]}
    size = rows["equivalent_diameter_um", "mean"]
    assert (size["n"], size["rho"]) == (7, pytest.approx(-1.0))
    assert size["p_value"] == pytest.approx(2 / 5040)
    assert abs(rows["sphericity", "mean"]["rho"]) < 0.9
    topics = [c["topic"] for c in found["cautions"]]
    assert {"small numbers", "many tests", "cause", "particles"} <= set(topics)
    said = " ".join(c["caution"] for c in found["cautions"])
    assert "edge cuts are left out" in said
    assert "particles a specimen" in said
    assert not {"mean_curvature_integral_um", "contact_share_expected"} & {q for q, _ in rows}
    assert "|rho| under 0.79" in found["cautions"][0]["caution"]
    assert pq.read_table(tmp_path / "made" / "correlations.parquet").num_rows == len(rows)
    names = {path.name for path in (tmp_path / "made").iterdir()}
    assert {"correlations.png", "correlations.svg", "scatters.png", "scatters.svg"} < names
    out, err = run(capsys, "correlate", *there, "--with", "strength_mpa")
    assert "rho" in out
    assert "small numbers" in err
    with pytest.raises(UsageError, match="no mechanical property"):
        run(capsys, "correlate", *there, "--with", "remark")
    with pytest.raises(NotFoundError, match="cycles_to_failure is known"):
        run(capsys, "correlate", *there, "--with", "cycles_to_failure")


def test_particles_at_a_fracture_origin(written: Path, capsys: Any) -> None:
    there = ("--workspace", written)
    run(capsys, "specimens", "import", written / "tensile.csv", *there)
    out, _ = run(capsys, "fracture", "bar-03", "--radius-um", 4, *there, "--json")
    found = json.loads(out)
    assert found["scan"] == "bar-03-F-0"
    assert found["rows"]
    assert all(row["distance_um"] <= 4 for row in found["rows"])
    particles = Catalogue(written / "catalogue").read("particles", "bar-03-F-0").to_pylist()
    row = found["rows"][0]
    larger = [p for p in particles if p["phase"] == row["phase"]
              and p["volume_um3"] > row["volume_um3"]]  # fmt: skip
    assert row["volume_rank"] == 1 + len(larger)
    with pytest.raises(NotFoundError, match="bar-03"):
        run(capsys, "fracture", "bar-04", "--radius-um", 4, *there)
