"""Table `neighbours`: a row for each particle and the nearest of each phase."""

from __future__ import annotations

from pipeline.model.records.columns import COUNT, KEY, REAL, TEXT, Column, Table

NEIGHBOURS = Table(
    "neighbours",
    ("scan_id", "phase", "particle_id", "other_phase"),
    (
        *KEY,
        Column("phase", TEXT, "Phase of the particle."),
        Column("particle_id", COUNT, "The particle."),
        Column(
            "other_phase",
            TEXT,
            "Phase whose nearest particle it is; `outside` for the surface of the specimen, where "
            "its mask shows one.",
        ),
        Column(
            "other_id",
            COUNT,
            "The nearest particle of that phase, of equally near ones the first; null for outside.",
            True,
        ),
        Column(
            "distance_um",
            REAL,
            "Gap from surface to surface: least distance between points of the two unions of "
            "voxels, 0 where they touch. No row where it exceeds the recipe's "
            "describe.neighbour_reach_vx, in shortest edges of a voxel; near the border of the "
            "volume a nearer particle may lie beyond it.",
        ),
    ),
)
