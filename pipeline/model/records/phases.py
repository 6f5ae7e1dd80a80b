"""Table `phases`: a row a scan and phase."""

from __future__ import annotations

from pipeline.model.records.columns import COUNT, FLAG, KEY, REAL, TEXT, Column, Table

PHASES = Table(
    "phases",
    ("scan_id", "position"),
    (
        *KEY,
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
        Column(
            "n_unsure_bodies",
            COUNT,
            "Bodies of at least min_voxels whose own extreme of grey (the least of a phase darker "
            "than the background, the greatest of a brighter one) does not reach sure_grey: no "
            "row, no label; the phase map keeps them, as it does small ones. Null without "
            "segment.sure.",
            True,
        ),
        Column("n_voxels_unsure", COUNT, "Voxels in those bodies.", True),
        Column(
            "sure_grey",
            REAL,
            "Grey of the source that a body must reach; null where every body gets its row.",
            True,
        ),
        Column("min_voxels", COUNT, "Smallest body that gets a row."),
        Column("n_under_resolved", COUNT, "Particles flagged under_resolved."),
        Column("n_touching_border", COUNT, "Particles cut by the border of the volume."),
        Column(
            "n_touching_mask",
            COUNT,
            "Particles flagged touches_mask_edge that the border does not cut.",
            True,
        ),
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
            "expected_grey",
            REAL,
            "Grey that the attenuation of the phase lets expect, from the scan's beam, the matrix "
            "and air (or pores); null where one of them is not known.",
            True,
        ),
        Column(
            "told_apart",
            FLAG,
            "Whether attenuation in the scan's beam differs from that of every other phase of the "
            "recipe by 5 % of the larger or more, so that grey can tell; null where it is not "
            "known.",
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
