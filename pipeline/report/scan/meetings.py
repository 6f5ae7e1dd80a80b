"""Whether phases lie at one another more often than by chance."""

from __future__ import annotations

from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from pipeline.report.scan.evidence import Evidence, Plate
from pipeline.report.scan.panels import name_ticks, rule
from pipeline.report.style import INK, QUIET, styled

QUANTITIES = {"contact": ("o", "touching it"), "meeting": ("s", "near it")}
"""Ratios that are drawn: their markers, and what they are called."""

OPEN = 2.5
"""Length of an arrow, as a ratio."""


def show_meetings(evidence: Evidence) -> Plate:
    """Return contacts and neighbourhoods of every pair of counted phases, over chance.

    Parameters
    ----------
    evidence : Evidence
        The scan.

    Returns
    -------
    Plate
        One row for each ordered pair; absent with fewer than two phases that were found.
    """
    plate = Plate("association", "Which phases lie together")
    pairs = [(a, b) for a in evidence.counted for b in evidence.counted if a != b]
    if not pairs:
        plate.absent = "the recipe counts bodies of one phase only"
        return plate
    for subject, other in pairs:
        plate.numbers[f"{subject} at {other}"] = _numbers_of(evidence, subject, other)
    drawn = [
        pair for pair in pairs
        if any(plate.numbers[f"{pair[0]} at {pair[1]}"][f"{q}_ratio"] for q in QUANTITIES)
    ]  # fmt: skip
    if not drawn:
        notes = [plate.numbers[f"{a} at {b}"]["note"] for a, b in pairs]
        plate.absent = "; ".join(dict.fromkeys(note for note in notes if note))
        return plate
    plate.caption = (
        "How many times as often as chance the first phase meets the second; 1 is chance. Discs: "
        "share of its surface that touches the second, over that of a phase put down without "
        "regard to it. Squares: how much of the second lies in blocks that hold the first, over "
        "the same after random shifts. Bars: of discs, 95 % intervals; of squares, over the 97.5 "
        "and 2.5 % quantiles of the shifts, an arrow where 2.5 % of them find nothing and there is "
        "no upper end. Filled where p is under 0.05."
    )
    shown = {f"{a} at {b}": evidence.colour(a) for a, b in drawn}
    plate.figure = _draw({name: plate.numbers[name] for name in shown}, shown)
    return plate


def _draw(shown: dict[str, dict[str, Any]], colours: dict[str, str]) -> Figure:
    with styled():
        figure = Figure(figsize=(9.2, 1.1 + 0.52 * len(shown)), layout="constrained")
        axes = figure.subplots()
        axes.set_xscale("log")
        for place, (name, numbers) in enumerate(shown.items()):
            _paint_pair(axes, place, numbers, colours[name])
        axes.axvline(1.0, color=INK, lw=0.9)
        axes.set(ylim=(len(shown) - 0.4, -0.6), xlabel="times as often as chance")
        low, high = axes.get_xlim()
        axes.set_xlim(max(min(low, 0.5), 1e-3), min(max(high, 2.0), 1e3))
        axes.set_yticks(range(len(shown)), list(shown))
        right = axes.twinx()
        right.set_ylim(axes.get_ylim())
        told = [_touching(numbers) for numbers in shown.values()]
        right.set_yticks(range(len(shown)), told, fontsize=7.5)
        for side in (axes, right):
            side.tick_params(axis="y", length=0)
        name_ticks(axes)
        rule(axes, "x")
        handles = [
            Line2D([], [], ls="none", marker=marker, ms=6, color=QUIET, label=words)
            for marker, words in QUANTITIES.values()
        ]
        figure.legend(handles=handles, loc="outside lower center", ncols=2)
    return figure


def _numbers_of(evidence: Evidence, subject: str, other: str) -> dict[str, Any]:
    numbers: dict[str, Any] = {}
    for quantity in QUANTITIES:
        ratio = evidence.number(subject, f"{quantity}_ratio", other)
        numbers |= {
            f"{quantity}_ratio": ratio["value"],
            f"{quantity}_ratio_low": ratio["low"],
            f"{quantity}_ratio_high": ratio["high"],
            f"{quantity}_p_value": evidence.number(subject, f"{quantity}_p_value", other)["value"],
        }
        if ratio["value"] is None:
            numbers["note"] = ratio["note"]
    for name in ("contact_share", "contact_share_expected", "distance_ratio", "distance_p_value"):
        numbers[name] = evidence.number(subject, name, other)["value"]
    return {**numbers, "note": numbers.get("note", "")}


def _paint_pair(axes: Axes, place: int, numbers: dict[str, Any], colour: str) -> None:
    for shift, (quantity, (marker, _)) in zip((-0.13, 0.13), QUANTITIES.items(), strict=True):
        value = numbers[f"{quantity}_ratio"]
        if not value:
            continue
        low, high = numbers[f"{quantity}_ratio_low"], numbers[f"{quantity}_ratio_high"]
        if low is not None or high is not None:
            # An end that is not known is an arrow, as long for all.
            ends = [low or value / OPEN, high or value * OPEN]
            axes.plot(ends, [place + shift] * 2, color=colour, lw=1.3)
            for end, told, head in zip(ends, (low, high), "<>", strict=True):
                if not told:
                    axes.plot(end, place + shift, head, color=colour, ms=4.5)
        p_value = numbers[f"{quantity}_p_value"]
        clear = p_value is not None and p_value < 0.05
        axes.plot(value, place + shift, marker, ms=6.5, mfc=colour if clear else "white",
                  mec=INK if clear else colour, mew=0.7 if clear else 1.2)  # fmt: skip


def _touching(numbers: dict[str, Any]) -> str:
    share, chance = numbers["contact_share"], numbers["contact_share_expected"]
    if share is None or chance is None:
        return ""
    return f"{100 * share:.2g} % of its surface touches,\nby chance {100 * chance:.2g} %"
