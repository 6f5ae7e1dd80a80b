"""The report of a scan as files: whole, self-contained, equal to the catalogue in its numbers."""

import json
import math
import shutil

import pyarrow.csv as pacsv
import pyarrow.parquet as pq
import pytest
from lxml import etree
from PIL import Image

from pipeline.errors import NotFoundError, StoreError
from pipeline.report.scan.dossier import FORMATS, list_sections, write_report
from pipeline.report.scan.evidence import gather_evidence


@pytest.fixture(scope="module")
def written(workspace):
    return write_report(workspace, "bar")


@pytest.fixture(scope="module")
def page(written):
    # Strict: what is not well-formed raises.
    parser = etree.XMLParser(no_network=True, resolve_entities=False)
    return etree.fromstring(written[0].read_bytes(), parser)


def test_a_report_is_a_page_figures_twice_tables_twice_and_numbers(written, workspace):
    folder = workspace / "reports" / "bar"
    assert written[0] == folder / "report.html"
    assert sorted(p for p in folder.rglob("*") if p.is_file()) == sorted(written)
    assert {p.suffix[1:] for p in written} == set(FORMATS)
    pictures = {p.stem for p in written if p.suffix == ".png"}
    assert pictures == {
        "section-z", "section-y", "section-x", "grey-levels", "fractions", "sizes", "extremes",
        "representative-volume", "orientations", "association",
        "largest-pore", "largest-iron-rich", "largest-copper-rich",
    }  # fmt: skip
    assert pictures == {p.stem for p in written if p.suffix == ".svg"}


def test_the_page_needs_nothing_outside_it(page):
    assert len(page.findall(".//img")) == 13
    for element in page.iter():
        for name in ("src", "href", "action", "data", "srcset"):
            assert element.get(name, "data:").startswith("data:")
    assert not page.findall(".//script") + page.findall(".//link") + page.findall(".//iframe")
    style = page.findtext(".//style")
    assert "url(" not in style
    assert "@import" not in style


def test_what_people_stated_is_shown_as_text(page, whole):
    told = "".join(page.itertext())
    assert whole.scan["specimen"].startswith("<b>")
    assert whole.scan["specimen"] in told
    assert not page.findall(".//b[.='bracket']")


def test_the_page_names_identity_and_cautions(page, whole):
    told = "".join(page.itertext())
    for fact in ("recipe_hash", "source_checksum", "code_version", "job"):
        assert whole.scan[fact] in told
    for word in ("To mind", "Contrast of pairs", "10 to 90 %", "licensed engineers"):
        assert word in told
    assert f"version {whole.version} of the catalogue" in told
    assert "nan" not in told.lower().split()
    assert "None" not in told


def test_pictures_show_something(written):
    for path in written:
        if path.suffix == ".png":
            with Image.open(path) as picture:
                assert min(picture.size) > 250
                colours = picture.convert("RGB").getcolors(1 << 24)
            assert len(colours) > 50, path
        if path.suffix == ".svg":
            drawing = etree.parse(path).getroot()
            assert drawing.tag.endswith("svg")
            for element in drawing.iter("*"):
                place = element.get("{http://www.w3.org/1999/xlink}href", "#")
                assert place.startswith(("#", "data:"))


