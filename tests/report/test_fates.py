"""Pictures of fates: every fate is told apart, lines surround bodies, bands hold volumes."""

import numpy as np
from matplotlib.patches import PathPatch, Rectangle

from pipeline.analysis.fates import FATES
from pipeline.report.fates import FATE_LINES, draw_slices, draw_volumes


def test_every_fate_has_a_line_of_its_own() -> None:
    assert set(FATE_LINES) == set(FATES)
    lasting = [FATE_LINES[f] for f in FATES if "field" not in f]
    assert len(set(lasting)) == len(lasting)


def test_bodies_are_outlined_by_their_fate_in_both_scans() -> None:
    grey = np.random.default_rng(1).normal(100, 5, (40, 50))
    grey[:, :3] = np.nan  # beyond the scan
    fates = [np.full(grey.shape, -1, np.int8) for _ in range(2)]
    fates[0][10:20, 10:20] = FATES.index("dissolved")
    fates[0][25:35, 10:40] = fates[1][25:35, 10:24] = FATES.index("split")
    figure = draw_slices([grey, grey], fates, 2.0, ["one", "two"])
    left, right = figure.axes
    assert (len(left.collections), len(right.collections)) == (2, 1)
    names = [text.get_text() for text in figure.legends[0].get_texts()]
    assert names == ["split", "dissolved"]
    # The outline lies where the body does, in um.
    box = right.collections[0].get_paths()[0].get_extents()
    assert np.allclose([box.x0, box.y0, box.x1, box.y1], [20, 50, 48, 70], atol=1.01)


def test_bands_narrow_by_what_dissolved() -> None:
    summary = {
        "phase": "iron-rich",
        "n_bodies": 3,
        "n_by_fate": {"kept": 2, "dissolved": 1},
        "volume_before_um3": 100.0,
        "volume_after_um3": 57.0,
        "volume_by_fate_um3": {"new": 7.0},
        "dissolved_share": 0.5,
        "flow_um3": {"kept": [60.0, 50.0], "dissolved": [40.0, 0.0]},
    }
    nothing = {"volume_before_um3": 0.0}
    figure = draw_volumes([nothing, summary])
    (axes,) = figure.axes
    bars = [p for p in axes.patches if isinstance(p, Rectangle)]
    assert [round(b.get_height(), 3) for b in bars] == [0.6, 0.5, 0.4, 0.004]
    assert sum(isinstance(p, PathPatch) for p in axes.patches) == 2
    assert any("60% to 50% of the volume" in t.get_text() for t in axes.texts)
    title = axes.get_title(loc="left")
    assert title.endswith("57 after,\nof it 7 in new bodies; 50 % of the volume dissolved")
