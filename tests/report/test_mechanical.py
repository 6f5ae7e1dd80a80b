import numpy as np

from pipeline.report.mechanical import Scatter, draw_correlations, draw_scatters


def row(**more):
    return {"property": "elongation_percent", "phase": "iron-rich", "quantity": "feret_max_um",
            "reference": "", "measure": "q90", "unit": "um", "rho": -0.8, "rho_low": -0.95,
            "rho_high": -0.3, "q_value": 0.02, **more}  # fmt: skip


def test_a_point_is_a_specimen():
    values = np.arange(5.0)
    names = [f"bar-{i}" for i in range(5)]
    figure = draw_scatters([Scatter(row(), values, 3 - values / 2, names)], "elongation")
    axes = figure.axes[0]
    assert len(axes.lines[0].get_xdata()) == 5
    assert [text.get_text() for text in axes.texts] == names
    assert axes.get_xlabel() == "feret max, q90 (µm)"
    assert axes.get_ylabel() == "elongation (%)"
    assert axes.get_title(loc="right") == "ρ = -0.80, q = 0.02"
    crowd = Scatter(row(), np.ones(30), np.ones(30), [str(i) for i in range(30)])
    assert len(draw_scatters([crowd]).axes[0].texts) == 1


def test_correlations_without_an_interval_are_points():
    figure = draw_correlations([row(), row(rho=1.0, rho_low=None, rho_high=None, q_value=0.2)])
    lines = figure.axes[0].lines
    assert len([line for line in lines if line.get_marker() == "o"]) == 2
    assert len(lines) == 1 + 2 + 1