def test_numbers_of_figures_are_those_of_the_catalogue(written, whole):
    told = json.loads(written[1].read_bytes())
    assert (told["scan"], told["catalogue_version"]) == ("bar", whole.version)
    figures = {name: figure["numbers"] for name, figure in told["figures"].items()}
    for name in whole.counted:
        fraction = whole.number(name, "volume_fraction")
        drawn = figures["fractions"][name]
        assert {k: drawn[k] for k in ("value", "low", "high")} == {
            k: fraction[k] for k in ("value", "low", "high")
        }
        classes = whole.curve(name, "diameter_class_density_mm3")
        assert figures["sizes"][name]["density_mm3"] == [row["value"] for row in classes]
        density = whole.number(name, "number_density_mm3")
        if classes:
            assert math.fsum(figures["sizes"][name]["density_mm3"]) == pytest.approx(
                density["value"], rel=1e-8
            )
            assert sum(figures["sizes"][name]["n_whole"]) == density["n"]
        scatter = whole.curve(name, "volume_fraction_scatter")
        assert figures["representative-volume"][name]["relative_sd"] == [
            r["value"] for r in scatter
        ]
        maxima = whole.curve(name, "sqrt_area_maximum_um")
        assert figures["extremes"][name]["maxima_um"] == [row["value"] for row in maxima]
        tensor = whole.number(name, "orientation_zx")
        assert figures["orientations"][name]["orientation_zx"] == tensor["value"]
        assert figures["orientations"][name]["n"] == tensor["n"]
    pair = figures["association"]["copper-rich at iron-rich"]
    contact = whole.number("copper-rich", "contact_ratio", "iron-rich")
    assert pair["contact_ratio"] == contact["value"]
    expected = whole.number("copper-rich", "contact_share_expected", "iron-rich")["value"]
    assert pair["contact_share"] / expected == pytest.approx(contact["value"], rel=1e-8)
    assert sum(figures["grey-levels"]["n_voxels"]) == whole.scan["n_voxels_mask"]
    largest = figures["largest-iron-rich"]["bodies"]
    volumes = sorted(whole.columns("iron-rich")["n_voxels"].tolist())
    assert [body["n_voxels"] for body in largest] == volumes[-3:][::-1]


def test_tables_are_the_same_in_both_formats(written, whole):
    by_name = {(p.stem, p.suffix): p for p in written}
    for name in ("identity", "quality", "contrast", "phases", "headlines"):
        rows = pq.read_table(by_name[name, ".parquet"])
        text = pacsv.read_csv(by_name[name, ".csv"])
        assert rows.num_rows == text.num_rows > 0
        assert rows.column_names == text.column_names
    phases = pq.read_table(by_name["phases", ".parquet"]).to_pylist()
    assert [p["volume_fraction"] for p in phases] == [p["volume_fraction"] for p in whole.phases]
    contrast = pq.read_table(by_name["contrast", ".parquet"]).to_pylist()
    matrix = [row for row in contrast if "matrix" in (row["dark"], row["bright"])]
    wanted = [p["cnr_matrix"] for p in whole.phases if p["phase"] != "matrix"]
    assert [row["cnr_after"] for row in matrix] == pytest.approx(wanted)


def test_odd_phases_are_drawn_or_say_why_not(workspace, strange, tmp_path):
    written = write_report(workspace, "odd", tmp_path, ("html", "json"))
    assert [p.name for p in written] == ["report.html", "figures.json"]
    told = "".join(etree.fromstring(written[0].read_bytes()).itertext())
    figures = json.loads(written[1].read_bytes())["figures"]
    assert figures["largest-absent"]["absent"] == "the phase has no particle"
    assert len(figures["largest-speck"]["numbers"]["bodies"]) == 1
    assert figures["largest-network"]["absent"] is None
    assert figures["extremes"]["absent"]
    assert figures["sizes"]["numbers"]["single"]["n_whole"] == [1]
    assert "spans z, y, x: its size is that of the field" in told
    assert "the whole volume was searched: no air was masked" in told
    for name, figure in figures.items():
        assert bool(figure["caption"]) != bool(figure["absent"]), name


def test_what_is_gone_is_said_and_the_rest_is_shown(workspace, tmp_path):
    shutil.copytree(workspace / "catalogue", tmp_path / "catalogue")
    evidence = gather_evidence(tmp_path, "bar")
    plates = {p.name: p for section in list_sections(evidence) for p in section.plates}
    assert "histogram" in plates["grey-levels"].absent
    assert "does not hold the labels" in plates["section-z"].absent
    assert plates["largest-pore"].absent
    assert plates["fractions"].figure is not None


def test_a_scan_that_is_not_there_and_a_folder_that_cannot_be_written(workspace, tmp_path):
    with pytest.raises(NotFoundError, match="nope"):
        write_report(workspace, "nope")
    with pytest.raises(NotFoundError):
        write_report(tmp_path / "nowhere", "bar")
    (tmp_path / "file").touch()
    with pytest.raises(StoreError):
        write_report(workspace, "odd", tmp_path / "file", ("csv",))
