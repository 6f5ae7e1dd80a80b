"""What all figures share: colours, type, scale bars, files; no pyplot, no global state.

Colours are the project's own, one a phase, the same in every figure.  They step in lightness from
pore to copper-rich, so that they stay apart in print and for the common colour-vision deficiencies
(a test simulates these); two series of one phase differ by line and marker, never by colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from typing import Any

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

PALETTE: dict[str, str] = {
    "pore": "#14364f",  # deep blue
    "matrix": "#dfe1dc",  # pale stone
    "iron-rich": "#c2452d",  # rust
    "copper-rich": "#f0b323",  # amber
}
"""Colour of each phase of the shipped recipes."""

SPARE_COLOURS = ("#2f7f86", "#7b4f9d", "#8fb339", "#a8672b", "#5b8fd6", "#d78fb0")
"""Colours of phases with other names, in the order of their positions."""

OUTLINES: dict[str, str] = {
    "pore": "#6fb7e0",  # pale blue
    "matrix": "#dfe1dc",
    "iron-rich": "#e0563c",  # bright rust
    "copper-rich": "#f6c945",  # pale amber
}
"""The same hues, light enough to be seen as thin lines on grey levels."""

OUTSIDE_COLOUR = "#ffffff"
INK = "#22272b"
QUIET = "#8a9094"

# matplotlib types the keys of its settings one by one; a plain mapping is as safe here.
STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.labelsize": 9.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "savefig.dpi": 200,
}


def phase_colours(names: Sequence[str]) -> list[str]:
    """Return the colour of each phase.

    Parameters
    ----------
    names : sequence of str
        Phases in the order of the recipe.

    Returns
    -------
    list of str
        Hexadecimal colours.

    Examples
    --------
    >>> phase_colours(["pore", "grain"])
    ['#14364f', '#7b4f9d']
    """
    return [
        PALETTE.get(name, SPARE_COLOURS[i % len(SPARE_COLOURS)]) for i, name in enumerate(names)
    ]


def outline_colours(names: Sequence[str]) -> list[str]:
    """Return the colour of each phase's outline on grey levels.

    Examples
    --------
    >>> outline_colours(["pore", "grain"])
    ['#6fb7e0', '#7b4f9d']
    """
    return [OUTLINES.get(n, c) for n, c in zip(names, phase_colours(names), strict=True)]


def bar_length_um(width_um: float) -> float:
    """Return a round length of about a fifth of a picture's width.

    Examples
    --------
    >>> bar_length_um(205.0), bar_length_um(1024.0), bar_length_um(0.9)
    (50.0, 200.0, 0.2)
    """
    wanted = width_um / 5
    power = 10.0 ** math.floor(math.log10(wanted))
    step = min((1, 2, 5, 10), key=lambda n: abs(math.log(n * power / wanted)))
    return float(f"{step * power:.6g}")


def save_figure(figure: Figure, path: Path, dpi: int = 200) -> None:
    """Write a figure as PNG or SVG without a time stamp: the same figure gives the same bytes."""
    path.parent.mkdir(parents=True, exist_ok=True)
    stamp = {"Date": None} if path.suffix == ".svg" else {"Software": None}
    with rc_context({"svg.hashsalt": "castcensus"}):
        figure.savefig(path, dpi=dpi, metadata=stamp)


def paint_png(figure: Figure, dpi: int) -> bytes:
    """Return a figure as the bytes of a PNG file without a time stamp."""
    out = BytesIO()
    figure.savefig(out, format="png", dpi=dpi, metadata={"Software": None})
    return out.getvalue()


@contextmanager
def styled() -> Iterator[None]:
    """Draw in the style of the project inside the block."""
    with rc_context(STYLE):
        yield


def add_bar(axes: Axes, width_um: float, height_um: float) -> None:
    """Add a scale bar of a round length in the lower left corner of a picture."""
    length = bar_length_um(width_um)
    x, y, thick = 0.05 * width_um, 0.95 * height_um, 0.012 * height_um
    plate = (x - 0.02 * width_um, y - 0.075 * height_um)
    size = (length + 0.04 * width_um, 0.075 * height_um + thick + 0.02 * height_um)
    axes.add_patch(Rectangle(plate, *size, color="white", alpha=0.85, lw=0, zorder=4))
    axes.add_patch(Rectangle((x, y), length, thick, color=INK, lw=0, zorder=5))
    middle = (x + length / 2, y - 0.008 * height_um)
    axes.text(*middle, f"{length:g} µm", ha="center", va="bottom", fontsize=8, zorder=5)


def plain(value: float, _place: float) -> str:
    """Write a tick without powers of ten."""
    return f"{value:g}"


def plain_some(value: float, _place: float) -> str:
    """Name the minor ticks 2 and 5 of each decade: nine would overlap."""
    digit = round(value / 10 ** math.floor(math.log10(value)))
    return f"{value:g}" if digit in (2, 5) else ""
