"""Figures of comparisons and correlations: what is shown, and where the files go."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np

from flows.jobs.comparison import SHOWN_MEASURES, GroupAnswer, surprise
from flows.jobs.mechanical import CorrelationAnswer
from pipeline.analysis.comparison import FEWEST
from pipeline.analysis.designs import make_contrast
from pipeline.analysis.effects import difference
from pipeline.analysis.measures import Quantity
from pipeline.analysis.profiles import SHARES
from pipeline.report.groups import (
    MOST_EFFECTS,
    Panel,
    draw_distributions,
    draw_forest,
    draw_shifts,
)
from pipeline.report.mechanical import (
    Scatter,
    draw_correlations,
    draw_scatters,
    label_property,
)
from pipeline.report.style import save_figure

N_PANELS = 6
"""Descriptors whose distributions are drawn: those that chance explains least."""


def draw_groups(answer: GroupAnswer, folder: Path) -> list[Path]:
    """Draw a forest, distributions and shifts for each pair of groups, as PNG and SVG.

    Parameters
    ----------
    answer : GroupAnswer
        A comparison.
    folder : Path
        Where the files go.

    Returns
    -------
    list of Path
        The files.
    """
    rows = answer.comparison.rows.to_pylist()
    places: list[Path] = []
    for names in answer.design.contrasts:
        mine = [r for r in rows if (r["group_a"], r["group_b"]) == names]
        figures = {}
        effects = sorted((r for r in mine if r["measure"] in SHOWN_MEASURES), key=surprise)
        effects = [r for r in effects if r["ratio"] is not None or r["hedges_g"] is not None]
        if effects:
            n = " and ".join(str(max(r[f"n_{side}"] for r in effects)) for side in "ab")
            if effects[0]["design"] == "paired":
                n = f"{max(r['n_a'] for r in effects)} pairs of the same"
            title = f"{answer.design.by}: {names[0]} against {names[1]}, {n} specimens"
            figures["effects"] = draw_forest(effects[:MOST_EFFECTS], title)
        panels = choose_panels(answer, names, mine)
        if panels:
            head = f"Distributions by {answer.design.by}: thin lines are specimens"
            figures["distributions"] = draw_distributions(panels, head)
            figures["shifts"] = draw_shifts(panels, names)
        stem = re.sub(r"[^A-Za-z0-9.]+", "-", f"{names[0]}-{names[1]}").strip("-")
        for kind, figure in figures.items():
            for suffix in ("png", "svg"):
                places.append(folder / f"{kind}-{stem}.{suffix}")
                save_figure(figure, places[-1])
    return places


def draw_mechanical(answer: CorrelationAnswer, folder: Path) -> list[Path]:
    """Draw rank correlations, and the property over the quantities that go with it best.

    Parameters
    ----------
    answer : CorrelationAnswer
        Correlations.
    folder : Path
        Where the files go.

    Returns
    -------
    list of Path
        The files, PNG and SVG; none where nothing is correlated.
    """
    rows = [r for r in answer.rows.to_pylist() if r["rho"] is not None]
    rows = [r for r in rows if r["measure"] in SHOWN_MEASURES]
    rows.sort(key=lambda r: (r["p_value"], -abs(r["rho"]), r["phase"], r["quantity"]))
    if not rows:
        return []
    n = len(answer.design.units)
    name = label_property(rows[0]["property"])
    scatters = []
    for row in rows[:N_PANELS]:
        key = Quantity(*(row[field] for field in Quantity.__dataclass_fields__))
        values = answer.measured.values[:, answer.measured.quantities.index(key)]
        known = np.flatnonzero(np.isfinite(values) & np.isfinite(answer.property_))
        names = [answer.design.units[i].specimen for i in known]
        scatters.append(Scatter(row, values[known], answer.property_[known], names))
    figures = {
        "correlations": draw_correlations(rows[:MOST_EFFECTS], f"{name}, {n} specimens"),
        "scatters": draw_scatters(scatters, f"{name}, a point a specimen"),
    }
    places = []
    for kind, figure in figures.items():
        for suffix in ("png", "svg"):
            places.append(folder / f"{kind}.{suffix}")
            save_figure(figure, places[-1])
    return places


def choose_panels(
    answer: GroupAnswer, names: tuple[str, str], rows: list[dict[str, Any]]
) -> list[Panel]:
    """Return the distributions that chance explains least, with their shifts."""
    means = {(r["phase"], r["quantity"]): r for r in rows if r["measure"] == "mean"}
    found = [
        r
        for r in rows
        if r["measure"] == "distribution" and r["distance"] and r["n_a"] and r["n_b"]
    ]
    found.sort(key=lambda r: (surprise(r)[0], *surprise(means[r["phase"], r["quantity"]])[1:]))
    contrast = make_contrast(answer.design, *names)
    panels = []
    for row in found[:N_PANELS]:
        key = Quantity(*(row[name] for name in Quantity.__dataclass_fields__))
        curves = answer.measured.curves[key]
        sides = [curves[side] for side in (contrast.first, contrast.second)]
        known = [np.isfinite(side[:, 0]) for side in sides]
        if contrast.paired:
            known = [known[0] & known[1]] * 2
        a, b = (side[keep] for side, keep in zip(sides, known, strict=True))
        if min(len(a), len(b)) >= FEWEST:
            moved = difference(a, b, contrast.paired)
            shift = (moved.value, moved.low, moved.high)
        else:
            none = np.full(len(SHARES), np.nan)
            shift = (b.mean(axis=0) - a.mean(axis=0), none, none)
        panels.append(
            Panel(row["phase"], row["quantity"], row["unit"], SHARES,
                  dict(zip(names, (a, b), strict=True)), shift, row["p_value"], row["distance"])
        )  # fmt: skip
    return panels
