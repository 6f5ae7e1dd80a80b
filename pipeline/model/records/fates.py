"""Table `fates`: what became of each particle between two scans of one specimen."""

from __future__ import annotations

import pyarrow as pa

from pipeline.model.records.columns import COUNT, FLAG, KEY, REAL, TEXT, Column, Table, axes

COUNTS = pa.list_(pa.int64())

FATES = Table(
    "fates",
    ("scan_id", "scan_after", "phase", "side", "particle_id"),
    (
        *KEY,
        Column("scan_after", TEXT, "The later scan; scan_id is the earlier one."),
        Column("phase", TEXT, "Name of the phase, the same in both scans."),
        Column(
            "side",
            TEXT,
            "before: a particle of scan_id; after: one of scan_after that came from none.",
        ),
        Column("particle_id", COUNT, "Particle, as in particles of the scan of its side."),
        Column(
            "fate",
            TEXT,
            "kept, shrunk, grown (one partner, by volume_ratio), split (two or more partners), "
            "merged (one partner, which other particles share), dissolved (no partner), new (side "
            "after, no partner), left the field, entered the field (under half of its voxels lie "
            "where the other scan shows the specimen). Partners are particles of which, or in "
            "which, at least half of the voxels in the common field lie, to within tolerance_um. "
            "Bodies and pieces count from min_voxels of their recipe on: what is left of a body in "
            "smaller pieces alone is told as dissolved.",
        ),
        Column("partners", COUNTS, "Ids of its partners in the other scan."),
        Column("n_pieces", COUNT, "Number of partners."),
        Column("n_sharing", COUNT, "Particles of its own scan that share a partner with it."),
        Column("n_voxels", COUNT, "Its voxels."),
        Column("n_voxels_in_field", COUNT, "Those where the other scan shows the specimen."),
        Column("is_cut", FLAG, "Not wholly in the common field: only the part there is compared."),
        Column("volume_um3", REAL, "Volume in the common field."),
        Column(
            "volume_other_um3",
            REAL,
            "Volume of its partners in the common field, in the lengths of its own scan; a "
            "partner of several is shared out by the voxels near to each.",
        ),
        Column("volume_ratio", REAL, "volume_other_um3 over volume_um3.", True),
        Column("overlap_um3", REAL, "Volume that lies in its partners, without tolerance."),
        Column("thickness_um", REAL, "Its local_thickness_mean_um in particles.", True),
        Column("thickness_other_um", REAL, "That of its partners, weighted by volume.", True),
        *axes(
            "offset_{}_um",
            REAL,
            "Centroid of its partners, brought back, minus its own, along {}: what registration "
            "and dissolution leave. Null for cut, shared and unmatched particles.",
            True,
        ),
        Column("offset_um", REAL, "Length of that.", True),
        Column("registration_error_um", REAL, "Standard error of the registration."),
        Column("tolerance_um", REAL, "Distance up to which a voxel lies in the nearest particle."),
        Column("change_share", REAL, "Change of volume from which a body is shrunk or grown."),
        Column("job_after", TEXT, "Job of the census of scan_after.", provenance=True),
        Column("match_job", TEXT, "Job that asked.", provenance=True),
    ),
)
