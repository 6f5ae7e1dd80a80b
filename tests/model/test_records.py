import re

import numpy as np
import pyarrow as pa
import pytest

from pipeline.kernels.convexity import HullColumns
from pipeline.kernels.descriptors import describe_particles
from pipeline.kernels.reduce import MergedTallies
from pipeline.kernels.shapes import classify_shapes
from pipeline.model.metadata import ScanMetadata
from pipeline.model.records import PARTICLES, PHASES, SCANS, TABLES, write_dictionary
from pipeline.model.records.particles import ANATOMY, DISTANCES

UNITS = {
    "_um", "_um2", "_um3", "_vx", "_mm3", "_deg", "_kv", "_w", "_kev",
}  # fmt: skip


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.name)
def test_every_column_has_one_name_and_a_meaning(table):
    names = [c.name for c in table.columns]
    assert len(set(names)) == len(names)
    assert set(table.order) <= set(names)
    for column in table.columns:
        assert re.fullmatch(r"[a-z][a-z0-9_]*", column.name)
        assert column.meaning.endswith(".")
        assert table.column(column.name) is column
        assert table.schema.field(column.name).nullable == column.nullable


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.name)
def test_lengths_name_their_unit(table):
    for column in table.columns:
        if re.search(r" in (um|um2|um3|kV|W|keV)\b", column.meaning):
            assert any(column.name.endswith(unit) for unit in UNITS), column.name


def test_names_that_others_rely_on():
    wanted = {
        SCANS: "scan_id specimen condition alloy temper voxel_z_um voxel_y_um voxel_x_um "
        "n_voxels_mask recipe_hash",
        PARTICLES: "scan_id phase particle_id n_voxels volume_um3 surface_um2 "
        "equivalent_diameter_um sphericity centroid_z_um centroid_y_um centroid_x_um "
        "euler_number grey_mean touches_border",
    }
    for table, names in wanted.items():
        assert set(names.split()) <= {c.name for c in table.columns}


def no_tile(number):
    raise AssertionError(f"there is no tile {number}")


def test_descriptors_are_the_columns_of_particles():
    unit, load, none = (1.0, 1.0, 1.0), (1.0, 0.0, 0.0), MergedTallies.empty(0)
    columns = describe_particles(none, unit, load, 1.0, 0.0)
    columns |= HullColumns(columns, unit, load).describe(0, no_tile, none)
    columns |= classify_shapes(columns | {"n_tunnels": np.zeros(0, np.int64)})
    keys = {"scan_id", "job", "phase", "particle_id"}
    # What the thresholds' own doubt makes of them; see pipeline.stages.quality.
    keys |= {"n_voxels_kept_lowered", "n_voxels_kept_raised", "threshold_sensitive"}
    # What they enclose; see pipeline.stages.cavities.
    keys |= set(ANATOMY) | {"n_cavities", "n_tunnels", "cavity_volume_um3", "cavity_holds_pore"}
    keys |= set(DISTANCES)
    assert set(columns) == {c.name for c in PARTICLES.columns} - keys
    for name, values in columns.items():
        wanted = PARTICLES.column(name).type
        assert pa.array(np.asarray(values)).type == wanted, name


def test_scans_have_a_column_for_every_fact():
    assert set(ScanMetadata.model_fields) <= {c.name for c in SCANS.columns}
    assert all(SCANS.column(name).nullable for name in ScanMetadata.model_fields)


def test_dictionary_lists_all():
    text = write_dictionary()
    for table in TABLES:
        assert f"## {table.name}" in text
        for column in table.columns:
            assert f"| {column.name} | {column.type} | {column.meaning} |" in text


def test_what_differs_between_equal_runs_is_marked_provenance():
    marked = {c.name for table in (SCANS, PHASES, PARTICLES) for c in table.columns if c.provenance}
    assert {"job", "seconds", "committed_at", "source_location", "library_versions"} <= marked
    assert not marked & {"scan_id", "recipe_hash", "source_checksum", "thresholds", "n_voxels"}
