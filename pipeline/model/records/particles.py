"""Table `particles`: a row a particle."""

from __future__ import annotations

from pipeline.model.records.columns import COUNT, FLAG, KEY, REAL, TEXT, Column, Table, axes

SKELETON = ("n_junctions", "n_branches", "n_ends")
ANATOMY = ("bending_um", "bending", *SKELETON, "n_members")
"""Columns that stage `anatomy` fills."""

CURVATURE = (
    "surface_curvature_mean_per_um",
    "surface_curvature_sd_per_um",
    "surface_curvature_p10_per_um",
    "surface_curvature_p50_per_um",
    "surface_curvature_p90_per_um",
    "roundness",
)
DISTANCES = (
    "inscribed_diameter_um",
    "local_thickness_mean_um",
    "local_thickness_sd_um",
    "local_thickness_median_um",
    *CURVATURE,
)
"""Columns that stage `distances` fills."""

PARTICLES = Table(
    "particles",
    ("scan_id", "phase", "particle_id"),
    (
        *KEY,
        Column("phase", TEXT, "Name of the phase."),
        Column(
            "particle_id",
            COUNT,
            "From 1 in raster order of the first voxel, by phase; value in labels/<phase>.",
        ),
        Column("n_voxels", COUNT, "Voxels of the particle."),
        Column("volume_um3", REAL, "n_voxels times the volume of a voxel."),
        Column("equivalent_diameter_um", REAL, "Diameter of the ball of equal volume."),
        Column(
            "surface_um2",
            REAL,
            "Surface area by Crofton's formula over 13 directions, weighted by their Voronoi "
            "cells on the sphere (Ohser & Muecklich 2000, ch. 4).",
        ),
        Column(
            "sphericity",
            REAL,
            "Wadell: surface of the ball of equal volume over the surface (ISO 9276-6). May "
            "exceed 1 for bodies of few voxels.",
        ),
        Column("thickness_um", REAL, "Mean thickness of a plate: twice volume over surface.", True),
        Column(
            "inscribed_diameter_um",
            REAL,
            "Diameter of the largest ball about the centre of a voxel that holds no centre of a "
            "voxel outside the particle; the border of the volume counts as outside, so that it is "
            "a lower bound for a particle that touches_border. Null where it exceeds the recipe's "
            "describe.thickness_max_vx, as all of local_thickness then is.",
            True,
        ),
        Column(
            "local_thickness_mean_um",
            REAL,
            "Mean over the voxels of the local thickness: twice sqrt(d^2 - 3/4 a^2), d the radius "
            "of the largest such ball that holds the voxel (Hildebrand & Ruegsegger 1997) and a^3 "
            "the volume of a voxel; the lattice's part is taken off (no source).",
            True,
        ),
        Column("local_thickness_sd_um", REAL, "Standard deviation of the same.", True),
        Column("local_thickness_median_um", REAL, "Median of the same.", True),
        Column(
            "surface_curvature_mean_per_um",
            REAL,
            "Mean over the surface of the mean of both principal curvatures, positive where the "
            "particle is convex: 1/R for a ball, 1/(2R) for a cylinder. At each voxel face from "
            "what of two balls lies outside (Pottmann et al. 2009), the larger of the recipe's "
            "describe.curvature_radius_vx, 4 shortest edges by default, and of two longest edges; "
            "faces nearer to the volume's border are left out. Within 3 % for balls from 8 voxels "
            "across on; edges sharper than the ball come out about as round as it. Null unless the "
            "recipe says describe.curvature.",
            True,
        ),
        Column(
            "surface_curvature_sd_per_um",
            REAL,
            "Standard deviation of the same over the surface. The lattice alone leaves 0.09 over "
            "the radius of the ball: 0.022 per voxel for one of 4 voxels, 0.012 for one of 5; in "
            "voxels of 1:1:2 twice that. Bending of a plate shows where it exceeds that.",
            True,
        ),
        *(
            Column(
                f"surface_curvature_p{percent}_per_um",
                REAL,
                f"Curvature that {percent} % of the surface do not exceed.",
                True,
            )
            for percent in (10, 50, 90)
        ),
        Column(
            "roundness",
            REAL,
            "Mean radius of curvature (inverse of the mean curvature) of the corners over the "
            "radius of the largest ball inside (Wadell 1932, in three dimensions); corners are "
            "where it is less than that radius, and a body without any has 1. What the voxels hold "
            "of it depends on size, so compare bodies of like size alone: balls of 20 and 60 "
            "voxels across get 0.86 and 0.71, sharp cubes 0.60 and 0.45. Null where the inscribed "
            "diameter is under four radii of the ball, so for thin plates, and without "
            "describe.thickness.",
            True,
        ),
        Column(
            "mean_curvature_integral_um",
            REAL,
            "Integral of the mean curvature over the surface, from Euler numbers of sections along "
            "13 families of lattice planes (Ohser & Muecklich 2000, ch. 4); negative where saddles "
            "and hollows outweigh.",
            True,
        ),
        Column(
            "mean_caliper_um",
            REAL,
            "mean_curvature_integral_um / (2 pi): the mean Feret diameter if convex.",
            True,
        ),
        Column("euler_number", COUNT, "Bodies minus tunnels plus cavities."),
        Column(
            "n_cavities",
            COUNT,
            "Hollows that no path through the volume leaves without crossing the particle, by the "
            "neighbours dual to those of bodies (6 for 26 and 18, 26 for 6). What the volume's "
            "border cuts open is none.",
            True,
        ),
        Column(
            "n_tunnels",
            COUNT,
            "Holes right through: 1 + n_cavities - euler_number (first Betti number).",
            True,
        ),
        Column(
            "cavity_volume_um3",
            REAL,
            "Volume of all cavities, with whatever lies in them.",
            True,
        ),
        Column(
            "cavity_holds_pore",
            FLAG,
            "Whether a voxel of the phase named pore lies in a cavity; null where the recipe has "
            "no such phase.",
            True,
        ),
        *axes("bbox_{}_start_vx", COUNT, "First voxel of the bounding box along {}."),
        *axes("bbox_{}_stop_vx", COUNT, "First voxel beyond the bounding box along {}."),
        *axes("centroid_{}_um", REAL, "Centroid along {}, from the volume's low face."),
        Column("major_um", REAL, "Longest axis (full length) of the inertia-equivalent ellipsoid."),
        Column("intermediate_um", REAL, "Middle axis of the inertia-equivalent ellipsoid."),
        Column("minor_um", REAL, "Shortest axis of the inertia-equivalent ellipsoid."),
        *axes("major_{}", REAL, "Component along {} of the unit vector of the longest axis."),
        *axes("minor_{}", REAL, "Component along {} of the unit vector of the shortest axis."),
        Column("elongation", REAL, "intermediate_um / major_um (Zingg's first ratio)."),
        Column("flatness", REAL, "minor_um / intermediate_um (Zingg's second ratio)."),
        Column(
            "load_angle_deg", REAL, "Angle between the shortest axis and the load axis, 0 to 90."
        ),
        Column(
            "feret_max_um",
            REAL,
            "Largest Feret diameter (ISO 9276-6): the largest distance of two parallel planes that "
            "touch the particle, a union of voxels, from both sides. Exact for its voxels, which "
            "reach up to half a voxel's diagonal beyond a smooth body at either end.",
            True,
        ),
        Column(
            "feret_max_faces_um",
            REAL,
            "Largest Feret diameter of the middles of the particle's voxel faces: the nearest to "
            "that of a body before it was cut into voxels, within one voxel for smooth and sharp "
            "bodies, where feret_max_um is up to 1.7 voxels too long. A box of whole voxels along "
            "the lattice comes out slightly short.",
            True,
        ),
        Column(
            "feret_mid_um",
            REAL,
            "Intermediate Feret diameter: the smallest distance of such planes at right angles to "
            "those of feret_min_um; for a box its middle edge.",
            True,
        ),
        Column("feret_min_um", REAL, "Smallest Feret diameter (ISO 9276-6), exact.", True),
        Column(
            "feret_mean_um",
            REAL,
            "Feret diameter in the mean of all directions: mean caliper of the convex hull.",
            True,
        ),
        Column("convex_volume_um3", REAL, "Volume of the convex hull of the voxels.", True),
        Column(
            "solidity",
            REAL,
            "Volume over convex volume (ISO 9276-6). Steps of voxels lower it by about a voxel "
            "over the size: 0.85 for a ball 16 voxels across, 0.92 for one of 40.",
            True,
        ),
        Column("extent_major_um", REAL, "Extent along the longest axis.", True),
        Column("extent_intermediate_um", REAL, "Extent along the middle axis.", True),
        Column("extent_minor_um", REAL, "Extent along the shortest axis.", True),
        Column(
            "projected_area_um2",
            REAL,
            "Area seen along the load axis: of the convex hull, or of all lines along a load axis "
            "of the lattice that meet the particle, each as often as it does, where that is less. "
            "Exact for a body that no line meets twice, else an upper bound.",
            True,
        ),
        Column(
            "sqrt_projected_area_um",
            REAL,
            "Square root of projected_area_um2 (Murakami & Endo 1994).",
            True,
        ),
        Column(
            "shape_class",
            TEXT,
            "branched if solidity is under 0.4, then network from two tunnels on (n_tunnels); "
            "else compact if elongation and flatness are 2/3 or more (Zingg 1935), "
            "platelet if flatness is the smaller, needle if elongation is. The value 0.4 is common "
            "practice, no source.",
            True,
        ),
        Column(
            "shape_margin",
            REAL,
            "Distance to the next class: least change of a ratio, as a natural logarithm, or of "
            "the Euler number, that alters the class.",
            True,
        ),
        Column(
            "bending_um",
            REAL,
            "Root mean square distance of the mid-surface of a platelet or branched body, the "
            "middle of every line of voxels along the lattice axis nearest to its shortest axis, "
            "from the best plane: bending, or crossing plates. Flat ones get 0.2 to 0.5 voxels. "
            "Null for other classes of shape, and where the bounding box has more voxels than the "
            "recipe's describe.largest_box.",
            True,
        ),
        Column("bending", REAL, "bending_um / thickness_um.", True),
        Column(
            "n_junctions",
            COUNT,
            "Junctions of the skeleton (Lee, Kashyap & Chu 1994). Null unless the recipe says "
            "describe.skeleton, and where the bounding box has more voxels than "
            "describe.largest_box.",
            True,
        ),
        Column("n_branches", COUNT, "Its branches, closed rings included.", True),
        Column("n_ends", COUNT, "Its free ends.", True),
        Column(
            "n_members",
            COUNT,
            "Plates that the body is made of: rows of table members. Null unless the recipe says "
            "describe.members, for bodies that are no sheets (thickness_um over a quarter of "
            "extent_intermediate_um), and where the bounding box has more voxels than "
            "describe.largest_box or the body more than an eighth of it.",
            True,
        ),
        Column("grey_mean", REAL, "Mean grey, in grey levels of the source."),
        Column("grey_sd", REAL, "Standard deviation of the grey, in grey levels of the source."),
        Column("grey_min", REAL, "Smallest grey, in grey levels of the source."),
        Column("grey_max", REAL, "Largest grey, in grey levels of the source."),
        Column("touches_border", FLAG, "Cut by the volume's border: its size is a lower bound."),
        Column("touches_mask_edge", FLAG, "Touches voxels outside the specimen."),
        Column(
            "is_open",
            FLAG,
            "Touches the border or voxels outside the specimen: a pore that is not closed, as far "
            "as the volume tells.",
            True,
        ),
        Column(
            "under_resolved",
            FLAG,
            "Thinner than 3 voxels, as a box of equal spread (common practice, no source).",
        ),
        Column(
            "n_voxels_kept_lowered",
            COUNT,
            "Voxels that keep their phase when all thresholds are lower by the scan's "
            "threshold_shift; voxels that it would gain are not counted.",
            True,
        ),
        Column("n_voxels_kept_raised", COUNT, "The same for higher thresholds.", True),
        Column(
            "threshold_sensitive",
            FLAG,
            "Keeps under 80 % of its voxels by lower or by higher thresholds (no source).",
            True,
        ),
    ),
)
