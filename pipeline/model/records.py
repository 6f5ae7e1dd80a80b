"""Columns of the catalogue: the one place where their names, types, units and meanings stand.

The schemas of the tables and the data dictionary are both derived from here.  A descriptor becomes
part of the catalogue by gaining a `Column`.
"""

from __future__ import annotations

from dataclasses import dataclass

import pyarrow as pa

TEXT, COUNT, REAL, FLAG = pa.string(), pa.int64(), pa.float64(), pa.bool_()
TEXTS, REALS, TIME = pa.list_(pa.string()), pa.list_(pa.float64()), pa.timestamp("us", tz="UTC")


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Name with its unit as suffix.
    type : pyarrow.DataType
        Type in the table; written values must have exactly this type.
    meaning : str
        Definition in one or two sentences, with its source where it has one.
    nullable : bool
        Whether a value may be absent; the meaning then says when.
    provenance : bool
        True for columns that tell how a row came about (times, versions) and so are left out of
        the fingerprint of a scan.
    """

    name: str
    type: pa.DataType
    meaning: str
    nullable: bool = False
    provenance: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the catalogue: its name, the sort order of its rows, and its columns."""

    name: str
    order: tuple[str, ...]
    columns: tuple[Column, ...]

    @property
    def schema(self) -> pa.Schema:
        """Arrow schema in which every batch is written."""
        return pa.schema([pa.field(c.name, c.type, c.nullable) for c in self.columns])

    def column(self, name: str) -> Column:
        """Return the column of that name."""
        return next(c for c in self.columns if c.name == name)


def _axes(template: str, kind: pa.DataType, meaning: str, nullable: bool = False) -> list[Column]:
    """Return one column for each of (z, y, x)."""
    return [Column(template.format(a), kind, meaning.format(a), nullable) for a in "zyx"]


def _artefact_columns() -> list[Column]:
    """Return what was taken off of each artefact, and what the search for them met."""
    what = {
        "planes": "drift from plane to plane",
        "radial": "cupping about the specimen's axis",
        "rings": "rings about the axis of rotation",
    }
    off = "that was taken off; null where none was"
    columns = []
    for name, words in what.items():
        range_ = f"Range of the grey of the matrix by {words} {off}"
        in_grey = f"{range_}. Grey levels of the source."
        in_percent = f"{range_} or no air is seen. Percent of the matrix's grey above air."
        columns += [
            Column(f"flatten_{name}_grey", REAL, in_grey, True),
            Column(f"flatten_{name}_percent", REAL, in_percent, True),
        ]
    meaning = "What the search for uneven grey met; null where the recipe asks for none."
    return [*columns, Column("flatten_notes", TEXTS, meaning, True)]


_KEY = [
    Column("scan_id", TEXT, "Identifier of the scan."),
    Column("job", TEXT, "Job that produced the row.", provenance=True),
]

