"""Pictures of stress: the projection keeps areas, and the caution stands on each."""

import numpy as np
from matplotlib.text import Text

from pipeline.kernels.concentration import hemisphere
from pipeline.model.stress import CAUTION
from pipeline.report.directions import draw_directions, draw_stressed, project
from pipeline.report.style import save_figure


def test_equal_areas_stay_equal():
    points = project(hemisphere(20_000))
    radius = np.hypot(points[:, 0], points[:, 1])
    assert radius.max() <= 1.0
    for r in (0.25, 0.5, 0.8):
        assert np.mean(radius < r) == np.clip(np.mean(radius < r), r * r - 2e-3, r * r + 2e-3)
    np.testing.assert_allclose(project(np.array([[-0.6, 0.0, 0.8]])), [[-0.8 / 1.6**0.5, 0.0]])


def said(figure):
    texts = [t.get_text() for t in figure.findobj(Text)]
    return " ".join(" ".join(t.split()) for t in texts)


def test_pictures_carry_the_caution(tmp_path):
    directions = hemisphere()
    figure = draw_directions(1 + directions[:, 2] ** 2, (0, 0, 1), (1, 0, 0), "a particle")
    save_figure(figure, tmp_path / "map.png", dpi=40)
    assert CAUTION in said(figure)
    assert "a particle" in said(figure)
    inside = np.zeros((6, 14, 14), bool)
    inside[1:5, 1:13, 1:13] = True
    field = {
        "inside": inside,
        "stress": np.linspace(1, 2, int(inside.sum()), dtype=np.float32),
        "voxel_um": np.ones(3),
        "origin_um": np.zeros(3),
        "direction": np.array([0.0, 0.0, 1.0]),
    }
    figure = draw_stressed(field, "a particle")
    save_figure(figure, tmp_path / "surface.png", dpi=40)
    assert CAUTION in said(figure)
    assert (tmp_path / "surface.png").stat().st_size > 2000


def test_a_factor_that_is_the_same_everywhere_is_drawn(tmp_path):
    save_figure(draw_directions([1.0] * 400, (1, 0, 0), (1, 0, 0), "flat"), tmp_path / "f.png", 40)
