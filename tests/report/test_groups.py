import numpy as np
import pytest

from pipeline.report.groups import Panel, draw_distributions, draw_forest, draw_shifts, spell
from pipeline.report.style import save_figure

SHARES = np.arange(1, 40) / 40


def panel(n_a, n_b, **more):
    base = np.exp(2 * SHARES)
    groups = {"F": np.stack([base + i for i in range(n_a)]),
              "T6": np.stack([0.7 * base + i for i in range(n_b)])}  # fmt: skip
    shift = (-0.3 * base, -0.4 * base, -0.2 * base)
    return Panel("iron-rich", "feret_max_um", "um", SHARES, groups, shift, **more)


def effect(quantity, ratio, g, **more):
    numbers = {"ratio": ratio, "hedges_g": g, "p_value": 0.01, "q_value": 0.03}
    ends = {
        f"{name}_{end}": None if value is None else value * by
        for name, value in (("ratio", ratio), ("hedges_g", g))
        for end, by in (("low", 0.8), ("high", 1.2))
    }
    key = {"group_a": "F", "group_b": "T6", "phase": "iron-rich", "reference": "",
           "measure": "mean", "unit": "um"}  # fmt: skip
    return {"quantity": quantity, **key, **numbers, **ends, **more}


def test_thin_lines_are_specimens_and_thick_ones_groups():
    figure = draw_distributions([panel(3, 2, p_value=0.02), panel(3, 2)], "by temper")
    axes = figure.axes[0]
    widths = [line.get_linewidth() for line in axes.lines]
    assert (widths.count(0.6), widths.count(2.2)) == (5, 2)
    styles = {line.get_linestyle() for line in axes.lines if line.get_linewidth() == 2.2}
    assert len(styles) == 2
    assert axes.get_xlabel() == "feret max (µm)"
    assert axes.get_title(loc="right") == "p = 0.02"
    texts = [text.get_text() for text in figure.legends[0].get_texts()]
    assert texts == ["F, 3 specimens", "T6, 2 specimens"]


def test_shifts_have_a_band_where_specimens_tell_it():
    drawn = draw_shifts([panel(3, 2)], ("F", "T6"))
    assert len(drawn.axes[0].collections) == 1
    none = np.full(39, np.nan)
    alone = panel(1, 1)
    alone = Panel(*(getattr(alone, n) for n in ("phase", "quantity", "unit", "shares", "groups")),
                  shift=(alone.shift[0], none, none))  # fmt: skip
    drawn = draw_shifts([alone], ("F", "T6"))
    assert not drawn.axes[0].collections
    assert "too few specimens" in drawn.get_suptitle()


def test_a_forest_has_a_row_for_each_effect(tmp_path):
    rows = [effect("volume_um3", 0.5, -2.0, unit="um3"), effect("solidity", 1.1, 0.3, unit="1",
            q_value=0.4), effect("contact_share", 2.0, None, reference="pore", measure="value",
            unit="1", q_value=None)]  # fmt: skip
    figure = draw_forest(rows, "F against T6")
    assert [t.get_text() for t in figure.axes[0].get_yticklabels()] == [
        "volume, mean",
        "solidity, mean",
        "contact share, pore",
    ]
    markers = [line for line in figure.axes[0].lines if line.get_marker() == "o"]
    assert [m.get_markerfacecolor() == "white" for m in markers] == [False, True, True]
    assert len(figure.axes) == 2
    for name in ("a.png", "a.svg", "b.svg"):
        save_figure(draw_forest(rows, "F against T6"), tmp_path / name)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()


def test_every_colour_of_a_forest_is_named():
    rows = [{**effect("volume_fraction", 1.1, None), "phase": phase} for phase in
            ("matrix", "pore", "")]  # fmt: skip
    (legend,) = draw_forest(rows).legends
    assert [t.get_text() for t in legend.get_texts()] == ["matrix, whole scan", "pore"]


def test_a_specimen_of_one_particle_is_dotted():
    made = panel(2, 2)
    made.groups["F"][0] = 7.0
    lines = draw_distributions([made]).axes[0].lines
    assert [line.get_linestyle() for line in lines[:4]] == [":", "-", "-", "-"]


def test_without_scatter_there_is_no_panel_of_effects():
    assert len(draw_forest([effect("volume_um3", 0.5, None)]).axes) == 1


@pytest.mark.parametrize(
    ("name", "unit", "words"),
    [("number_density_mm3", "1/mm3", "number density"), ("n_particles", "1", "n particles")],
)
def test_names_in_words(name, unit, words):
    assert spell(name, unit) == words