SCANS = Table(
    "scans",
    ("scan_id",),
    (
        *_KEY,
        Column("specimen", TEXT, "Specimen that was scanned.", True),
        Column("condition", TEXT, "Condition of the specimen, such as as-cast.", True),
        Column("alloy", TEXT, "Designation of the alloy.", True),
        Column("temper", TEXT, "Temper designation, such as F or T6.", True),
        Column("heat_treatment", TEXTS, "Steps of the heat treatment in order.", True),
        Column("tube_kv", REAL, "Tube voltage in kV.", True),
        Column("tube_power_w", REAL, "Tube power in W.", True),
        Column("beam_energy_kev", REAL, "Photon energy of a monochromatic beam in keV.", True),
        Column("operator", TEXT, "Who made the scan.", True),
        Column("tags", TEXTS, "Free words.", True),
        *_axes("size_{}_vx", COUNT, "Voxels of the volume along {}."),
        *_axes("voxel_{}_um", REAL, "Edge length of a voxel along {} in um."),
        Column("dtype", TEXT, "Voxel type of the source."),
        Column("n_voxels_mask", COUNT, "Voxels inside the specimen: the volume that was searched."),
        Column("mask_volume_um3", REAL, "Volume that was searched, in um3."),
        Column("n_voxels_nonfinite", COUNT, "Voxels that were not finite, taken as outside."),
        Column("grey_gain", REAL, "Grey of the source per step of the conditioned scale."),
        Column("grey_offset", REAL, "Grey of the source at 0 of the conditioned scale."),
        Column(
            "noise_sd",
            REAL,
            "Standard deviation of the noise of the specimen before filtering, in grey levels of "
            "the source, from voxels two apart along x; null where too few tell.",
            True,
        ),
        *_artefact_columns(),
        Column("denoise_used", TEXT, "Filter with its parameters, as chosen if `auto`.", True),
        Column(
            "noise_conditioned_sd",
            REAL,
            "Spread of grey in the matrix after conditioning (of its mode in the histogram), in "
            "grey levels of the source; null where fewer than 50 voxels tell.",
            True,
        ),
        Column(
            "threshold_shift",
            REAL,
            "By how much thresholds are moved to find voxels in doubt: noise_conditioned_sd in "
            "whole steps of the conditioned scale. Columns ..._lowered, ..._raised belong to it.",
            True,
        ),
        Column(
            "doubt_fraction",
            REAL,
            "Share of the volume searched whose phase is another one when all thresholds are "
            "lower, or higher, by threshold_shift; before clean-up.",
            True,
        ),
        Column(
            "edge_width_vx",
            REAL,
            "Sharpness: voxels from 10 to 90 % of the grey between the matrix and edge_phase, of "
            "the conditioned volume, so with the blur of its filter; as the width of the Gaussian "
            "blur whose edges look as wide. Null for fewer than 100 edges and above 6.4; under 1.3 "
            "all edges look alike.",
            True,
        ),
        Column("edge_width_um", REAL, "edge_width_vx in um.", True),
        *_axes("edge_width_{}_um", REAL, "The same, of edges along {} alone.", True),
        Column(
            "edge_phase", TEXT, "Phase with most edges to the matrix; null if none will do.", True
        ),
        Column(
            "n_platelets",
            COUNT,
            "Particles brighter than the matrix of a sphericity under 0.5, not cut by the border.",
            True,
        ),
        Column(
            "platelet_thickness_vx",
            REAL,
            "Median over them of 2 volume / surface, in voxel edges along the platelet's normal; "
            "null for fewer than 10.",
            True,
        ),
        Column(
            "thin_platelets",
            FLAG,
            "Median thickness under 3 voxels: the voxels are too large for these platelets (common "
            "practice, no source).",
            True,
        ),
        Column("thresholds", REALS, "Grey levels of the source between neighbouring phases."),
        Column("segment_notes", TEXTS, "What the choice of thresholds met."),
        Column("connectivity", COUNT, "Neighbours that make two voxels one body: 6, 18 or 26."),
        Column("recipe_hash", TEXT, "Hash of every parameter that can change a result."),
        Column("recipe_name", TEXT, "Name of the recipe.", provenance=True),
        Column("recipe_yaml", TEXT, "The whole recipe.", provenance=True),
        Column("source_checksum", TEXT, "Hash over the stored bytes of the source."),
        Column("source_location", TEXT, "Where the source was read.", provenance=True),
        Column("source_format", TEXT, "Family of the source's format.", provenance=True),
        Column("code_version", TEXT, "Version of castcensus.", provenance=True),
        Column("library_versions", TEXT, "Versions of the libraries, as JSON.", provenance=True),
        Column("committed_at", TIME, "When the rows entered the catalogue.", provenance=True),
        Column("seconds", REAL, "Wall time of the job in s.", provenance=True),
    ),
)

