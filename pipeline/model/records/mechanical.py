"""Columns of what links particles to mechanical results; written to files, not kept."""

from __future__ import annotations

from pipeline.model.records.columns import COUNT, FLAG, REAL, TEXT, Column, Table, axes
from pipeline.model.records.comparisons import WHAT

CORRELATIONS = Table(
    "correlations",
    ("property", "kind", "phase", "quantity", "reference", "measure"),
    (
        Column("property", TEXT, "Column of specimens."),
        *WHAT,
        Column("n", COUNT, "Specimens that have both."),
        Column("rho", REAL, "Spearman's rank correlation over specimens.", True),
        Column("rho_low", REAL, "Lower end of its 95 % interval (Bonett & Wright 2000).", True),
        Column("rho_high", REAL, "Upper end of its 95 % interval.", True),
        Column("p_value", REAL, "Two-sided p-value by rearranging specimens.", True),
        Column("exact", FLAG, "All orders were taken, not random ones.", True),
        Column(
            "q_value",
            REAL,
            "p_value corrected for all tests, whatever their measure (Benjamini & Hochberg 1995).",
            True,
        ),
        Column("n_tests", COUNT, "Tests in the answer.", True),
        Column("note", TEXT, "Why numbers are absent; empty where all is well."),
    ),
)


def _ranks() -> list[Column]:
    """Return a size, its rank and the p-value of the best rank near the origin, for each size."""
    columns = []
    for stem, unit, words in (
        ("volume", "um3", "Volume"),
        ("feret_max", "um", "Largest Feret diameter"),
        ("sqrt_projected_area", "um", "Square root of the area projected along the load axis"),
    ):
        columns += [
            Column(f"{stem}_{unit}", REAL, f"{words} of the particle.", True),
            Column(f"{stem}_rank", COUNT, f"Rank by {stem}_{unit} in the phase, 1 largest.", True),
            Column(
                f"{stem}_chance",
                REAL,
                "p-value of the best rank of these: the share of 999 origins, drawn evenly from "
                "the specimen, that have a particle of such a rank or a better one as near.",
                True,
            ),
        ]
    return columns


FRACTURE = Table(
    "fracture",
    ("phase", "distance_um"),
    (
        Column("phase", TEXT, "Name of the phase."),
        Column("particle_id", COUNT, "Particle, as in particles."),
        Column(
            "distance_um",
            REAL,
            "Distance of the origin from the particle's bounding box in um, 0 inside it: a lower "
            "bound of the distance to the particle.",
        ),
        *axes("centroid_{}_um", REAL, "Centroid along {}, from the volume's low face."),
        *_ranks(),
        Column("n_phase", COUNT, "Particles of the phase in the scan."),
        Column("n_near", COUNT, "Those within the radius."),
        Column("touches_border", FLAG, "Cut by the volume's border: its size is a lower bound."),
    ),
)
