"""The picture of offsets: an arrow a body, at its place, so long and so directed as told."""

import numpy as np
from matplotlib.quiver import Quiver

from pipeline.report.offsets import SHOWN_SHARE, draw_offsets


def test_arrows_stand_at_bodies_and_point_along_their_offsets() -> None:
    places = np.array([[10.0, 20.0, 30.0], [40.0, 50.0, 60.0], [5.0, 5.0, 90.0]])
    offsets = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, -1.0], [1.0, 0.0, 0.0]])
    figure = draw_offsets(places, offsets, np.array([50.0, 60.0, 100.0]), 0.25)
    assert figure is not None
    for axes, down in zip(figure.axes, (1, 0), strict=True):
        (arrows,) = (c for c in axes.collections if isinstance(c, Quiver))
        assert np.allclose(arrows.XY, places[:, [2, down]])
        # Enlarged so that the median arrow, of 1 um, takes its share of the width.
        assert np.allclose(arrows.U, SHOWN_SHARE * 100 * offsets[:, 2])
        assert np.allclose(arrows.V, SHOWN_SHARE * 100 * offsets[:, down])
    title = figure.get_suptitle()
    assert title.startswith("offsets of 3 bodies, 6 times enlarged\nmedian 1 µm")
    assert "error of the registration 0.25 µm" in title
