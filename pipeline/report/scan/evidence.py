"""What a report of a scan rests on: its rows of the catalogue, its histogram, its recipe."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import yaml
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.errors import CastcensusError, DamageError
from pipeline.report.style import outline_colours, paint_png, phase_colours
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.job import read_arrays
from pipeline.stores.places import Place

Row = dict[str, Any]


PIXELS_AN_INCH = 208
"""Of pictures; on the page they are shown at half of it."""


@dataclass
class Plate:
    """One figure of a report with its words and its numbers.

    Parameters
    ----------
    name : str
        Name of its files, without suffix.
    title : str
        Heading.
    caption : str
        What is seen, in plain words.
    figure : Figure or None
        None where there is nothing to draw.
    numbers : dict
        Every number that is drawn, by name with units as suffixes; JSON types only.
    absent : str
        Why there is no figure; empty where there is one.
    """

    name: str
    title: str
    caption: str = ""
    figure: Figure | None = None
    numbers: dict[str, Any] = field(default_factory=dict)
    absent: str = ""

    @cached_property
    def png(self) -> bytes:
        """The picture, for page and file alike: painting it takes most of a report's time."""
        return b"" if self.figure is None else paint_png(self.figure, PIXELS_AN_INCH)


@contextmanager
def excused(plate: Plate) -> Iterator[None]:
    """Let a plate say why it is absent, if what it needs is gone or damaged."""
    try:
        yield
    except CastcensusError as error:
        plate.figure, plate.numbers, plate.absent = None, {}, error.what.rstrip(".")


COLUMNS = (
    *("phase", "particle_id", "n_voxels", "volume_um3", "feret_max_um", "shape_class", "flatness"),
    *("minor_z", "minor_y", "minor_x"),
    *("touches_border", "touches_mask_edge", "under_resolved"),
    *(f"bbox_{a}_{end}_vx" for a in "zyx" for end in ("start", "stop")),
)
"""Columns of `particles` that figures need."""


@dataclass(frozen=True)
class Evidence:
    """One scan of one version of the catalogue.

    Parameters
    ----------
    workspace : Path or ObjectFolder
        The workspace.
    version : int
        Version of the catalogue.
    scan : dict
        Row of `scans`.
    phases : list of dict
        Rows of `phases`, dark to bright.
    statistics : list of dict
        Rows of `statistics`.
    """

    workspace: Place
    version: int
    scan: Row
    phases: list[Row]
    statistics: list[Row]

    @property
    def scan_id(self) -> str:
        """Identifier of the scan."""
        return str(self.scan["scan_id"])

    @property
    def catalogue(self) -> Catalogue:
        """The workspace's catalogue."""
        return Catalogue(self.workspace / "catalogue")

    @property
    def names(self) -> list[str]:
        """Phases, dark to bright."""
        return [row["phase"] for row in self.phases]

    @property
    def counted(self) -> list[str]:
        """Phases whose bodies are counted."""
        return [row["phase"] for row in self.phases if row["kind"] == "particles"]

    @property
    def asked(self) -> Mapping[str, Any]:
        """Section `statistics` of the recipe, as far as it stands there.

        Only these keys are read: recipes of other versions of this project stay readable.
        """
        recipe = yaml.safe_load(self.scan["recipe_yaml"])
        found = recipe.get("statistics") if isinstance(recipe, dict) else None
        return found if isinstance(found, dict) else {}

    @property
    def load_axis(self) -> tuple[float, float, float]:
        """Direction of the load, (z, y, x)."""
        z, y, x = yaml.safe_load(self.scan["recipe_yaml"]).get("load_axis", (1.0, 0.0, 0.0))
        return float(z), float(y), float(x)

    @property
    def voxel_um(self) -> tuple[float, float, float]:
        """Edges of a voxel, (z, y, x)."""
        return self.scan["voxel_z_um"], self.scan["voxel_y_um"], self.scan["voxel_x_um"]

    def colour(self, phase: str) -> str:
        """Return the colour of a phase."""
        return phase_colours(self.names)[self.names.index(phase)]

    def outline(self, phase: str) -> str:
        """Return the colour of a phase's outline on grey."""
        return outline_colours(self.names)[self.names.index(phase)]

    def number(self, phase: str, quantity: str, reference: str = "") -> Row:
        """Return the row of a quantity without abscissa; one without a value where it is absent."""
        wanted = (phase, quantity, reference, None)
        for row in self.statistics:
            if (row["phase"], row["quantity"], row["reference"], row["at"]) == wanted:
                return row
        why = "the catalogue has no such number: count the scan again"
        return {"value": None, "low": None, "high": None, "n": 0, "note": why, "unit": ""}

    def curve(self, phase: str, quantity: str) -> list[Row]:
        """Return the rows of a quantity over its abscissa, in its order."""
        rows = [
            row
            for row in self.statistics
            if (row["phase"], row["quantity"]) == (phase, quantity) and row["at"] is not None
        ]
        return sorted(rows, key=lambda row: float(row["at"]))

    @cached_property
    def particles(self) -> pa.Table:
        """Columns `COLUMNS` of the rows of `particles`."""
        return self.catalogue.read("particles", self.scan_id, COLUMNS, self.version)

    def columns(self, phase: str) -> dict[str, NDArray[Any]]:
        """Return `COLUMNS` of the particles of a phase."""
        mine = self.particles.filter(pc.equal(self.particles["phase"], phase))
        return {name: mine[name].to_numpy() for name in COLUMNS}

    def histogram(self) -> NDArray[np.int64]:
        """Return the conditioned grey histogram of the specimen, which lies with the job.

        Raises
        ------
        DamageError
            If the job's folder is gone.
        """
        folder = self.workspace / "jobs" / self.scan["job"]
        stored = folder / "products" / "histogram.npz"
        if not stored.is_file():
            raise DamageError(f"{stored} is gone: the job's folder holds the histogram.")
        return read_arrays(stored)["histogram"]


def gather_evidence(workspace: Place, scan_id: str, version: int | None = None) -> Evidence:
    """Read what the catalogue says of a scan.

    Parameters
    ----------
    workspace : Path or ObjectFolder
        The workspace.
    scan_id : str
        The scan.
    version : int, optional
        Version of the catalogue; the latest when None.

    Returns
    -------
    Evidence
        Its rows.

    Raises
    ------
    NotFoundError
        If there is no such scan or version.
    """
    catalogue = Catalogue(workspace / "catalogue")
    version = catalogue.version() if version is None else version
    chosen = None if version < 0 else version
    (scan,) = catalogue.read("scans", scan_id, version=chosen).to_pylist()
    return Evidence(
        workspace=workspace,
        version=version,
        scan=scan,
        phases=catalogue.read("phases", scan_id, version=chosen).to_pylist(),
        statistics=catalogue.read("statistics", scan_id, version=chosen).to_pylist(),
    )