PHASES = Table(
    "phases",
    ("scan_id", "position"),
    (
        *_KEY,
        Column("phase", TEXT, "Name of the phase in the recipe."),
        Column("position", COUNT, "Position in the recipe, dark to bright; value in phase maps."),
        Column("kind", TEXT, "particles or background."),
        Column("n_voxels", COUNT, "Voxels of the phase inside the specimen."),
        Column("volume_um3", REAL, "Volume of the phase in um3."),
        Column(
            "volume_fraction", REAL, "Share of the volume searched; null where that is empty.", True
        ),
        Column("n_particles", COUNT, "Bodies of at least min_voxels: the rows in particles."),
        Column("n_small_bodies", COUNT, "Bodies under min_voxels, which get no row."),
        Column("n_voxels_small", COUNT, "Voxels in those bodies."),
        Column("min_voxels", COUNT, "Smallest body that gets a row."),
        Column("n_under_resolved", COUNT, "Particles flagged under_resolved."),
        Column("n_touching_border", COUNT, "Particles cut by the border of the volume."),
        Column("number_density_mm3", REAL, "Particles per mm3 searched; null where empty.", True),
        Column("largest_volume_um3", REAL, "Volume of the largest particle; null if none.", True),
        Column(
            "pure_grey",
            REAL,
            "Grey of the pure phase in levels of the source: its mode or shoulder in the "
            "histogram; null where none was found.",
            True,
        ),
        Column(
            "cnr_matrix",
            REAL,
            "Contrast to noise: distance of pure_grey from that of the matrix, over "
            "noise_conditioned_sd; null for the matrix and for what is unknown. That of two other "
            "phases is the difference of their pure_grey over the same.",
            True,
        ),
        Column(
            "volume_fraction_lowered",
            REAL,
            "volume_fraction with all thresholds lower by the scan's threshold_shift; before "
            "clean-up.",
            True,
        ),
        Column("volume_fraction_raised", REAL, "The same with all thresholds higher.", True),
        Column("n_threshold_sensitive", COUNT, "Particles flagged threshold_sensitive.", True),
        Column("edge_width_um", REAL, "As in scans, of edges between matrix and this phase.", True),
        Column("n_edges", COUNT, "Edges that were measured for it.", True),
    ),
)

