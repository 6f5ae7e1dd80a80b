"""Parts of a report: density of axes, bodies cut out, coarse levels, a source used in place."""

import numpy as np
import pytest
import zarr
from scipy.special import dawsn

from pipeline.kernels.concentration import hemisphere
from pipeline.report.scan import closeups, meetings, orientations, sections
from pipeline.report.scan.closeups import _title as entitle
from pipeline.report.scan.evidence import gather_evidence
from pipeline.report.scan.meetings import show_meetings
from pipeline.report.scan.orientations import CONCENTRATION, density_of
from pipeline.report.scan.samples import show_sizes
from pipeline.report.scan.volumes import open_scan
from pipeline.run import run
from pipeline.stores.volume import open_volume


def test_axes_without_preference_have_density_one_and_a_bundle_has_a_peak():
    directions = hemisphere(900)
    rng = np.random.default_rng(2)
    axes = rng.normal(size=(20_000, 3))
    axes /= np.sqrt((axes * axes).sum(1, keepdims=True))
    even = density_of(axes, directions)
    assert even == pytest.approx(np.ones(900), abs=0.1)
    bundle = density_of(np.array([[0.0, 0.0, 1.0]]), directions)
    assert bundle.mean() == pytest.approx(1.0)
    angle = np.arccos(np.abs(directions[:, 2]))
    # The mean of exp(k (c^2 - 1)) over the sphere is Dawson's integral of sqrt k over sqrt k.
    root = np.sqrt(CONCENTRATION)
    peak = root / dawsn(root) * np.exp(-(root**2) * np.sin(angle.min()) ** 2)
    assert bundle[angle.argmin()] == pytest.approx(peak, rel=0.02)
    assert bundle[angle > 1.2].max() < 0.01


def test_a_net_of_enough_axes_is_shaded(whole, monkeypatch):
    monkeypatch.setattr(orientations, "FEWEST_FOR_DENSITY", 5)
    figure = orientations.show_orientations(whole).figure
    figure.draw_without_rendering()
    scales = [axes for axes in figure.axes if axes.get_ylabel() == "density / even"]
    enough = [name for name in whole.counted if whole.number(name, "orientation_zz")["n"] >= 5]
    assert len(scales) == len(enough) > 0


def test_a_body_is_cut_where_most_of_it_is_seen(strange):
    volume = open_scan(strange)
    columns = strange.columns("single")
    row = {name: values[0] for name, values in columns.items()}
    cuts, level = closeups.cut_body(strange, volume, "single", row)
    assert level == 0
    # 4 x 10 x 3 voxels from (20, 20, 22): sections of 30, 12 and 40 voxels, planes of 2 um.
    assert [int(cut.body.sum()) for cut in cuts] == [30, 12, 40]
    assert [cut.position_um for cut in cuts] == [41.0, 41.0, 45.0]
    for cut in cuts:
        assert cut.grey.shape == cut.body.shape == cut.there.shape
        assert cut.grey.shape[0] == cut.grey.shape[1]
        assert (cut.grey[cut.body] == 70).all()
        assert (cut.grey[~cut.there] == 0).all()


def test_pictures_of_large_scans_come_from_coarse_levels(whole, monkeypatch):
    monkeypatch.setattr(sections, "LONGEST_VX", 40)
    monkeypatch.setattr(closeups, "LONGEST_VX", 8)
    for plate in sections.show_sections(whole):
        assert plate.numbers["level"] == 1
        assert plate.numbers["pixel_um"] == [4.0, 4.0]
        assert "1/2 of the scan's resolution" in plate.caption
    plate = closeups.show_largest(whole)[1]
    assert plate.figure is not None
    assert all(body["level"] >= 1 for body in plate.numbers["bodies"])


def test_a_section_counts_the_pixels_that_it_shows(whole):
    plate = sections.show_sections(whole)[0]
    stored = open_volume(whole.workspace / "scans" / "bar.zarr" / "labels" / "phases" / "0")
    shown = stored[plate.numbers["plane_vx"]]
    wanted = {name: int((shown == i).sum()) for i, name in enumerate(whole.names)}
    assert plate.numbers["n_pixels"] == wanted
    assert plate.numbers["position_um"] == 2.0 * plate.numbers["plane_vx"] + 1.0


def test_a_source_that_is_used_in_place_is_drawn_without_it(tmp_path, plan_job):
    rng = np.random.default_rng(1)
    grey = np.where(rng.random((64, 64, 64)) < 0.5, 100, 30).astype(np.uint8)
    grey[10:20, 10:40, 10:40] = 200
    array = zarr.create_array(
        tmp_path / "s.zarr", shape=grey.shape, dtype="u1", chunks=(32, 32, 32)
    )
    array[...] = grey
    recipe = {
        "name": "one",
        "condition": {"mask": "none", "flatten": "none", "denoise": {"method": "none"}},
        "segment": {"method": "manual", "thresholds": [150], "edges": "plain"},
        "phases": [
            {"name": "matrix", "kind": "background"},
            {"name": "plate", "kind": "particles", "min_voxels": 1},
        ],
    }
    tile = "tiling.tile_shape=[32, 32, 32]"
    run(plan_job(tmp_path, tmp_path / "s.zarr", recipe, tile, in_place=True).path)
    (tmp_path / "s.zarr").rename(tmp_path / "elsewhere.zarr")
    evidence = gather_evidence(tmp_path, "scan")
    assert open_scan(evidence).levels.start == 1
    (plate,) = closeups.show_largest(evidence)
    assert plate.absent == ""
    assert plate.numbers["bodies"][0]["level"] == 1
    assert all(plate.figure is not None for plate in sections.show_sections(evidence))
    assert "one phase only" in show_meetings(evidence).absent
    assert show_sizes(evidence).figure is not None


def test_an_end_of_association_that_is_not_told_is_an_arrow():
    numbers = {"contact_share": None, "contact_share_expected": None}
    for quantity, high in (("contact", 3.0), ("meeting", None)):
        numbers |= {f"{quantity}_ratio": 2.0, f"{quantity}_ratio_low": 1.5,
                    f"{quantity}_ratio_high": high, f"{quantity}_p_value": 0.01}  # fmt: skip
    axes = meetings._draw({"pore at iron-rich": numbers}, {"pore at iron-rich": "red"}).axes[0]
    arrows = [line for line in axes.lines if line.get_marker() in ("<", ">")]
    assert [(a.get_marker(), a.get_xdata()[0]) for a in arrows] == [(">", 5.0)]
    low, high = axes.get_xlim()
    assert low < 1.5
    assert 5.0 < high < 10.0


def test_a_close_up_says_by_what_its_body_is_cut():
    row = {"particle_id": 1, "volume_um3": 8.0, "feret_max_um": None, "shape_class": None}
    both = {"touches_border": True, "touches_mask_edge": True}
    assert entitle("pore", row | both).endswith(", cut by the border")
    assert entitle("pore", row | both | {"touches_border": False}).endswith(", cut by the mask")
