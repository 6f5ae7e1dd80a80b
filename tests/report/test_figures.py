"""Figures: what a reader must be able to read off them."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from pipeline.model.recipe import OUTSIDE
from pipeline.report.figures import Series, draw_overview, draw_sizes
from pipeline.report.greys import draw_histogram
from pipeline.report.sizes import count_sizes, size_edges
from pipeline.report.slices import draw_section, draw_slice
from pipeline.report.style import OUTLINES, PALETTE, bar_length_um, phase_colours, save_figure

NAMES = ["pore", "matrix", "iron-rich", "copper-rich"]

# Machado, Oliveira and Fernandes, IEEE TVCG 15 (2009) 1291: full deficiencies, linear RGB.
# Taken from memory of the published tables.
DEFICIENCIES = {
    "none": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritan": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}


def lab(colour: str, deficiency: np.ndarray) -> np.ndarray:
    """Return CIE L*a*b* (D65) of a colour as somebody with a deficiency sees it."""
    rgb = np.array(to_rgb(colour))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    linear = np.clip(deficiency @ linear, 0, 1)
    to_xyz = np.array(
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ]
    )
    xyz = to_xyz @ linear / np.array([0.95047, 1.0, 1.08883])
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
def test_phases_stay_apart_for_every_eye(deficiency: str) -> None:
    seen = {name: lab(colour, DEFICIENCIES[deficiency]) for name, colour in PALETTE.items()}
    gaps = {pair: np.linalg.norm(seen[pair[0]] - seen[pair[1]]) for pair in combinations(seen, 2)}
    # A difference of 2 to 3 is the least that is seen side by side.
    assert min(gaps.values()) > 20, gaps


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
def test_outlines_stay_apart_for_every_eye_and_stand_out_from_grey(deficiency: str) -> None:
    shown = [OUTLINES[name] for name in ("pore", "iron-rich", "copper-rich")]
    seen = [lab(colour, DEFICIENCIES[deficiency]) for colour in (*shown, "#5a5a5a")]
    gaps = [np.linalg.norm(a - b) for a, b in combinations(seen, 2)]
    assert min(gaps) > 20, gaps


def test_phases_stay_apart_in_grey_print() -> None:
    lightness = [lab(PALETTE[name], np.eye(3))[0] for name in ("pore", "iron-rich", "copper-rich")]
    assert np.diff(lightness).min() > 20


def test_names_that_nobody_foresaw_get_colours_of_their_own() -> None:
    colours = phase_colours(["void", "matrix", "oxide", "carbide"])
    assert len(set(colours)) == 4


@pytest.fixture
def slices() -> tuple[np.ndarray, np.ndarray]:
    phases = np.full((40, 60), 1, np.uint8)
    phases[:4] = OUTSIDE
    phases[10:20, 10:20], phases[22:30, 30:34], phases[8, 50] = 0, 2, 3
    grey = np.array([9000, 17000, 27000, 50000])[np.minimum(phases, 3)].astype(np.uint16)
    return grey, phases


def texts(figure: Figure) -> list[str]:
    figure.draw_without_rendering()
    return [item.get_text() for item in figure.findobj(mpl.text.Text) if item.get_text()]


def test_a_slice_has_units_a_scale_bar_and_every_phase(
    slices: tuple[np.ndarray, np.ndarray],
) -> None:
    figure = draw_slice(*slices, NAMES, (2.0, 1.0), "plane 7")
    shown = texts(figure)
    assert {"x (µm)", "y (µm)", "plane 7", "outside the specimen", *NAMES} <= set(shown)
    assert "10 µm" in shown
    left = figure.axes[0]
    # 40 rows of 2 um, 60 columns of 1 um, the first row on top.
    assert left.images[0].get_extent() == [0.0, 60.0, 80.0, 0.0]
    assert left.get_aspect() == 1.0


def test_phases_are_painted_in_their_colours(slices: tuple[np.ndarray, np.ndarray]) -> None:
    image = draw_slice(*slices, NAMES, (1.0, 1.0)).axes[1].images[0]
    painted = image.to_rgba(image.get_array())
    for place, name in (((15, 15), "pore"), ((25, 31), "iron-rich"), ((8, 50), "copper-rich")):
        assert painted[place][:3] == pytest.approx(to_rgb(PALETTE[name]))
    assert painted[0, 0][:3] == pytest.approx((1, 1, 1))


def test_a_section_shows_grey_twice_and_each_outlined_phase(
    slices: tuple[np.ndarray, np.ndarray],
) -> None:
    figure = draw_section(*slices, {0: ("pore", "#6fb7e0"), 2: ("iron-rich", "#e0563c")},
                          (2.0, 1.0), "xz")  # fmt: skip
    shown = texts(figure)
    assert {"x (µm)", "z (µm)", "pore", "iron-rich"} <= set(shown)
    bare, outlined = figure.axes
    assert len(bare.images) == len(outlined.images) == 1
    assert (len(bare.collections), len(outlined.collections)) == (0, 2)
    pore = outlined.collections[0].get_paths()[0].get_extents()
    # Rows 10 to 19 of 2 um, columns 10 to 19 of 1 um.
    assert pore.extents == pytest.approx([10.0, 20.0, 20.0, 40.0])
    assert outlined.get_xlim() == (0.0, 60.0)


def test_a_specimen_that_fills_the_slice_shows_no_outside(
    slices: tuple[np.ndarray, np.ndarray],
) -> None:
    grey, phases = slices[0][4:], slices[1][4:]
    assert "outside the specimen" not in texts(draw_slice(grey, phases, NAMES, (1.0, 1.0)))


def a_series(name: str, seed: int, edges: np.ndarray | None = None) -> Series:
    rng = np.random.default_rng(seed)
    sizes = {phase: rng.lognormal(2, 0.5, 60) for phase in ("pore", "iron-rich")}
    limits = size_edges(list(sizes.values())) if edges is None else edges
    return Series(name, {p: count_sizes(s, limits, 1e7) for p, s in sizes.items()})


def test_sizes_carry_units_counts_and_errors() -> None:
    series = [a_series("F", 1), a_series("T6", 2)]
    figure = draw_sizes(series, ["pore", "iron-rich"])
    shown = texts(figure)
    assert "equivalent diameter (µm)" in shown
    assert "particles per mm³ in a size class, as counted" in shown
    assert {"F, n = 60", "T6, n = 60"} <= set(shown)
    panel = figure.axes[0]
    drawn = [line for line in panel.lines if len(line.get_xdata())]
    histogram = series[0].histograms["pore"]
    density = drawn[0].get_ydata()
    assert density[~np.isnan(density)] == pytest.approx(histogram.density_mm3[histogram.counts > 0])
    low, high = panel.get_ylim()
    assert low < 1 / 0.01
    assert high > max(s.histograms["pore"].interval_mm3[1].max() for s in series)
    # Two series of one colour-blind reader: told apart by line and by marker.
    assert drawn[0].get_linestyle() != drawn[1].get_linestyle()
    assert drawn[0].get_markerfacecolor() != drawn[1].get_markerfacecolor()


def test_a_phase_without_particles_can_be_drawn() -> None:
    edges = size_edges([np.array([4.0, 9.0])])
    empty = Series("F", {"pore": count_sizes(np.array([]), edges, 1e7)})
    assert "F, n = 0" in texts(draw_sizes([empty], ["pore"]))


def test_a_histogram_shows_every_voxel_and_threshold() -> None:
    rng = np.random.default_rng(3)
    levels = np.clip(rng.normal(17500, 600, 20_000), 0, 65535).astype(int)
    histogram = np.bincount(levels, minlength=65536)
    figure = draw_histogram(histogram, [40.0, 80.0], NAMES[:3], 0.01, -100.0)
    (stairs,) = [p for p in figure.axes[0].patches if isinstance(p, mpl.patches.StepPatch)]
    values, edges, _ = stairs.get_data()
    assert values[values >= 1].sum() == 20_000
    assert edges[0] == pytest.approx(levels.min() * 0.01 - 100)
    at = {float(line.get_xdata()[0]) for line in figure.axes[0].lines}
    assert at == {40.0, 80.0}
    assert set(NAMES[:3]) <= set(texts(figure))


def test_a_saved_figure_has_the_same_bytes_again(
    slices: tuple[np.ndarray, np.ndarray], tmp_path: Path
) -> None:
    for name in ("a.png", "b.png"):
        figure = draw_overview(*slices, NAMES, (1.0, 1.0), [a_series("F", 1)], "pore")
        save_figure(figure, tmp_path / "new" / name)
    first, second = ((tmp_path / "new" / name).read_bytes() for name in ("a.png", "b.png"))
    assert first == second
    assert first.startswith(b"\x89PNG")


def test_drawing_leaves_matplotlib_as_it_was(slices: tuple[np.ndarray, np.ndarray]) -> None:
    before = dict(mpl.rcParams)
    draw_slice(*slices, NAMES, (1.0, 1.0))
    assert dict(mpl.rcParams) == before


@pytest.mark.parametrize(("width", "bar"), [(100.0, 20.0), (51.2, 10.0), (4096.0, 1000.0)])
def test_scale_bars_are_round(width: float, bar: float) -> None:
    assert bar_length_um(width) == bar


def test_a_size_class_without_a_particle_breaks_the_line() -> None:
    edges = 10.0 ** (np.arange(4) / 10)
    sizes = {"pore": count_sizes(np.array([1.1, 1.1, 1.8]), edges, 1e7)}
    (panel,) = draw_sizes([Series("F", sizes)], ["pore"]).axes
    line = next(line for line in panel.lines if len(line.get_ydata()) == 3)
    assert np.isnan(line.get_ydata()).tolist() == [False, True, False]
    assert "as counted" in panel.get_ylabel()
