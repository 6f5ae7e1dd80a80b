"""Sections of a scan in three directions."""

from __future__ import annotations

import numpy as np

from pipeline.model.grid import Box
from pipeline.report.scan.evidence import Evidence, Plate, excused
from pipeline.report.scan.volumes import ScanVolume, open_scan
from pipeline.report.slices import draw_section

LONGEST_VX = 1000
"""Longest edge of a section in pixels: coarser levels are read above."""

ACROSS_DOWN = {0: "xy", 1: "xz", 2: "yz"}
"""Directions across and down of a section along each axis."""


def show_sections(evidence: Evidence) -> list[Plate]:
    """Return sections across z, y and x, each where it shows most of all phases of particles.

    Parameters
    ----------
    evidence : Evidence
        The scan.

    Returns
    -------
    list of Plate
        Three.
    """
    plates = []
    for axis, letter in enumerate("zyx"):
        plate = Plate(f"section-{letter}", f"Section across {letter}")
        with excused(plate):
            _draw(evidence, open_scan(evidence), axis, plate)
        plates.append(plate)
    return plates


def _draw(evidence: Evidence, volume: ScanVolume, axis: int, plate: Plate) -> None:
    names = evidence.names
    index = volume.busiest(axis, [names.index(name) for name in evidence.counted])
    level = volume.level_for(max(n for k, n in enumerate(volume.shape) if k != axis), LONGEST_VX)
    shape = volume.shape_at(level)
    at = min(index >> level, shape[axis] - 1)
    start, stop = [0, 0, 0], list(shape)
    start[axis], stop[axis] = at, at + 1
    box = Box((start[0], start[1], start[2]), (stop[0], stop[1], stop[2]))
    grey = np.take(volume.grey(level, box), 0, axis)
    phases = np.take(volume.phases(level, box), 0, axis)
    edges = volume.edges_um(level)
    rows_um, columns_um = (edge for k, edge in enumerate(edges) if k != axis)
    outlines = {names.index(n): (n, evidence.outline(n)) for n in evidence.counted}
    plate.figure = draw_section(grey, phases, outlines, (rows_um, columns_um), ACROSS_DOWN[axis])
    position_um = (at + 0.5) * edges[axis]
    letter = "zyx"[axis]
    plate.caption = (
        f"The plane {letter} = {position_um:.4g} µm, which shows most of all counted phases. Left "
        "as scanned, right with a thin line about every body of a counted phase."
    )
    if level:
        plate.caption += f" Drawn at 1/{2**level} of the scan's resolution."
    plate.numbers = {
        "axis": letter,
        "plane_vx": index,
        "position_um": position_um,
        "level": level,
        "pixel_um": [rows_um, columns_um],
        "n_pixels": {name: int((phases == i).sum()) for i, name in enumerate(names)},
    }
