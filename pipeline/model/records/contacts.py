"""Table `contacts`: a row for each particle and what it touches."""

from __future__ import annotations

from pipeline.model.records.columns import COUNT, KEY, REAL, TEXT, Column, Table, axes

CONTACTS = Table(
    "contacts",
    ("scan_id", "phase", "particle_id", "other_phase", "other_id"),
    (
        *KEY,
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
        *axes("n_faces_{}", COUNT, "Faces of voxels across {} that both share."),
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
