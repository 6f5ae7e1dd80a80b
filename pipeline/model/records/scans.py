"""Table `scans`: a row a scan."""

from __future__ import annotations

from pipeline.model.records.columns import (
    COUNT,
    FLAG,
    KEY,
    REAL,
    REALS,
    TEXT,
    TEXTS,
    TIME,
    Column,
    Table,
    axes,
)


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


SCANS = Table(
    "scans",
    ("scan_id",),
    (
        *KEY,
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
        *axes("size_{}_vx", COUNT, "Voxels of the volume along {}."),
        *axes("voxel_{}_um", REAL, "Edge length of a voxel along {} in um."),
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
        *axes("edge_width_{}_um", REAL, "The same, of edges along {} alone.", True),
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
        Column(
            "seconds",
            REAL,
            "Time that the job's stages ran up to this row, in s.",
            provenance=True,
        ),
    ),
)
