"""The demonstration through the real engine, small, and a second time in the same workspace."""

import json
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan

SCANS = ["bracket-07-F", "bracket-07-T6"]


@pytest.mark.cluster
def test_the_demonstration_runs_and_runs_again(castcensus: Any, tmp_path: Path) -> None:
    place = tmp_path / "shown"
    out, err = castcensus("demo", "--size", "96", "--workspace", place)
    assert "Census beside truth" in out
    assert all(f"castcensus {name}" in out for name in ("scans", "query", "submit", "verify"))
    assert "bodies simulated" in err
    catalogue = Catalogue(place / "catalogue")
    assert catalogue.scan_ids() == SCANS
    rows = catalogue.read("scans", SCANS[1]).to_pylist()
    assert (rows[0]["specimen"], rows[0]["temper"]) == ("bracket-07", "T6")
    check_counts(place)
    check_pictures(place / "reports" / "demo", out)
    for scan in SCANS:
        page = place / "reports" / scan / "report.html"
        assert str(page) in out
        assert f"Census of scan {scan}" in page.read_text()
    prints = [fingerprint_scan(place, scan) for scan in SCANS]

    _, err = castcensus("demo", "--size", "96", "--workspace", place)
    assert err.count("is there from before") == 2
    assert [fingerprint_scan(place, scan) for scan in SCANS] == prints
    assert catalogue.scan_ids() == SCANS


def check_counts(place: Path) -> None:
    """Hold what was found near what is true, for the phase that this size resolves best."""
    for scan in SCANS:
        phases = Catalogue(place / "catalogue").read("phases", scan).to_pylist()
        iron = next(row for row in phases if row["phase"] == "iron-rich")
        truth = json.loads((place / "demo" / scan / "truth.json").read_bytes())
        fraction = truth["volume_fractions"]["iron-rich"]
        assert iron["volume_fraction"] == pytest.approx(fraction, rel=0.35)
        assert iron["n_particles"] > 0


def check_pictures(folder: Path, out: str) -> None:
    names = {"overview.png", "sizes.png"}
    names |= {f"{kind}-{scan}.png" for kind in ("slice", "histogram") for scan in SCANS}
    assert {path.name for path in folder.iterdir()} == names
    for name in names:
        assert str(folder / name) in out
        with Image.open(folder / name) as picture:
            picture.verify()
            assert min(picture.size) > 300


def test_a_specimen_too_small_to_show_anything_is_refused(castcensus: Any) -> None:
    _, err = castcensus("demo", "--size", "16", status=2)
    assert "64" in err
