"""Pictures of scans that are in a workspace: read from the stores, drawn, written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.model.grid import Box
from pipeline.readers import open_source
from pipeline.report.figures import Series, draw_overview, draw_sizes
from pipeline.report.greys import draw_histogram
from pipeline.report.sizes import count_sizes, size_edges
from pipeline.report.slices import draw_slice
from pipeline.report.style import save_figure
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.job import JobFolder, read_arrays
from pipeline.stores.volume import open_volume, read_box


@dataclass(frozen=True, slots=True)
class Plane:
    """One plane of a scan.

    Parameters
    ----------
    index : int
        Its place along z.
    grey : ndarray, shape (y, x)
        Grey levels of the scan.
    phases : ndarray of uint8, shape (y, x)
        Phase map.
    """

    index: int
    grey: NDArray[Any]
    phases: NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Shown:
    """Scans of a workspace, ready to be drawn.

    Parameters
    ----------
    workspace : Path
        The workspace.
    scans : mapping of str to str
        Scan ids and the names that they get in legends.
    """

    workspace: Path
    scans: Mapping[str, str]

    @property
    def catalogue(self) -> Catalogue:
        """The workspace's catalogue."""
        return Catalogue(self.workspace / "catalogue")

    def row(self, scan_id: str) -> dict[str, Any]:
        """Return a scan's row."""
        row: dict[str, Any] = self.catalogue.read("scans", scan_id).to_pylist()[0]
        return row

    def phase_names(self, scan_id: str, kind: str | None = None) -> list[str]:
        """Return the phases of a scan, dark to bright; only those of a kind if one is named."""
        rows = self.catalogue.read("phases", scan_id, ["phase", "kind"]).to_pylist()
        return [row["phase"] for row in rows if kind in (None, row["kind"])]

    def store(self, scan_id: str) -> Path:
        """Return the OME-Zarr store of a scan."""
        return self.workspace / "scans" / f"{scan_id}.zarr"

    def busiest_plane(self, scan_id: str) -> int:
        """Return the plane that shows most of all phases of particles, each by its own share.

        Found on the coarsest level of the phase map, which is small.
        """
        labels = self.store(scan_id) / "labels" / "phases"
        level = max(int(path.name) for path in labels.iterdir() if path.name.isdigit())
        coarse = np.asarray(open_volume(labels / str(level))[...])
        names = self.phase_names(scan_id)
        wanted = [names.index(name) for name in self.phase_names(scan_id, "particles")]
        counts = np.stack([(coarse == position).sum((1, 2)) for position in wanted])
        shares = (counts / np.maximum(counts.sum(1, keepdims=True), 1)).sum(0)
        return min(int(shares.argmax()) << level, self._n_planes(scan_id) - 1)

    def _n_planes(self, scan_id: str) -> int:
        return int(open_volume(self.store(scan_id) / "labels" / "phases" / "0").shape[0])

    def plane(self, scan_id: str, index: int) -> Plane:
        """Return a plane of a scan."""
        store = self.store(scan_id)
        phases = open_volume(store / "labels" / "phases" / "0")
        _, ny, nx = phases.shape
        box = Box((index, 0, 0), (index + 1, ny, nx))
        # Not level 0 of the store: an image that is used in place lies elsewhere.
        return Plane(index, open_source(str(store)).read(box)[0], read_box(phases, box)[0])

    def series(self) -> list[Series]:
        """Return the size distributions of all scans, in common classes."""
        sizes: dict[str, dict[str, NDArray[np.float64]]] = {}
        for scan_id in self.scans:
            columns = ["phase", "equivalent_diameter_um"]
            table = self.catalogue.read("particles", scan_id, columns)
            phase, size = (table[name].to_numpy() for name in columns)
            sizes[scan_id] = {
                name: size[phase == name] for name in self.phase_names(scan_id, "particles")
            }
        edges = size_edges([values for scan in sizes.values() for values in scan.values()])
        return [
            Series(
                title,
                {
                    name: count_sizes(values, edges, self.row(scan_id)["mask_volume_um3"])
                    for name, values in sizes[scan_id].items()
                },
            )
            for scan_id, title in self.scans.items()
        ]


def write_pictures(
    shown: Shown, jobs: Mapping[str, str], folder: Path, overview_phase: str
) -> list[Path]:
    """Write the pictures of scans of one specimen: slices, grey histograms, size distributions.

    Parameters
    ----------
    shown : Shown
        The scans; they share one shape and one recipe.
    jobs : mapping of str to str
        Job of each scan, whose histogram is drawn.
    folder : Path
        Folder to write to.
    overview_phase : str
        Phase whose sizes stand in the overview.

    Returns
    -------
    list of Path
        PNG files.
    """
    paths = []
    series = shown.series()
    first = next(iter(shown.scans))
    # One plane for all: they are the same specimen, and differences show only place by place.
    index = shown.busiest_plane(first)
    for scan_id, title in shown.scans.items():
        row, names = shown.row(scan_id), shown.phase_names(scan_id)
        voxel_um = (row["voxel_y_um"], row["voxel_x_um"])
        plane = shown.plane(scan_id, index)
        where = f"{title}, plane z = {(plane.index + 0.5) * row['voxel_z_um']:.4g} µm"
        paths.append(folder / f"slice-{scan_id}.png")
        save_figure(draw_slice(plane.grey, plane.phases, names, voxel_um, where), paths[-1])
        paths.append(folder / f"histogram-{scan_id}.png")
        save_figure(_histogram(shown, jobs[scan_id], row, names, title), paths[-1])
    particle_names = shown.phase_names(first, "particles")
    paths.append(folder / "sizes.png")
    save_figure(draw_sizes(series, particle_names), paths[-1])
    row, plane = shown.row(first), shown.plane(first, index)
    voxel_um = (row["voxel_y_um"], row["voxel_x_um"])
    paths.append(folder / "overview.png")
    figure = draw_overview(
        plane.grey, plane.phases, shown.phase_names(first), voxel_um, series, overview_phase
    )
    save_figure(figure, paths[-1], dpi=100)
    return paths


def _histogram(
    shown: Shown, job: str, row: Mapping[str, Any], names: list[str], title: str
) -> Figure:
    stored = JobFolder(shown.workspace / "jobs" / job).product("histogram.npz")
    counts = read_arrays(stored)["histogram"]
    return draw_histogram(
        counts, row["thresholds"], names, row["grey_gain"], row["grey_offset"], title
    )
