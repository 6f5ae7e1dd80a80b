"""Table `members`: a row a plate of a body that crossing platelets form."""

from __future__ import annotations

from pipeline.model.records.columns import COUNT, KEY, REAL, TEXT, Column, Table, axes

MEMBERS = Table(
    "members",
    ("scan_id", "phase", "particle_id", "member_id"),
    (
        *KEY,
        Column("phase", TEXT, "Name of the body's phase."),
        Column("particle_id", COUNT, "The body, a row of particles."),
        Column(
            "member_id",
            COUNT,
            "From 1 in raster order of the member's first voxel, by body. Members are found as "
            "quadratic surfaces that most samples of the body agree with in place and normal; "
            "every voxel belongs to the nearest.",
        ),
        Column("n_voxels", COUNT, "Voxels of the member; all of a body's add up to its own."),
        Column("volume_um3", REAL, "n_voxels times the volume of a voxel."),
        *axes("centroid_{}_um", REAL, "Centroid along {}, from the volume's low face."),
        *axes("normal_{}", REAL, "Component along {} of the unit vector of its shortest axis."),
        Column("load_angle_deg", REAL, "Angle between the normal and the load axis, 0 to 90."),
        Column(
            "thickness_um",
            REAL,
            "Mean length of its lines of voxels along the lattice axis nearest to the normal, "
            "times the cosine of the angle between the two.",
        ),
        Column(
            "length_um",
            REAL,
            "Longest axis of the inertia-equivalent ellipsoid (full length).",
        ),
        Column("width_um", REAL, "Middle axis of the inertia-equivalent ellipsoid."),
    ),
)
