import numpy as np
import pytest
from matplotlib.collections import PolyCollection

from pipeline.kernels.surface import mesh_surface
from pipeline.report.style import save_figure
from pipeline.report.surfaces import (
    RISING,
    SIGNED,
    Shown,
    draw_sheet,
    draw_surface,
    look_at,
    value_limits,
)

LOAD = (1.0, 0.0, 0.0)


@pytest.fixture(scope="module")
def plate():
    return mesh_surface(np.ones((20, 3, 20), bool), (1.0, 1.0, 1.0))


def lightness(colours):
    linear = np.where(colours <= 0.04045, colours / 12.92, ((colours + 0.055) / 1.055) ** 2.4)
    y = linear @ [0.2126729, 0.7151522, 0.0721750]
    return 116 * np.cbrt(y) - 16


def test_colours_step_in_lightness():
    rising = lightness(RISING(np.linspace(0, 1, 64))[:, :3])
    assert np.diff(rising).min() > 0
    assert rising[-1] - rising[0] > 65
    signed = lightness(SIGNED(np.linspace(0, 1, 65))[:, :3])
    assert np.diff(signed[:33]).min() > 0
    assert np.diff(signed[32:]).max() < 0


def test_a_view_is_a_frame_with_the_load_axis_up(plate):
    for load in (LOAD, (0.0, 1.0, 0.0), (0.0, 0.6, 0.8)):
        frame = look_at(plate, load)
        assert frame @ frame.T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(frame) == pytest.approx(1)
        right, up, eye = frame @ np.array(load[::-1])
        assert right == pytest.approx(0, abs=1e-12)
        assert up == pytest.approx(np.cos(np.radians(25)))
        assert eye == pytest.approx(np.sin(np.radians(25)))


def test_a_plate_is_seen_from_its_broad_side(plate):
    # Its normal is y: of twelve turns, the nearest is at most 15 degrees off.
    eye = look_at(plate, LOAD)[2]
    assert abs(eye[1]) > np.cos(np.radians(25)) * np.cos(np.radians(15.01))


def test_the_front_is_painted_to_scale(plate):
    values = plate.vertices[:, 2]
    figure = draw_surface(Shown(plate, values, "plate"), "height in µm", LOAD)
    axes = figure.axes[0]
    triangles = axes.collections[0]
    assert isinstance(triangles, PolyCollection)
    assert 0.3 * len(plate.faces) < len(triangles.get_paths()) < 0.7 * len(plate.faces)
    bar = np.ptp(axes.lines[0].get_xdata())
    assert any(f"{bar:g} µm" == text.get_text() for text in axes.texts)
    drawn = np.concatenate([path.vertices for path in triangles.get_paths()])
    frame = look_at(plate, LOAD)
    assert np.ptp(drawn[:, 1]) == pytest.approx(np.ptp((plate.vertices @ frame.T)[:, 1]), rel=0.05)
    assert axes.get_aspect() == 1.0
    names = [text.get_text() for text in axes.child_axes[0].texts if text.get_text()]
    assert sorted(names) == ["load, z", "x", "y"]
    assert axes.get_title(loc="left") == "plate"
    # High is light: the colour of the highest tenth is brighter than that of the lowest.
    height = np.array([path.vertices[:3, 1].mean() for path in triangles.get_paths()])
    bright = triangles.get_facecolors()[:, :3].sum(1)
    high, low = np.percentile(height, (90, 10))
    assert bright[height > high].mean() > 1.5 * bright[height < low].mean()


def test_a_load_axis_between_the_axes_has_its_own_arrow(plate):
    figure = draw_surface(Shown(plate, plate.vertices[:, 0]), "x in µm", (0.0, 0.6, 0.8))
    names = [text.get_text() for text in figure.axes[0].child_axes[0].texts if text.get_text()]
    assert sorted(names) == ["load", "x", "y", "z"]


def test_a_sheet_has_one_scale_of_colours(plate, tmp_path):
    shown = [Shown(plate, np.full(len(plate.vertices), float(i)), str(i)) for i in range(6)]
    figures = [draw_sheet(shown, "number", LOAD, "six", columns=4) for _ in range(2)]
    figure = figures[0]
    panels = [axes for axes in figure.axes if axes.collections and axes.get_title(loc="left")]
    assert [axes.get_title(loc="left") for axes in panels] == list("012345")
    colours = [axes.collections[0].get_facecolors()[:, :3].sum(1).mean() for axes in panels]
    assert np.all(np.diff(colours) > 0)
    for drawn, name in zip(figures, ("a.png", "b.png"), strict=True):
        save_figure(drawn, tmp_path / name, dpi=50)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_limits(plate):
    shown = [Shown(plate, np.linspace(-1, 3, 101))]
    assert value_limits(shown, False) == pytest.approx((-0.92, 2.92))
    assert value_limits(shown, True) == pytest.approx((-2.92, 2.92))
    assert value_limits([Shown(plate, np.full(5, 2.0))], False) == (1.5, 2.5)