PARTICLES = Table(
    "particles",
    ("scan_id", "phase", "particle_id"),
    (
        *_KEY,
        Column("phase", TEXT, "Name of the phase."),
        Column(
            "particle_id",
            COUNT,
            "From 1 in raster order of the first voxel, by phase; value in labels/<phase>.",
        ),
        Column("n_voxels", COUNT, "Voxels of the particle."),
        Column("volume_um3", REAL, "n_voxels times the volume of a voxel."),
        Column("equivalent_diameter_um", REAL, "Diameter of the ball of equal volume."),
        Column(
            "surface_um2",
            REAL,
            "Surface area by Crofton's formula over 13 directions, weighted by their Voronoi "
            "cells on the sphere (Ohser & Muecklich 2000, ch. 4).",
        ),
        Column(
            "sphericity",
            REAL,
            "Wadell: surface of the ball of equal volume over the surface (ISO 9276-6). May "
            "exceed 1 for bodies of few voxels.",
        ),
        Column("thickness_um", REAL, "Mean thickness of a plate: twice volume over surface.", True),
        Column(
            "mean_curvature_integral_um",
            REAL,
            "Integral of the mean curvature over the surface, from Euler numbers of sections along "
            "13 families of lattice planes (Ohser & Muecklich 2000, ch. 4); negative where saddles "
            "and hollows outweigh.",
            True,
        ),
        Column(
            "mean_caliper_um",
            REAL,
            "mean_curvature_integral_um / (2 pi): the mean Feret diameter if convex.",
            True,
        ),
        Column("euler_number", COUNT, "Bodies minus tunnels plus cavities."),
        *_axes("bbox_{}_start_vx", COUNT, "First voxel of the bounding box along {}."),
        *_axes("bbox_{}_stop_vx", COUNT, "First voxel beyond the bounding box along {}."),
        *_axes("centroid_{}_um", REAL, "Centroid along {}, from the volume's low face."),
        Column("major_um", REAL, "Longest axis (full length) of the inertia-equivalent ellipsoid."),
        Column("intermediate_um", REAL, "Middle axis of the inertia-equivalent ellipsoid."),
        Column("minor_um", REAL, "Shortest axis of the inertia-equivalent ellipsoid."),
        *_axes("major_{}", REAL, "Component along {} of the unit vector of the longest axis."),
        *_axes("minor_{}", REAL, "Component along {} of the unit vector of the shortest axis."),
        Column("elongation", REAL, "intermediate_um / major_um (Zingg's first ratio)."),
        Column("flatness", REAL, "minor_um / intermediate_um (Zingg's second ratio)."),
        Column(
            "load_angle_deg", REAL, "Angle between the shortest axis and the load axis, 0 to 90."
        ),
        Column(
            "feret_max_um",
            REAL,
            "Largest Feret diameter (ISO 9276-6): the largest distance of two parallel planes that "
            "touch the particle, a union of voxels, from both sides. Exact for its voxels, which "
            "reach up to half a voxel's diagonal beyond a smooth body at either end.",
            True,
        ),
        Column(
            "feret_mid_um",
            REAL,
            "Intermediate Feret diameter: the smallest distance of such planes at right angles to "
            "those of feret_min_um; for a box its middle edge.",
            True,
        ),
        Column("feret_min_um", REAL, "Smallest Feret diameter (ISO 9276-6), exact.", True),
        Column(
            "feret_mean_um",
            REAL,
            "Feret diameter in the mean of all directions: mean caliper of the convex hull.",
            True,
        ),
        Column("convex_volume_um3", REAL, "Volume of the convex hull of the voxels.", True),
        Column(
            "solidity",
            REAL,
            "Volume over convex volume (ISO 9276-6). Steps of voxels lower it by about a voxel "
            "over the size: 0.85 for a ball 16 voxels across, 0.92 for one of 40.",
            True,
        ),
        Column("extent_major_um", REAL, "Extent along the longest axis.", True),
        Column("extent_intermediate_um", REAL, "Extent along the middle axis.", True),
        Column("extent_minor_um", REAL, "Extent along the shortest axis.", True),
        Column(
            "projected_area_um2",
            REAL,
            "Area seen along the load axis: of the convex hull, or of all lines along a load axis "
            "of the lattice that meet the particle, each as often as it does, where that is less. "
            "Exact for a body that no line meets twice, else an upper bound.",
            True,
        ),
        Column(
            "sqrt_projected_area_um",
            REAL,
            "Square root of projected_area_um2 (Murakami & Endo 1994).",
            True,
        ),
        Column(
            "shape_class",
            TEXT,
            "branched if solidity is under 0.4, then network from two tunnels on (Euler number "
            "under -1); else compact if elongation and flatness are 2/3 or more (Zingg 1935), "
            "platelet if flatness is the smaller, needle if elongation is. The value 0.4 is common "
            "practice, no source.",
            True,
        ),
        Column(
            "shape_margin",
            REAL,
            "Distance to the next class: least change of a ratio, as a natural logarithm, or of "
            "the Euler number, that alters the class.",
            True,
        ),
        Column("grey_mean", REAL, "Mean grey, in grey levels of the source."),
        Column("grey_sd", REAL, "Standard deviation of the grey, in grey levels of the source."),
        Column("grey_min", REAL, "Smallest grey, in grey levels of the source."),
        Column("grey_max", REAL, "Largest grey, in grey levels of the source."),
        Column("touches_border", FLAG, "Cut by the volume's border: its size is a lower bound."),
        Column("touches_mask_edge", FLAG, "Touches voxels outside the specimen."),
        Column(
            "is_open",
            FLAG,
            "Touches the border or voxels outside the specimen: a pore that is not closed, as far "
            "as the volume tells.",
            True,
        ),
        Column(
            "under_resolved",
            FLAG,
            "Thinner than 3 voxels, as a box of equal spread (common practice, no source).",
        ),
        Column(
            "n_voxels_kept_lowered",
            COUNT,
            "Voxels that keep their phase when all thresholds are lower by the scan's "
            "threshold_shift; voxels that it would gain are not counted.",
            True,
        ),
        Column("n_voxels_kept_raised", COUNT, "The same for higher thresholds.", True),
        Column(
            "threshold_sensitive",
            FLAG,
            "Keeps under 80 % of its voxels by lower or by higher thresholds (no source).",
            True,
        ),
    ),
)

STATISTICS = Table(
    "statistics",
    ("scan_id", "phase", "quantity", "reference", "at"),
    (
        *_KEY,
        Column("phase", TEXT, "Name of the phase that the number is about."),
        Column("quantity", TEXT, "What the number is; its unit is its suffix."),
        Column("reference", TEXT, "Second phase of a pair; empty for the others."),
        Column("at", REAL, "Abscissa where the quantity is a curve or a ranking, else null.", True),
        Column("value", REAL, "The number; null where it cannot be told: see note.", True),
        Column("low", REAL, "Lower end of the 95 % interval; null where there is none.", True),
        Column("high", REAL, "Upper end of the 95 % interval; null where there is none.", True),
        Column("unit", TEXT, "Unit of value, low and high; 1 for ratios and counts."),
        Column("method", TEXT, "How it was found, with its source."),
        Column("n", COUNT, "Blocks, particles or maxima that it rests on."),
        Column("note", TEXT, "Warnings, or why there is no number; empty where all is well."),
    ),
)


