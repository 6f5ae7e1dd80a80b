"""Table `specimens`: results of mechanical tests, a row a specimen."""

from __future__ import annotations

from pipeline.model.records.columns import COUNT, REAL, TEXT, TIME, Column, Table, axes

SPECIMENS = Table(
    "specimens",
    ("specimen",),
    (
        Column("specimen", TEXT, "Specimen, as named in scans."),
        Column("strength_mpa", REAL, "Ultimate tensile strength in MPa.", True),
        Column("yield_mpa", REAL, "Proof stress at 0.2 % in MPa.", True),
        Column("elongation_percent", REAL, "Elongation after fracture in percent.", True),
        Column("stress_amplitude_mpa", REAL, "Stress amplitude of a fatigue test in MPa.", True),
        Column("cycles_to_failure", COUNT, "Cycles to failure in a fatigue test.", True),
        Column("hardness_hv", REAL, "Vickers hardness (HV).", True),
        Column("hardness_hbw", REAL, "Brinell hardness (HBW).", True),
        Column("fracture_scan", TEXT, "Scan in which the fracture origin is stated.", True),
        *axes(
            "fracture_{}_um",
            REAL,
            "Fracture origin along {} in um, from the low face of the volume of fracture_scan.",
            True,
        ),
        Column("remark", TEXT, "Free words.", True),
        Column("imported_at", TIME, "When the row entered the catalogue."),
    ),
)
"""Not partitioned by scan, and versioned on its own."""
