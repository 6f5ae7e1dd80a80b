"""What the stages left of a volume against the references: one finding a quantity."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.model.recipe import OUTSIDE, Phase
from pipeline.verify.bending import compare_bending
from pipeline.verify.cavities import compare_cavities
from pipeline.verify.contacts import count_contacts_whole
from pipeline.verify.distances import compare_neighbours, compare_thickness
from pipeline.verify.findings import Finding, compare_values
from pipeline.verify.hulls import N_SEARCHED, QHULL, measure_hulls_whole, search_calipers
from pipeline.verify.passage import Columns, Outcome
from pipeline.verify.references import (
    CC3D,
    NUMPY,
    SCIPY,
    SKIMAGE,
    Bodies,
    Reals,
    Regions,
    count_split,
    filter_whole,
    label_whole,
    measure_regions,
    touches,
)
from pipeline.verify.sections import class_of, curvature_whole
from pipeline.verify.volumes import Edges, Trial

EXACT = 0.0
ROUNDING = 1e-9
"""Relative difference that orders of summation in double precision may leave, with room."""

SPREAD_GAP = 1e-4
"""Axes whose variances differ by less than this share have no direction to compare."""


def compare_trial(trial: Trial, outcome: Outcome) -> Iterator[Finding]:
    """Compare everything that the run of one volume left.

    Parameters
    ----------
    trial : Trial
        The volume.
    outcome : Outcome
        What its run left.

    Yields
    ------
    Finding
        One a quantity, reference and phase.
    """
    filtered = filter_whole(trial.voxels, trial.recipe.condition.denoise)
    yield from _compare_conditioned(trial, outcome, filtered)
    yield from _compare_phase_map(trial, outcome, filtered)
    specimen = int(np.count_nonzero(outcome.phases != OUTSIDE))
    yield compare_values(
        "specimen voxels", NUMPY, outcome.scan_row["n_voxels_mask"], specimen, EXACT, "voxels",
        "scans",
    )  # fmt: skip
    yield from _compare_contacts(trial, outcome)
    if trial.recipe.describe.neighbours:
        reach = trial.recipe.describe.neighbour_reach_vx * min(trial.voxel_um)
        yield from compare_neighbours(
            outcome.neighbours, outcome.labels, outcome.phases == OUTSIDE, trial.voxel_um, reach
        )
    for position in trial.recipe.particle_phases:
        phase = trial.recipe.phases[position]
        inside = outcome.phases == position
        bodies = label_whole(inside, trial.recipe.label.connectivity, phase.min_voxels)
        columns = outcome.particles[phase.name]
        yield from _compare_labels(trial, outcome.labels[phase.name], bodies, inside)
        yield from _compare_phase_row(trial, outcome, phase, bodies, specimen)
        if len(columns["n_voxels"]) != bodies.labels.max(initial=0):
            continue  # The phase's row has said so; rows cannot be paired with bodies.
        yield from PhaseComparison(trial, outcome, columns, bodies.labels, filtered).findings()


def _compare_contacts(trial: Trial, outcome: Outcome) -> Iterator[Finding]:
    """Compare every count of faces, the areas made from them, and their shares.

    Yields
    ------
    Finding
        Three.
    """
    names = [phase.name for phase in trial.recipe.phases]
    wanted = count_contacts_whole(outcome.labels, outcome.phases, names)
    got = {
        (r["phase"], r["particle_id"], r["other_phase"], r["other_id"] or 0): tuple(
            r[f"n_faces_{a}"] for a in "zyx"
        )
        for r in outcome.contacts
    }
    wrong = [got.get(key) != wanted.get(key) for key in got.keys() | wanted.keys()]
    yield compare_values(
        "contacts: n_faces_*", NUMPY, wrong, np.zeros(len(wrong)), EXACT, "faces", "contacts"
    )
    z, y, x = trial.voxel_um
    faces = np.array([[r[f"n_faces_{a}"] for a in "zyx"] for r in outcome.contacts]).reshape(-1, 3)
    area = np.array([r["contact_um2"] for r in outcome.contacts])
    yield compare_values(
        "contacts: contact_um2", NUMPY, area, faces @ [y * x, z * x, z * y] / 1.5, ROUNDING,
        "relative", "contacts",
    )  # fmt: skip
    shares: dict[tuple[str, int], float] = {}
    for r in outcome.contacts:
        key = (r["phase"], r["particle_id"])
        shares[key] = shares.get(key, 0.0) + r["share"]
    n_particles = sum(len(columns["n_voxels"]) for columns in outcome.particles.values())
    yield compare_values(
        "contacts: shares of a particle add up", NUMPY, np.array(list(shares.values())),
        np.ones(n_particles), ROUNDING, "relative",
    )  # fmt: skip


def _compare_conditioned(
    trial: Trial, outcome: Outcome, filtered: NDArray[Any]
) -> Iterator[Finding]:
    denoise = trial.recipe.condition.denoise
    gain, offset = outcome.scan_row["grey_gain"], outcome.scan_row["grey_offset"]
    steps = (filtered.astype(np.float64) - offset) / gain
    if trial.voxels.dtype.kind == "f":
        name, tolerance = "grey scale of float voxels", 0.5 + 1e-6
    elif denoise.method == "gaussian":
        # Weights are whole multiples of 2**-16, and the sum is rounded once: see the kernel.
        name, tolerance = "Gaussian filter", 1.0
    elif denoise.method == "median":
        edge = 2 * denoise.radius_vx + 1
        name, tolerance = f"median filter {edge}x{edge}x{edge}", EXACT
    else:
        name, tolerance = "grey of unfiltered voxels", EXACT
    reference = NUMPY if denoise.method == "none" else SCIPY
    got = outcome.conditioned.ravel()
    yield compare_values(name, reference, got, steps.ravel(), tolerance, "grey levels", "voxels")


def _compare_phase_map(trial: Trial, outcome: Outcome, filtered: NDArray[Any]) -> Iterator[Finding]:
    """Compare phases with thresholds applied to the reference's own grey levels.

    A Gaussian is left out: a rounded grey at a threshold is nobody's error.

    Yields
    ------
    Finding
        One, or none.
    """
    if trial.recipe.condition.denoise.method == "gaussian":
        return
    thresholds = np.asarray(trial.recipe.segment.thresholds)
    wanted = np.digitize(filtered, thresholds, right=True)
    inside = outcome.phases != OUTSIDE
    differ = (outcome.phases != wanted)[inside]
    if trial.voxels.dtype.kind == "f":
        # Grey is stored in steps: voxels within one step of a threshold may fall on either side.
        step = outcome.scan_row["grey_gain"]
        near = np.abs(filtered[inside][:, None] - thresholds).min(1) <= step
        differ &= ~near
    yield Finding("phase map", NUMPY, differ.size, int(differ.sum()), EXACT, "voxels", "voxels")


def _compare_labels(
    trial: Trial, labels: NDArray[Any], bodies: Bodies, inside: NDArray[np.bool_]
) -> Iterator[Finding]:
    connectivity = trial.recipe.label.connectivity
    n_voxels = int(inside.sum())
    differ = int(np.count_nonzero(labels != bodies.labels))
    yield Finding(
        f"ids, {connectivity} neighbours", SCIPY, n_voxels, differ, EXACT, "voxels",
        "voxels",
    )  # fmt: skip
    split = count_split(labels, inside, connectivity)
    yield Finding(
        f"bodies, {connectivity} neighbours", CC3D, int(labels.max(initial=0)), split, EXACT,
        "bodies",
    )  # fmt: skip


def _compare_phase_row(
    trial: Trial, outcome: Outcome, phase: Phase, bodies: Bodies, specimen: int
) -> Iterator[Finding]:
    position = trial.recipe.phases.index(phase)
    row = next(r for r in outcome.phase_rows if r["phase"] == phase.name)
    size = np.bincount(bodies.labels.ravel())[1:]
    n_voxels = int(np.count_nonzero(outcome.phases == position))
    voxel_um3 = float(np.prod(trial.voxel_um))
    counts = {
        "n_voxels": n_voxels,
        "n_particles": len(size),
        "n_small_bodies": bodies.n_small,
        "n_voxels_small": bodies.n_voxels_small,
    }
    shares = {
        "volume_um3": n_voxels * voxel_um3,
        "volume_fraction": n_voxels / specimen,
        "number_density_mm3": len(size) / (specimen * voxel_um3 * 1e-9),
        "largest_volume_um3": size.max(initial=0) * voxel_um3,
    }
    got = [row[name] for name in counts]
    yield compare_values(
        "phases: counts", SCIPY, got, list(counts.values()), EXACT, "count", "values"
    )
    got = [row[name] or 0.0 for name in shares]
    yield compare_values(
        "phases: volume, density", SCIPY, got, list(shares.values()), ROUNDING,
        "relative", "values",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class PhaseComparison:
    """The particles of one phase against the references.

    Parameters
    ----------
    trial : Trial
        The volume.
    outcome : Outcome
        What its run left.
    columns : dict of str to ndarray
        The phase's rows in the order of ids.
    labels : ndarray of int
        The reference's bodies, numbered alike.
    grey : ndarray
        The reference's filtered scan.
    """

    trial: Trial
    outcome: Outcome
    columns: Columns
    labels: NDArray[Any]
    grey: NDArray[Any]

    def findings(self) -> Iterator[Finding]:
        """Yield a finding for every descriptor."""
        n = len(self.columns["n_voxels"])
        if n == 0:
            return
        voxel_um, connectivity = self.trial.voxel_um, self.trial.recipe.label.connectivity
        regions = measure_regions(self.labels, self.grey.astype(np.float64), voxel_um, connectivity)
        yield from self._sizes(regions)
        yield from self._greys(regions, n)
        yield from self._axes(regions)
        yield from self._hulls(voxel_um)
        yield from self._curvatures(voxel_um)
        yield from self._classes()
        yield from self._flags(n)
        pores = self.outcome.phases == self.trial.recipe.pore
        yield from compare_cavities(self.columns, self.labels, pores, voxel_um, connectivity)
        yield from compare_bending(self.columns, self.labels, voxel_um)
        yield from compare_thickness(self.columns, self.labels, voxel_um)

    def _sizes(self, regions: Regions) -> Iterator[Finding]:
        def whole(name: str, columns: list[str], unit: str, reference: str = SKIMAGE) -> Finding:
            got, wanted = self._both(regions, columns)
            return compare_values(name, reference, got, wanted, EXACT, unit)

        def real(columns: list[str]) -> Finding:
            got, wanted = self._both(regions, columns)
            return compare_values(", ".join(columns), SKIMAGE, got, wanted, ROUNDING, "relative")

        yield whole("n_voxels", ["n_voxels"], "voxels")
        boxes = [f"bbox_{a}_{end}_vx" for a in "zyx" for end in ("start", "stop")]
        yield whole("bbox_*", boxes, "voxels")
        neighbours = self.trial.recipe.label.connectivity
        origin = f"{SKIMAGE}, corners" if neighbours == 18 else SKIMAGE
        yield whole(f"euler_number, {neighbours} neighbours", ["euler_number"], "count", origin)
        yield real(["volume_um3"])
        yield real(["equivalent_diameter_um"])
        got, wanted = self._both(regions, [f"centroid_{a}_um" for a in "zyx"])
        yield compare_values("centroid_*", SKIMAGE, got, wanted, ROUNDING, "relative")
        # Sphericity again from its definition: the ball's surface over the particle's own.
        volume, surface = regions.columns["volume_um3"], self.columns["surface_um2"]
        ball = 4 * np.pi * (volume * 3 / (4 * np.pi)) ** (2 / 3)
        yield compare_values(
            "sphericity", NUMPY, self.columns["sphericity"], ball / surface, ROUNDING, "relative"
        )

    def _greys(self, regions: Regions, n: int) -> Iterator[Finding]:
        """Compare in steps of the stored grey scale: float voxels are kept to half a step."""
        row = self.outcome.scan_row
        is_float = self.trial.voxels.dtype.kind == "f"
        rounded = is_float or self.trial.recipe.condition.denoise.method == "gaussian"
        suffix = ", rounded grey" if rounded else ""
        tolerance = (1.0 if not is_float else 0.5 + 1e-6) if rounded else 1e-6
        names = ["grey_mean", "grey_sd", "grey_min", "grey_max"]
        for name in names:
            got, wanted = (v / row["grey_gain"] for v in self._both(regions, [name]))
            yield compare_values(name + suffix, SKIMAGE, got, wanted, tolerance, "grey levels")
        ids = np.arange(1, n + 1)
        grey = self.grey.astype(np.float64)
        mean = ndimage.mean(grey, self.labels, ids)
        sd = np.sqrt(ndimage.variance(grey, self.labels, ids))
        for name, wanted in (("grey_mean", mean), ("grey_sd", sd)):
            got = self.columns[name] / row["grey_gain"]
            yield compare_values(
                name + suffix, SCIPY, got, wanted / row["grey_gain"], tolerance, "grey levels"
            )

    def _hulls(self, voxel_um: Edges) -> Iterator[Finding]:
        """Compare calipers and shadows; extents along the catalogue's own axes.

        Yields
        ------
        Finding
            One a column.
        """
        major, minor = (
            np.stack([self.columns[f"{name}_{a}"] for a in "zyx"], 1) for name in ("major", "minor")
        )
        axes = np.stack([major, np.cross(minor, major), minor], 1)
        wanted = measure_hulls_whole(self.labels, voxel_um, axes, self.trial.recipe.load_axis)
        limit = wanted.pop("caliper_on_facets_um") * (1 + ROUNDING)
        for name, values in wanted.items():
            yield compare_values(name, QHULL, self.columns[name], values, ROUNDING, "relative")
        over = self.columns["feret_min_um"] > limit
        yield compare_values(
            "feret_min_um, no facet gives less", QHULL, over, np.zeros_like(over), EXACT, "flags"
        )
        least, across, got_across = [], [], []
        longest = np.argsort(-self.columns["major_um"], kind="stable")[:N_SEARCHED]
        boxes = ndimage.find_objects(self.labels)
        for i in longest:
            smallest, others = search_calipers(self.labels[boxes[i]] == i + 1, voxel_um)
            mine = self.columns["feret_mid_um"][i]
            least.append(smallest)
            across.append(min(others, key=lambda other: abs(other - mine)))
            got_across.append(mine)
        yield compare_values(
            "feret_min_um, all pairs of edges", QHULL, self.columns["feret_min_um"][longest],
            np.array(least), ROUNDING, "relative",
        )  # fmt: skip
        yield compare_values(
            "feret_mid_um", QHULL, np.array(got_across), np.array(across), 1e-6, "relative"
        )

    def _curvatures(self, voxel_um: Edges) -> Iterator[Finding]:
        """Compare where the reference is defined: cubic voxels that join across corners.

        Yields
        ------
        Finding
            One a column.
        """
        thickness = 2 * self.columns["volume_um3"] / self.columns["surface_um2"]
        yield compare_values(
            "thickness_um", NUMPY, self.columns["thickness_um"], thickness, ROUNDING, "relative"
        )
        if np.ptp(voxel_um) == 0 and self.trial.recipe.label.connectivity == 26:
            wanted = curvature_whole(self.labels, voxel_um)
            for name, values in (
                ("mean_curvature_integral_um", wanted),
                ("mean_caliper_um", wanted / (2 * np.pi)),
            ):
                yield compare_values(
                    f"{name}, 26 neighbours", NUMPY, self.columns[name], values, 1e-7, "relative"
                )

    def _classes(self) -> Iterator[Finding]:
        """Compare with the rules read from their definition, particle by particle.

        Yields
        ------
        Finding
            The class and its margin.
        """
        names = ("solidity", "n_tunnels", "elongation", "flatness")
        rows = zip(*(self.columns[name] for name in names), strict=True)
        found = [class_of(*map(float, row)) for row in rows]
        wrong = self.columns["shape_class"] != np.array([name for name, _ in found])
        yield compare_values("shape_class", NUMPY, wrong, np.zeros_like(wrong), EXACT, "classes")
        margins = np.array([margin for _, margin in found])
        yield compare_values(
            "shape_margin", NUMPY, self.columns["shape_margin"], margins, ROUNDING, "absolute"
        )

    def _axes(self, regions: Regions) -> Iterator[Finding]:
        """Compare with NumPy's eigenvectors of scikit-image's inertia tensor."""
        reference = f"{NUMPY} eigh"
        spread, vectors = np.linalg.eigh(regions.covariance)
        spread, vectors = spread[:, ::-1], np.swapaxes(vectors[:, :, ::-1], 1, 2)
        lengths = 2 * np.sqrt(5 * spread)
        wanted = {
            "major_um": lengths[:, 0],
            "intermediate_um": lengths[:, 1],
            "minor_um": lengths[:, 2],
            "elongation": lengths[:, 1] / lengths[:, 0],
            "flatness": lengths[:, 2] / lengths[:, 1],
        }
        for name, values in wanted.items():
            yield compare_values(name, reference, self.columns[name], values, ROUNDING, "relative")
        gap = (spread[:, :-1] - spread[:, 1:]) / spread[:, :1]
        for name, k, clear in (("major", 0, gap[:, 0]), ("minor", 2, gap[:, 1])):
            known = clear > SPREAD_GAP
            yield self._directions(name, vectors[:, k], known, reference)
        yield from self._about_minor(spread, vectors[:, 2], gap[:, 1] > SPREAD_GAP, reference)

    def _directions(
        self, name: str, wanted: Reals, known: NDArray[np.bool_], reference: str
    ) -> Finding:
        """Compare directions by the sine of the angle between them: a sign means nothing."""
        got = np.stack([self.columns[f"{name}_{a}"] for a in "zyx"], 1)[known]
        sine = np.linalg.norm(np.cross(got, wanted[known]), axis=1)
        length = np.abs(np.linalg.norm(got, axis=1) - 1)
        return compare_values(
            f"{name}_z _y _x", reference, np.maximum(sine, length),
            np.zeros(len(sine)), 1e-8, "sine",
        )  # fmt: skip

    def _about_minor(
        self, spread: Reals, minor: Reals, known: NDArray[np.bool_], reference: str
    ) -> Iterator[Finding]:
        load = np.array(self.trial.recipe.load_axis)
        cosine = np.abs(minor @ load) / np.linalg.norm(load)
        angle = np.degrees(np.arccos(np.minimum(cosine, 1.0)))
        # Near 0 degrees the arc cosine halves the digits.
        yield compare_values(
            "load_angle_deg", reference, self.columns["load_angle_deg"][known], angle[known],
            1e-5, "degrees",
        )  # fmt: skip
        edge = np.linalg.norm(minor * np.array(self.trial.voxel_um), axis=1)
        thickness = np.sqrt(12 * spread[:, 2]) / edge
        # Exactly three voxels thick: rounding decides, here as there.
        clear = (np.abs(thickness - 3) > 1e-6) & (known | (np.ptp(self.trial.voxel_um) == 0))
        yield compare_values(
            "under_resolved", reference, self.columns["under_resolved"][clear],
            thickness[clear] < 3, EXACT, "flags",
        )  # fmt: skip

    def _flags(self, n: int) -> Iterator[Finding]:
        border = np.pad(np.zeros(np.subtract(self.labels.shape, 2), np.bool_), 1,
                        constant_values=True)  # fmt: skip
        ids = np.unique(self.labels[border])
        at_border = np.isin(np.arange(1, n + 1), ids)
        at_mask = touches(self.labels, self.outcome.phases == OUTSIDE, n)
        for name, wanted in (
            ("touches_border", at_border),
            ("touches_mask_edge", at_mask),
            ("is_open", at_border | at_mask),
        ):
            reference = NUMPY if name == "touches_border" else SCIPY
            yield compare_values(name, reference, self.columns[name], wanted, EXACT, "flags")

    def _both(self, regions: Regions, names: list[str]) -> tuple[Reals, Reals]:
        got = np.stack([self.columns[name].astype(np.float64) for name in names], 1)
        return got, np.stack([regions.columns[name] for name in names], 1)