_DIRECTIONS = (("load", "the load axis"), ("worst", "the worst direction"), ("best", "the best"))


def _factors() -> list[Column]:
    """Return the columns of factors that stand once for each of three load directions."""
    columns: list[Column] = []
    for key, of in _DIRECTIONS:
        columns += [
            Column(
                f"{key}_factor",
                REAL,
                f"Load along {of}: largest first principal stress in the particle over the applied "
                "stress, as a mean over a ball of 1.5 voxels: the robust figure.",
                True,
            ),
            Column(f"{key}_factor_raw", REAL, f"Load along {of}: the same in one voxel.", True),
            Column(
                f"{key}_factor_p999",
                REAL,
                f"Load along {of}: 99.9th percentile of the voxels of the particle.",
                True,
            ),
            Column(
                f"{key}_matrix_factor",
                REAL,
                f"Load along {of}: largest in the matrix at the interface, as a mean over a ball.",
                True,
            ),
            Column(f"{key}_matrix_factor_raw", REAL, f"Load along {of}: in one voxel of it.", True),
            Column(
                f"{key}_von_mises", REAL, f"Load along {of}: largest von Mises stress in it.", True
            ),
        ]
    return columns


STRESS = Table(
    "stress",
    ("scan_id", "phase", "particle_id"),
    (
        *_KEY,
        Column("phase", TEXT, "Name of the phase."),
        Column("particle_id", COUNT, "Particle, as in particles."),
        Column(
            "state",
            TEXT,
            "screened: closed form alone; solved: by the voxel solver too; not converged, refused: "
            "the solver gave no number, see notes. All factors are linear elastic: no plasticity, "
            "residual stress or decohesion; a ranking aid, no statement on fitness for service.",
        ),
        Column("notes", TEXTS, "What was assumed, and what went wrong."),
        *_axes("load_axis_{}", REAL, "Component along {} of the load axis, a unit vector."),
        Column("youngs_gpa", REAL, "Young's modulus of the particle; 0 for a void."),
        Column("poisson", REAL, "Poisson's ratio of the particle."),
        Column("youngs_range_percent", REAL, "Half the range of the modulus in percent."),
        Column("matrix_youngs_gpa", REAL, "Young's modulus of the matrix."),
        Column("matrix_poisson", REAL, "Poisson's ratio of the matrix."),
        Column(
            "screen_load",
            REAL,
            "Load along the load axis: first principal stress over the applied one in the "
            "inertia-equivalent ellipsoid alone in matrix (Eshelby 1957); 0 for a void.",
        ),
        Column("screen_worst", REAL, "The same for the worst load direction."),
        Column(
            "screen_matrix_load", REAL, "Load along the load axis: in the matrix at the ellipsoid."
        ),
        Column("screen_matrix_worst", REAL, "The same for the worst direction of the matrix."),
        *_axes("screen_worst_{}", REAL, "Component along {} of the ellipsoid's worst load."),
        Column(
            "screen_rank",
            COUNT,
            "Place in its phase by screen_worst (voids: screen_matrix_worst), 1 the worst; equal "
            "ones by id.",
        ),
        *_factors(),
        *_axes("worst_{}", REAL, "Component along {} of the worst load direction.", True),
        *_axes("best_{}", REAL, "Component along {} of the best load direction.", True),
        Column(
            "load_place",
            TEXT,
            "Where the peak sits for the load axis: face, rim, protuberance, crossing, compact, "
            "or beside a pore (rules: pipeline.kernels.places).",
            True,
        ),
        Column("worst_place", TEXT, "The same for the worst direction.", True),
        *_axes("worst_peak_{}_um", REAL, "Where the worst peak sits along {}.", True),
        Column("n_peaks", COUNT, "Separate regions within 10 % of the worst factor.", True),
        Column(
            "coarse_change",
            REAL,
            "Relative change of worst_factor when voxels twice as large are taken: an estimate of "
            "its error.",
            True,
        ),
        Column("worst_factor_low", REAL, "worst_factor at the low end of the modulus.", True),
        Column("worst_factor_high", REAL, "worst_factor at the high end of the modulus.", True),
        Column(
            "company_load_factor",
            REAL,
            "load_factor with everything in the neighbourhood as it is.",
            True,
        ),
        Column("company_worst_factor", REAL, "worst_factor in company.", True),
        Column("company_load_matrix_factor", REAL, "load_matrix_factor in company.", True),
        Column("company_worst_matrix_factor", REAL, "worst_matrix_factor in company.", True),
        Column("company_load_place", TEXT, "load_place in company.", True),
        Column("company_worst_place", TEXT, "worst_place in company.", True),
        Column("company_load_ratio", REAL, "Factor in company over factor alone, load axis.", True),
        Column("company_worst_ratio", REAL, "The same for the worst direction.", True),
        Column(
            "factor_map",
            REALS,
            "Factor over 400 load directions of equal area (pipeline.kernels.concentration).",
            True,
        ),
        Column("thickness_vx", REAL, "Thickness in voxels: four times the mean depth.", True),
        Column("cell_voxels", COUNT, "Voxels of the solver's cell.", True),
        Column("cell_scale", REAL, "Edge of the cell's voxels over that of the scan's.", True),
        Column("touches_border", FLAG, "Cut by the volume's border: matrix assumed beyond."),
        Column("sub_volume", FLAG, "Only a part around its centre was solved.", True),
        Column("n_iterations", COUNT, "Most iterations of a load case.", True),
        Column("residual", REAL, "Largest equilibrium residual of a load case.", True),
        Column("setting_hash", TEXT, "Hash of load axis, constants and limits."),
        Column("stress_job", TEXT, "Job that asked.", provenance=True),
        Column("seconds", REAL, "Time of the solver in s.", True, provenance=True),
    ),
)


