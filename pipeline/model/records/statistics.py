"""Table `statistics`: numbers of a whole scan with their intervals."""

from __future__ import annotations

from pipeline.model.records.columns import COUNT, KEY, REAL, TEXT, Column, Table

STATISTICS = Table(
    "statistics",
    ("scan_id", "phase", "quantity", "reference", "at"),
    (
        *KEY,
        Column("phase", TEXT, "Name of the phase that the number is about."),
        Column("quantity", TEXT, "What the number is; its unit is its suffix."),
        Column("reference", TEXT, "Second phase of a pair; empty for the others."),
        Column("at", REAL, "Abscissa where the quantity is a curve or a ranking, else null.", True),
        Column("value", REAL, "The number; null where it cannot be told: see note.", True),
        Column(
            "low", REAL, "Lower end of the 95 % interval, or what method says; null: none.", True
        ),
        Column(
            "high", REAL, "Upper end of the 95 % interval, or what method says; null: none.", True
        ),
        Column("unit", TEXT, "Unit of value, low and high; 1 for ratios and counts."),
        Column("method", TEXT, "How it was found, with its source."),
        Column("n", COUNT, "Blocks, particles or maxima that it rests on."),
        Column("note", TEXT, "Warnings, or why there is no number; empty where all is well."),
    ),
)
