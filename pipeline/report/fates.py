"""Pictures of what became of particles: a slice twice, a body and its pieces, volume by fate.

Fates have colours of their own, apart in lightness, and a line each: what lasts is drawn whole,
what goes broken.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from matplotlib.axes import Axes
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as Outline
from numpy.typing import NDArray

from pipeline.analysis.fates import FATES, NEW, tell_share
from pipeline.kernels.surface import Surface, mesh_surface
from pipeline.model.grid import Box, TileGrid
from pipeline.model.match import MatchedScan, MatchTask
from pipeline.model.similarity import Similarity
from pipeline.readers import open_source
from pipeline.report.offsets import draw_offsets
from pipeline.report.style import INK, QUIET, add_bar, save_figure, styled
from pipeline.report.surfaces import RISING, Shown, paint_surface
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.crops import CropReader, open_crops
from pipeline.stores.volume import open_volume, read_box

Line = Literal["solid", "dashed", "dotted"]

FATE_LINES: dict[str, tuple[str, Line]] = {
    "kept": ("#14364f", "solid"),
    "grown": ("#5b8fd6", "solid"),
    "merged": ("#7b4f9d", "solid"),
    "shrunk": ("#2f7f86", "dashed"),
    "split": ("#f0b323", "dashed"),
    "dissolved": ("#c2452d", "dotted"),
    "new": ("#8fb339", "solid"),
    "left the field": (QUIET, "dotted"),
    "entered the field": (QUIET, "dotted"),
}
"""Colour and line of each fate."""

EDGE_PX = 512
"""Most places along an edge of a slice."""

_BLOCK_PX = 64
_FEWEST_KEPT = 20  # bodies; a field of fewer arrows shows no order


def write_fate_pictures(
    workspace: Path, task: MatchTask, rows: pa.Table, summaries: Sequence[Mapping[str, Any]]
) -> list[Path]:
    """Write the pictures of a pair of scans.

    Parameters
    ----------
    workspace : Path
        The workspace.
    task : MatchTask
        How the scans lie on each other.
    rows : pyarrow.Table
        Rows of `fates` of the pair.
    summaries : sequence of mapping
        From `pipeline.analysis.fates.summarise_fates`.

    Returns
    -------
    list of Path
        Files below ``reports/match`` of the workspace.
    """
    place = workspace / "reports" / "match"
    name = f"{task.before.scan_id}-{task.after.scan_id}"
    drawn = {
        "slice": draw_slices(*_read_slices(workspace, task, rows)),
        "volume": draw_volumes(summaries),
        "pieces": draw_pieces(workspace, task, rows),
        "offsets": _draw_offsets(workspace, task, rows),
    }
    places = []
    for kind, figure in drawn.items():
        if figure is not None:
            places.append(place / f"{name}-{kind}.png")
            save_figure(figure, places[-1])
    return places


def draw_slices(
    greys: Sequence[NDArray[Any]],
    fates: Sequence[NDArray[np.int8]],
    pitch_um: float,
    titles: Sequence[str],
) -> Figure:
    """Draw the same slice of both scans with the outlines of bodies by fate.

    Parameters
    ----------
    greys : two ndarray, shape (rows, columns)
        Grey levels at the same places.
    fates : two ndarray of int8, shape (rows, columns)
        Position in `FATES` of the body there, -1 for none.
    pitch_um : float
        Distance of places.
    titles : sequence of str
        Lines above the two.

    Returns
    -------
    Figure
        Two pictures of the same scale.
    """
    n_rows, n_columns = greys[0].shape
    with styled():
        height = 3.5 * n_rows / n_columns + 1.0
        figure = Figure(figsize=(7.2, min(height, 8.0)), layout="constrained")
        for axes, grey, fate, title in zip(
            figure.subplots(1, 2), greys, fates, titles, strict=True
        ):
            ends = np.nanpercentile(grey, (1, 99.5))
            span = (0, n_columns * pitch_um, n_rows * pitch_um, 0)
            # Pale, so that lines stand out; the whole range stays apart.
            axes.imshow(
                grey, cmap="gray", vmin=1.5 * ends[0] - 0.5 * ends[1], vmax=ends[1], extent=span
            )
            _outline(axes, fate, pitch_um)
            add_bar(axes, n_columns * pitch_um, n_rows * pitch_um)
            axes.set_title(title, loc="left")
            axes.set(xticks=[], yticks=[], xlabel="x", ylabel="y")
        there = sorted({int(v) for fate in fates for v in np.unique(fate)} - {-1})
        lines = [FATE_LINES[FATES[i]] for i in there]
        handles = [Line2D([], [], color=c, linestyle=s, lw=1.8) for c, s in lines]
        names = [FATES[i] for i in there]
        figure.legend(handles, names, loc="outside lower center", ncols=max(1, min(5, len(names))))
    return figure


def _outline(axes: Axes, fate: NDArray[np.int8], pitch_um: float) -> None:
    at = [(np.arange(n) + 0.5) * pitch_um for n in fate.shape]
    for number in sorted(set(np.unique(fate).tolist()) - {-1}):
        colour, line = FATE_LINES[FATES[number]]
        inside = (fate == number).astype(np.float32)
        axes.contour(
            at[1], at[0], inside, [0.5], colors=[colour], linestyles=[line], linewidths=1.3
        )


def draw_volumes(summaries: Sequence[Mapping[str, Any]]) -> Figure:
    """Draw where the volume of each phase went: a bar before, a bar after, bands by fate.

    Parameters
    ----------
    summaries : sequence of mapping
        From `pipeline.analysis.fates.summarise_fates`; those without volume are left out.

    Returns
    -------
    Figure
        One row a phase; bands narrow from what bodies of a fate were to what they are.
    """
    shown = [s for s in summaries if s["volume_before_um3"] > 0]
    with styled():
        figure = Figure(figsize=(7.2, 0.6 + 2.3 * max(len(shown), 1)), layout="constrained")
        rows = figure.subplots(max(len(shown), 1), 1, squeeze=False)[:, 0]
        for axes in rows:
            axes.set_axis_off()
        for axes, summary in zip(rows, shown, strict=False):
            _draw_flow(axes, summary)
    return figure


def _draw_flow(axes: Axes, summary: Mapping[str, Any]) -> None:
    """Draw one phase: from the left, as it was, to the right, what is left of each fate."""
    total, new = summary["volume_before_um3"], summary["volume_by_fate_um3"][NEW]
    fates = [f for f in FATES if f in summary["flow_um3"] and summary["flow_um3"][f][0] > 0]
    gap, low_left, low_right = 0.05, 0.0, 0.0
    for fate in fates:
        was, rest = (v / total for v in summary["flow_um3"][fate])
        colour, _ = FATE_LINES[fate]
        _band(axes, (0.06, low_left, was), (0.62, low_right, rest), colour)
        axes.add_patch(Rectangle((0.0, low_left), 0.05, was, color=colour, lw=0))
        axes.add_patch(Rectangle((0.63, low_right), 0.05, max(rest, 0.004), color=colour, lw=0))
        axes.text(
            0.7,
            low_right + rest / 2,
            f"{fate}: {summary['n_by_fate'][fate]}, {was:.0%} to {rest:.0%} of the volume",
            va="center",
            fontsize=8,
        )
        low_left += was
        low_right += max(rest, 0.004) + gap
    axes.set(xlim=(0, 1.3), ylim=(max(low_right, 1.0) + 0.05, -0.05))
    axes.set_title(
        f"{summary['phase']}: {summary['n_bodies']} bodies, {total:,.0f} µm³ before, "
        f"{summary['volume_after_um3']:,.0f} after,\n"
        f"of it {new:,.0f} in new bodies; "
        f"{tell_share(summary['dissolved_share'])}",
        loc="left",
    )
    axes.text(0.0, -0.02, "before", fontsize=7.5, color=INK)
    axes.text(0.63, -0.02, "after", fontsize=7.5, color=INK)


def _band(
    axes: Axes, left: tuple[float, float, float], right: tuple[float, float, float], colour: str
) -> None:
    """Draw a band between two stretches, each as (x, from, length)."""
    (x0, a, h), (x1, b, k) = left, right
    middle = 0.5 * (x0 + x1)
    points = [(x0, a), (middle, a), (middle, b), (x1, b), (x1, b + k)]
    points += [(middle, b + k), (middle, a + h), (x0, a + h), (x0, a)]
    kinds = [Outline.MOVETO, *[Outline.CURVE4] * 3, Outline.LINETO, *[Outline.CURVE4] * 3]
    axes.add_patch(
        PathPatch(Outline(points, [*kinds, Outline.CLOSEPOLY]), color=colour, alpha=0.45, lw=0)
    )


def draw_pieces(workspace: Path, task: MatchTask, rows: pa.Table) -> Figure | None:
    """Draw the largest body that split, and its pieces where it lay; None where none did.

    Parameters
    ----------
    workspace : Path
        The workspace.
    task : MatchTask
        How the scans lie on each other.
    rows : pyarrow.Table
        Rows of `fates` of the pair.

    Returns
    -------
    Figure or None
        Two views in the lengths of the scan before, each piece in its own colour.
    """
    split = rows.filter(pc.field("fate") == "split").sort_by([("volume_um3", "descending")])
    if split.num_rows == 0:
        return None
    row = split.slice(0, 1).to_pylist()[0]
    phase, whole = row["phase"], row["particle_id"]
    crops = [open_crops(workspace, s.scan_id) for s in (task.before, task.after)]
    body = _surface_of(crops[0], phase, whole)
    pieces = [_surface_of(crops[1], phase, i) for i in row["partners"]]
    back = task.move.inverse()
    corners = [back.apply(p.vertices[:, ::-1])[:, ::-1] for p in pieces]
    starts = np.cumsum([0, *(len(c) for c in corners)])
    joined = Surface(
        np.ascontiguousarray(np.concatenate(corners)),
        np.concatenate([p.faces + a for p, a in zip(pieces, starts, strict=False)]),
    )
    number = np.repeat(np.arange(len(pieces)) + 1.0, [len(c) for c in corners])
    shown = [
        Shown(body, np.zeros(len(body.vertices)), f"{phase} {whole} before"),
        Shown(joined, number, f"its {len(pieces)} pieces after"),
    ]
    with styled():
        figure = Figure(figsize=(7.2, 4.0), layout="constrained")
        for axes, one in zip(figure.subplots(1, 2), shown, strict=True):
            axes.set_axis_off()
            paint_surface(axes, one, crops[0].load_axis, Normalize(0, len(pieces)), RISING)
    return figure


def _draw_offsets(workspace: Path, task: MatchTask, rows: pa.Table) -> Figure | None:
    """Draw the offsets of bodies that lasted as one, at their centroids in the scan before.

    Those that were kept tell most: what dissolves from one side moves a centroid too.
    """
    told = rows.filter(pc.field("offset_um").is_valid())
    lasting = told.filter(pc.field("fate") == "kept")
    if lasting.num_rows < _FEWEST_KEPT:
        lasting = told.filter(pc.field("fate").isin(("kept", "shrunk", "grown")))
    wanted = ["phase", "particle_id", *(f"centroid_{a}_um" for a in "zyx")]
    particles = Catalogue(workspace / "catalogue").read("particles", task.before.scan_id, wanted)
    both = lasting.select(["phase", "particle_id", *(f"offset_{a}_um" for a in "zyx")]).join(
        particles, keys=["phase", "particle_id"], join_type="inner"
    )
    places, offsets = (
        np.stack([both[f"{name}_{a}_um"].to_numpy() for a in "zyx"], axis=1)
        for name in ("centroid", "offset")
    )
    size = np.asarray(task.before.shape) * np.asarray(task.before.voxel_um)
    return draw_offsets(places, offsets, size, task.error_um)


def _surface_of(crops: CropReader, phase: str, particle_id: int) -> Surface:
    crop = crops.read(phase, particle_id, 1, coarsest_level=3)
    return mesh_surface(crop.mask, crop.voxel_um, crop.origin_um)


def _read_slices(
    workspace: Path, task: MatchTask, rows: pa.Table
) -> tuple[list[NDArray[Any]], list[NDArray[np.int8]], float, list[str]]:
    """Read the middle plane of the scan before, and what lies there in the scan after."""
    before, after = task.before, task.after
    size = np.asarray(before.shape) * np.asarray(before.voxel_um)
    pitch = max(float(size[1:].max()) / EDGE_PX, *before.voxel_um)
    shape = (max(1, int(size[1] / pitch)), max(1, int(size[2] / pitch)))
    greys, fates = [], []
    for which, scan in enumerate((before, after)):
        place = Similarity() if which == 0 else task.move
        reader = _PlaneReader(workspace, scan, place, _fate_tables(task, rows, which))
        grey, fate = np.full(shape, np.nan), np.full(shape, -1, np.int8)
        for tile in TileGrid((1, *shape), (1, _BLOCK_PX, _BLOCK_PX)):
            here = tile.core.slices[1:]
            reader.read_(0.5 * float(size[0]), tile.core, pitch, grey[here], fate[here])
        greys.append(grey)
        fates.append(fate)
    plane = f"plane z = {0.5 * float(size[0]):.4g} µm"
    titles = [f"{before.scan_id}, before, {plane}", f"{after.scan_id}, after, laid on it"]
    return greys, fates, pitch, titles


class _PlaneReader:
    """Reads grey and fates of a scan on a plane of the scan before, block by block."""

    def __init__(
        self,
        workspace: Path,
        scan: MatchedScan,
        move: Similarity,
        tables: Mapping[str, NDArray[np.int8]],
    ) -> None:
        store = workspace / "scans" / f"{scan.scan_id}.zarr"
        self._scan, self._move, self._tables = scan, move, tables
        self._source = open_source(str(store))
        self._labels = {p: open_volume(store / "labels" / p / "0") for p in tables}

    def read_(
        self, z_um: float, block: Box, pitch: float, grey: NDArray[Any], fate: NDArray[np.int8]
    ) -> None:
        """Fill in the places of a block; those beyond the scan stay as they are."""
        _, y, x = (np.arange(a, b) for a, b in zip(block.start, block.stop, strict=True))
        flat = (np.stack(np.meshgrid(y, x, indexing="ij"), axis=-1) + 0.5) * pitch
        points = np.concatenate([np.full((*flat.shape[:2], 1), z_um), flat], axis=-1)
        places = self._move.apply(points) / np.asarray(self._scan.voxel_um)
        at = np.floor(places).astype(np.int64)
        inside = np.all((at >= 0) & (at < np.asarray(self._scan.shape)), axis=-1)
        if not inside.any():
            return
        low, high = at[inside].min(axis=0), at[inside].max(axis=0) + 1
        box = Box(
            (int(low[0]), int(low[1]), int(low[2])), (int(high[0]), int(high[1]), int(high[2]))
        )
        local = tuple((at[inside] - low).T)
        grey[inside] = np.asarray(self._source.read(box))[local]
        for phase, array in self._labels.items():
            ids = read_box(array, box)[local].astype(np.int64)
            found = np.where(ids > 0, self._tables[phase][ids], -1)
            fate[inside] = np.where(found >= 0, found, fate[inside])


def _fate_tables(task: MatchTask, rows: pa.Table, which: int) -> dict[str, NDArray[np.int8]]:
    """Return, by phase, the position of the fate of each particle id; partners share one."""
    tables = {}
    for phase in task.phases:
        found: dict[int, int] = {}
        for row in rows.filter(pc.field("phase") == phase).to_pylist():
            number = FATES.index(row["fate"])
            if row["side"] == ("before", "after")[which]:
                found[row["particle_id"]] = number
            elif which and row["side"] == "before":
                found |= dict.fromkeys(row["partners"], number)
        table = np.full(max(found, default=0) + 2, -1, np.int8)
        for i, number in found.items():
            table[i] = number
        tables[phase] = table
    return tables
