"""The command that says what a scan can show."""

import csv
import io
from typing import Any

import pytest

from flows.cli.main import load_command
from pipeline.errors import UsageError


def test_contrast_before_the_scan(castcensus: Any) -> None:
    out, err = castcensus(
        "contrast",
        "--energy-kev",
        60,
        "--diameter-mm",
        4,
        "--noise-percent",
        10,
        "--thickness-um",
        6,
    )
    assert "Al4.5FeSi" in out
    assert "matrix and silicon differ by 0.4 %" in out
    assert "by shape, not by grey" in out
    assert "voxels of 2 um or less" in out
    assert "2000 across the specimen" in out
    assert "radiation-protection" in err


def test_json_holds_every_number(castcensus: Any) -> None:
    facts = castcensus.json("contrast", "--energy-kev", 30, "--tube-kv", 120, "--diameter-mm", 2)
    assert [beam["beam"] for beam in facts["beams"]] == ["30 keV", "120 kV, 1 mm Al"]
    first = facts["beams"][0]
    assert first["phases"][0]["attenuation_cm"] == pytest.approx(3.045, rel=5e-3)
    assert first["transmission"] == pytest.approx(0.544, abs=2e-3)
    assert first["noise_sd_cm"] is None
    assert facts["needed_voxel_um"] is None


def test_csv_of_the_default_energies_with_photons_and_a_further_phase(castcensus: Any) -> None:
    out, _ = castcensus(
        *("contrast", "--diameter-mm", 2, "--photons", 20000, "--projections", 1500),
        *("--voxel-um", 2, "--material", "Mg2Si=Mg2Si@1.99", "--csv"),
    )
    rows = list(csv.DictReader(io.StringIO(out)))
    assert len(rows) == 4 * 21
    assert {row["beam"] for row in rows} == {"30 keV", "40 keV", "60 keV", "80 keV"}
    assert all(float(row["cnr"]) >= 0 for row in rows)
    assert any("Mg2Si" in row["second"] for row in rows)


def test_a_voxel_too_large_for_the_platelets_is_told(castcensus: Any) -> None:
    _, err = castcensus("contrast", "--thickness-um", 3, "--voxel-um", 2)
    assert "under-resolved" in err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--energy-kev", "5"], "10 to 500 keV"),
        (["--filter", "Cu:0.5"], "--tube-kv"),
        (["--tube-kv", "100", "--filter", "Cu"], "ELEMENT:MM"),
        (["--photons", "1000"], "--projections"),
        (["--projections", "1000"], "--photons"),
        (["--photons", "1000", "--projections", "9", "--voxel-um", "2"], "diameter"),
        (["--material", "x"], "FORMULA"),
        (["--material", "pore=Al@1"], "otherwise"),
        (["--material", "x=Zz@1"], "formula"),
    ],
)
def test_what_cannot_be_meant(arguments: list[str], says: str, capsys: Any) -> None:
    # In this process: what an error looks like on the terminal is tested for all commands alike.
    with pytest.raises(UsageError) as caught:
        load_command("contrast").main(arguments, standalone_mode=False)
    assert says in str(caught.value)
    assert capsys.readouterr().out == ""
