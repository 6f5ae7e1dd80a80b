"""Table `stress`: how much a particle concentrates."""

from __future__ import annotations

from pipeline.model.records.columns import (
    COUNT,
    FLAG,
    KEY,
    REAL,
    REALS,
    TEXT,
    TEXTS,
    Column,
    Table,
    axes,
)

_DIRECTIONS = (("load", "the load axis"), ("worst", "the worst direction"), ("best", "the best"))


def _factors() -> list[Column]:
    """Return the columns of factors that stand once for each of three load directions."""
    columns: list[Column] = []
    for key, of in _DIRECTIONS:
        columns += [
            Column(
                f"{key}_factor",
                REAL,
                f"Load along {of}: largest first principal stress in the particle over the applied "
                "stress, as a mean over a ball of 1.5 voxels: the robust figure.",
                True,
            ),
            Column(f"{key}_factor_raw", REAL, f"Load along {of}: the same in one voxel.", True),
            Column(
                f"{key}_factor_p999",
                REAL,
                f"Load along {of}: 99.9th percentile of the voxels of the particle.",
                True,
            ),
            Column(
                f"{key}_matrix_factor",
                REAL,
                f"Load along {of}: largest in the matrix at the interface, as a mean over a ball.",
                True,
            ),
            Column(f"{key}_matrix_factor_raw", REAL, f"Load along {of}: in one voxel of it.", True),
            Column(
                f"{key}_von_mises", REAL, f"Load along {of}: largest von Mises stress in it.", True
            ),
        ]
    return columns


STRESS = Table(
    "stress",
    ("scan_id", "phase", "particle_id"),
    (
        *KEY,
        Column("phase", TEXT, "Name of the phase."),
        Column("particle_id", COUNT, "Particle, as in particles."),
        Column(
            "state",
            TEXT,
            "screened: closed form alone; solved: by the voxel solver too; not converged, refused: "
            "the solver gave no number, see notes. All factors are linear elastic: no plasticity, "
            "residual stress or decohesion; a ranking aid, no statement on fitness for service.",
        ),
        Column("notes", TEXTS, "What was assumed, and what went wrong."),
        *axes("load_axis_{}", REAL, "Component along {} of the load axis, a unit vector."),
        Column("youngs_gpa", REAL, "Young's modulus of the particle; 0 for a void."),
        Column("poisson", REAL, "Poisson's ratio of the particle."),
        Column("youngs_range_percent", REAL, "Half the range of the modulus in percent."),
        Column("matrix_youngs_gpa", REAL, "Young's modulus of the matrix."),
        Column("matrix_poisson", REAL, "Poisson's ratio of the matrix."),
        Column(
            "screen_load",
            REAL,
            "Load along the load axis: first principal stress over the applied one in the "
            "inertia-equivalent ellipsoid alone in matrix (Eshelby 1957); 0 for a void.",
        ),
        Column("screen_worst", REAL, "The same for the worst load direction."),
        Column(
            "screen_matrix_load", REAL, "Load along the load axis: in the matrix at the ellipsoid."
        ),
        Column("screen_matrix_worst", REAL, "The same for the worst direction of the matrix."),
        *axes("screen_worst_{}", REAL, "Component along {} of the ellipsoid's worst load."),
        Column(
            "screen_rank",
            COUNT,
            "Place in its phase by screen_worst (voids: screen_matrix_worst), 1 the worst; equal "
            "ones by id.",
        ),
        *_factors(),
        *axes("worst_{}", REAL, "Component along {} of the worst load direction.", True),
        *axes("best_{}", REAL, "Component along {} of the best load direction.", True),
        Column(
            "load_place",
            TEXT,
            "Where the peak sits for the load axis: face, rim, protuberance, crossing, compact, "
            "or beside a pore (rules: pipeline.kernels.places).",
            True,
        ),
        Column("worst_place", TEXT, "The same for the worst direction.", True),
        *axes("worst_peak_{}_um", REAL, "Where the worst peak sits along {}.", True),
        Column("n_peaks", COUNT, "Separate regions within 10 % of the worst factor.", True),
        Column(
            "coarse_change",
            REAL,
            "Relative change of worst_factor when voxels twice as large are taken: an estimate of "
            "its error.",
            True,
        ),
        Column("worst_factor_low", REAL, "worst_factor at the low end of the modulus.", True),
        Column("worst_factor_high", REAL, "worst_factor at the high end of the modulus.", True),
        Column(
            "company_load_factor",
            REAL,
            "load_factor with everything in the neighbourhood as it is.",
            True,
        ),
        Column("company_worst_factor", REAL, "worst_factor in company.", True),
        Column("company_load_matrix_factor", REAL, "load_matrix_factor in company.", True),
        Column("company_worst_matrix_factor", REAL, "worst_matrix_factor in company.", True),
        Column("company_load_place", TEXT, "load_place in company.", True),
        Column("company_worst_place", TEXT, "worst_place in company.", True),
        Column("company_load_ratio", REAL, "Factor in company over factor alone, load axis.", True),
        Column("company_worst_ratio", REAL, "The same for the worst direction.", True),
        Column(
            "factor_map",
            REALS,
            "Factor over 400 load directions of equal area (pipeline.kernels.concentration).",
            True,
        ),
        Column("thickness_vx", REAL, "Thickness in voxels: four times the mean depth.", True),
        Column("cell_voxels", COUNT, "Voxels of the solver's cell.", True),
        Column("cell_scale", REAL, "Edge of the cell's voxels over that of the scan's.", True),
        Column("touches_border", FLAG, "Cut by the volume's border: matrix assumed beyond."),
        Column("sub_volume", FLAG, "Only a part around its centre was solved.", True),
        Column("n_iterations", COUNT, "Most iterations of a load case.", True),
        Column("residual", REAL, "Largest equilibrium residual of a load case.", True),
        Column("setting_hash", TEXT, "Hash of load axis, constants and limits."),
        Column("stress_job", TEXT, "Job that asked.", provenance=True),
        Column("seconds", REAL, "Time of the solver in s.", True, provenance=True),
    ),
)
