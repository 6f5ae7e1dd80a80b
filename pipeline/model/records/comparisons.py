"""Columns of what a comparison of groups yields; written to files, not kept in the catalogue."""

from __future__ import annotations

from pipeline.model.records.columns import COUNT, FLAG, REAL, TEXT, Column, Table

WHAT = (
    Column("kind", TEXT, "scan, phase, statistic (tables of that name), or descriptor."),
    Column("phase", TEXT, "Name of the phase; empty for quantities of whole scans."),
    Column("quantity", TEXT, "Column or statistic; its unit is its suffix."),
    Column("reference", TEXT, "Second phase of a pair; empty for the others."),
    Column(
        "measure",
        TEXT,
        "value: of a scan, as mean over a specimen's scans; mean, q10, q50, q90: of a specimen's "
        "particles; share: of its particles that have the flag; distribution: all quantiles.",
    ),
    Column("unit", TEXT, "Unit of values, differences and distances; 1 for ratios and counts."),
)


def _ends(name: str, meaning: str) -> list[Column]:
    """Return columns of a number and the ends of its 95 % interval."""
    return [
        Column(name, REAL, meaning, True),
        Column(f"{name}_low", REAL, f"Lower end of the 95 % interval of {name}.", True),
        Column(f"{name}_high", REAL, f"Upper end of the 95 % interval of {name}.", True),
    ]


COMPARISON = Table(
    "comparison",
    ("group_a", "group_b", "kind", "phase", "quantity", "reference", "measure"),
    (
        Column("group_a", TEXT, "First group."),
        Column("group_b", TEXT, "Second group."),
        *WHAT,
        Column("design", TEXT, "independent, or paired: the same specimens in both groups."),
        Column("n_a", COUNT, "Specimens of group_a that have a value: the sampling units."),
        Column("n_b", COUNT, "Specimens of group_b that have a value."),
        *_ends("value_a", "Mean over the specimens of group_a."),
        *_ends("value_b", "Mean over the specimens of group_b."),
        Column("sd_a", REAL, "Standard deviation between the specimens of group_a.", True),
        Column("sd_b", REAL, "Standard deviation between the specimens of group_b.", True),
        *_ends("difference", "value_b - value_a."),
        *_ends("ratio", "value_b / value_a; null unless all specimens' values are positive."),
        *_ends(
            "hedges_g",
            "Difference over the deviation between specimens, corrected for few (Hedges 1981).",
        ),
        *_ends(
            "cliffs_delta",
            "How much more often a specimen of group_b has the greater value than the smaller "
            "one, -1 to 1 (Cliff 1993); in a paired design, within pairs.",
        ),
        Column(
            "distance",
            REAL,
            "Wasserstein distance of order 1 between the groups' mean distributions, 2.5 to "
            "97.5 %; only for measure distribution.",
            True,
        ),
        Column("p_value", REAL, "Two-sided p-value by rearranging specimens.", True),
        Column("p_least", REAL, "Least p-value that so many specimens can give.", True),
        Column("exact", FLAG, "All arrangements were taken, not random ones.", True),
        Column(
            "q_value",
            REAL,
            "p_value corrected for all tests in the comparison, whatever their measure "
            "(Benjamini & Hochberg 1995).",
            True,
        ),
        Column("n_tests", COUNT, "Tests in the comparison.", True),
        Column(
            "n_needed",
            COUNT,
            "Specimens in each group (or pairs) that would show the stated change of value_a with "
            "a power of 80 % at 5 %, with these scatters; null where unknown or above 100 000.",
            True,
        ),
        Column(
            "shown_percent",
            REAL,
            "Least change of value_a in percent that n_a and n_b specimens show with that power.",
            True,
        ),
        Column("note", TEXT, "Why numbers are absent, or what to mind; empty where all is well."),
    ),
)

SPECIMEN_VALUES = Table(
    "specimen_values",
    ("group", "specimen", "kind", "phase", "quantity", "reference", "measure"),
    (
        Column("group", TEXT, "Group of the specimen."),
        Column("specimen", TEXT, "Specimen: the sampling unit."),
        Column("n_scans", COUNT, "Scans of the specimen in the group."),
        *WHAT,
        Column("value", REAL, "The specimen's value.", True),
        Column(
            "n_particles",
            COUNT,
            "Particles of the phase that a descriptor rests on; null for other kinds.",
            True,
        ),
    ),
)
