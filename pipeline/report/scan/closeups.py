"""The largest bodies of a scan, each cut through its middle in three directions."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from pipeline.model.grid import Box
from pipeline.report.scan.evidence import Evidence, Plate, Row, excused
from pipeline.report.scan.tables import write_number
from pipeline.report.scan.volumes import ScanVolume, open_scan
from pipeline.report.slices import grey_limits, paint_grey, paint_outline
from pipeline.report.style import QUIET, styled

N_BODIES = 3
"""Bodies that are shown of each phase."""

LONGEST_VX = 224
"""Longest edge of a body in voxels before a coarser level is read."""

MARGIN = 0.2
"""What is shown around a body on every side, as a share of its longest edge."""

TOLD = ("particle_id", "n_voxels", "volume_um3", "feret_max_um", "shape_class", "touches_border",
        "touches_mask_edge")  # fmt: skip
"""What is told of a body."""


@dataclass(frozen=True, slots=True)
class Cut:
    """A square piece of one plane, centred on a body.

    Parameters
    ----------
    position_um : float
        Place of the plane along its axis.
    grey : ndarray, shape (rows, columns)
        Grey levels; 0 where the volume ends.
    there : ndarray of bool
        Where there is any volume.
    body : ndarray of bool
        Pixels of the body.
    others : dict of int to ndarray of bool
        Pixels of each counted phase, the body left out.
    pixel_um : tuple of float
        Edges of a pixel along rows and columns.
    """

    position_um: float
    grey: NDArray[Any]
    there: NDArray[np.bool_]
    body: NDArray[np.bool_]
    others: dict[int, NDArray[np.bool_]]
    pixel_um: tuple[float, float]


def show_largest(evidence: Evidence, n: int = N_BODIES) -> list[Plate]:
    """Return the largest bodies of each counted phase.

    Parameters
    ----------
    evidence : Evidence
        The scan.
    n : int
        Bodies of each phase.

    Returns
    -------
    list of Plate
        One a phase.
    """
    plates = []
    for name in evidence.counted:
        plate = Plate(f"largest-{name}", f"The largest bodies: {name}")
        columns = evidence.columns(name)
        order = np.lexsort((columns["particle_id"], -columns["n_voxels"]))[:n]
        rows = [{key: _plain(values[i]) for key, values in columns.items()} for i in order]
        if rows:
            with excused(plate):
                _describe(evidence, open_scan(evidence), name, rows, plate)
        else:
            plate.absent = "the phase has no particle"
        plates.append(plate)
    return plates


def _plain(value: Any) -> Any:
    """Return a cell as a JSON type; an absent number is NaN in an array, and None here.

    Examples
    --------
    >>> _plain(np.float64("nan")), _plain(np.int64(3)), _plain("platelet")
    (None, 3, 'platelet')
    """
    plain = value.item() if isinstance(value, np.generic) else value
    return None if isinstance(plain, float) and math.isnan(plain) else plain


def _describe(
    evidence: Evidence, volume: ScanVolume, name: str, rows: list[Row], plate: Plate
) -> None:
    shown = [(row, *cut_body(evidence, volume, name, row)) for row in rows]
    plate.figure = _draw(evidence, name, shown)
    plate.caption = (
        "Each body cut where most of it is seen, across z, y and x, all three at one scale. Thick "
        "line: the body; thin lines: other bodies of counted phases."
    )
    plate.numbers = {
        "bodies": [
            {
                **{k: row[k] for k in TOLD},
                "level": level,
                "planes_um": [cut.position_um for cut in cuts],
            }
            for row, cuts, level in shown
        ]
    }


def _draw(evidence: Evidence, name: str, rows: list[tuple[Row, list[Cut], int]]) -> Figure:
    with styled():
        figure = Figure(figsize=(8.4, 3.05 * len(rows) + 0.55), layout="constrained")
        grid = figure.subplots(len(rows), 3, squeeze=False)
        for panels, (row, cuts, _) in zip(grid, rows, strict=True):
            limits = grey_limits(np.concatenate([cut.grey[cut.there] for cut in cuts]))
            for panel, cut, axis in zip(panels, cuts, range(3), strict=True):
                _paint_cut(panel, cut, axis, evidence, name, limits)
            panels[0].set_title(_title(name, row), loc="left", fontsize=9, fontweight="bold")
        handles = [
            Line2D([], [], color=evidence.outline(name), lw=2.2, label="the body"),
            *(
                Line2D([], [], color=evidence.outline(n), lw=1.0, label=f"other {n}")
                for n in evidence.counted
            ),
        ]
        figure.legend(handles=handles, loc="outside lower center", ncols=len(handles))
    return figure


def _title(name: str, row: Row) -> str:
    told = [f"{name} {row['particle_id']}: {write_number(row['volume_um3'], 'um3')}"]
    if row["feret_max_um"] is not None:
        told.append(f"{row['feret_max_um']:.3g} µm long")
    told += [row["shape_class"]] if row["shape_class"] else []
    told += ["cut by the border"] if row["touches_border"] else []
    told += ["cut by the mask"] if row["touches_mask_edge"] and not row["touches_border"] else []
    return ", ".join(told)


def cut_body(evidence: Evidence, volume: ScanVolume, name: str, row: Row) -> tuple[list[Cut], int]:
    """Return the cuts through a body, and the level of the pyramid that they come from.

    Parameters
    ----------
    evidence : Evidence
        The scan.
    volume : ScanVolume
        Its store.
    name : str
        Phase of the body.
    row : dict
        Its id, and its box in voxels.

    Returns
    -------
    cuts : list of Cut
        Across z, y and x.
    level : int
        0 is full resolution.
    """
    start, stop = ([row[f"bbox_{a}_{end}_vx"] for a in "zyx"] for end in ("start", "stop"))
    level = volume.level_for(max(b - a for a, b in zip(start, stop, strict=True)), LONGEST_VX)
    shape, edges = volume.shape_at(level), volume.edges_um(level)
    low = [min(a >> level, n - 1) for a, n in zip(start, shape, strict=True)]
    high = [max(min(-(-b // 2**level), n), a + 1) for a, b, n in zip(low, stop, shape, strict=True)]
    box = Box((low[0], low[1], low[2]), (high[0], high[1], high[2]))
    body = volume.bodies(name, level, box) == row["particle_id"]
    extents = [(b - a) * v for a, b, v in zip(low, high, edges, strict=True)]
    side_um = (1 + 2 * MARGIN) * max(*extents, 20 * max(edges))
    cuts = []
    for axis in range(3):
        seen = body.sum(tuple(k for k in range(3) if k != axis))
        at = low[axis] + int(seen.argmax())
        cuts.append(_read_cut(evidence, volume, name, row, level, box, axis, at, side_um))
    return cuts, level


def _read_cut(
    evidence: Evidence, volume: ScanVolume, name: str, row: Row,
    level: int, box: Box, axis: int, at: int, side_um: float,
) -> Cut:  # fmt: skip
    shape, edges = volume.shape_at(level), volume.edges_um(level)
    first, last = [0, 0, 0], [0, 0, 0]
    for k in range(3):
        n = round(side_um / edges[k])
        first[k] = (box.start[k] + box.stop[k] - n) // 2
        last[k] = first[k] + n
    first[axis], last[axis] = at, at + 1
    wanted = Box((first[0], first[1], first[2]), (last[0], last[1], last[2]))
    there = wanted.clip(shape)
    widths = [
        (a - w, v - b)
        for k, (w, a, b, v) in enumerate(
            zip(wanted.start, there.start, there.stop, wanted.stop, strict=True)
        )
        if k != axis
    ]

    def fill(values: NDArray[Any]) -> NDArray[Any]:
        return np.pad(np.take(values, 0, axis), widths)

    phases = volume.phases(level, there)
    body = volume.bodies(name, level, there) == row["particle_id"]
    rows_um, columns_um = (edge for k, edge in enumerate(edges) if k != axis)
    positions = [evidence.names.index(n) for n in evidence.counted]
    return Cut(
        position_um=(at + 0.5) * edges[axis],
        grey=fill(volume.grey(level, there)),
        there=fill(np.ones(there.shape, np.bool_)),
        body=fill(body),
        others={p: fill((phases == p) & ~body) for p in positions},
        pixel_um=(rows_um, columns_um),
    )


def _paint_cut(
    panel: Axes, cut: Cut, axis: int, evidence: Evidence, name: str, limits: tuple[float, float]
) -> None:
    paint_grey(panel, cut.grey, cut.pixel_um, shown=cut.there, limits=limits)
    for position, inside in cut.others.items():
        other = evidence.names[position]
        paint_outline(panel, inside, cut.pixel_um, evidence.outline(other), 0.5)
    paint_outline(panel, cut.body, cut.pixel_um, evidence.outline(name), 1.5)
    panel.set(xticks=[], yticks=[], ylabel="")
    panel.set_xlabel(f"{'zyx'[axis]} = {cut.position_um:.4g} µm", fontsize=8, color=QUIET)