CONTACTS = Table(
    "contacts",
    ("scan_id", "phase", "particle_id", "other_phase", "other_id"),
    (
        *_KEY,
        Column("phase", TEXT, "Phase of the particle."),
        Column("particle_id", COUNT, "The particle."),
        Column(
            "other_phase",
            TEXT,
            "Phase that it touches across faces of voxels; `outside` for voxels outside the "
            "specimen, `border` for the border of the volume.",
        ),
        Column(
            "other_id",
            COUNT,
            "Particle that it touches; null for matrix, outside, border and bodies under "
            "min_voxels.",
            True,
        ),
        *_axes("n_faces_{}", COUNT, "Faces of voxels across {} that both share."),
        Column(
            "contact_um2",
            REAL,
            "Area of contact: two thirds of the faces' area (Crofton's formula for three axes): "
            "right in the mean of all directions, 2/3 of a plane along the lattice and 15 % too "
            "large across its diagonal.",
        ),
        Column("share", REAL, "contact_um2 over that of all contacts of the particle."),
    ),
)

TABLES = (SCANS, PHASES, PARTICLES, CONTACTS, STATISTICS, STRESS)
"""Every table of the catalogue; the first three are part of every commit, others may be empty."""


def write_dictionary() -> str:
    """Return the data dictionary of the catalogue as Markdown, one table after the other."""
    lines: list[str] = []
    for table in TABLES:
        lines += [f"## {table.name}", "", "| column | type | meaning |", "| --- | --- | --- |"]
        lines += [f"| {c.name} | {c.type} | {c.meaning} |" for c in table.columns]
        lines.append("")
    return "\n".join(lines)


@dataclass(frozen=True, slots=True)
class TileReport:
    """What a worker tells of one finished tile: small, so that schedulers carry nothing heavy.

    Parameters
    ----------
    number : int
        Tile in raster order of the stage's grid.
    n_voxels : int
        Voxels of the tile's core.
    seconds : float
        Time from the worker's own start of the tile to its data being in place.
    worker : str
        Host and process that did it.
    peak_bytes : int
        Peak resident size of that process so far.
    """

    number: int
    n_voxels: int
    seconds: float
    worker: str
    peak_bytes: int
