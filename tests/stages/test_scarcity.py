"""Scans with nothing, one voxel, or one body throughout: nulls with a reason, no NaN."""

import numpy as np
import pyarrow as pa
import pytest

from pipeline.model.records import PARTICLES
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue

TABLES = ("scans", "phases", "particles", "contacts", "neighbours", "members", "statistics")
EVERYTHING = tuple(f"describe.{name}=true" for name in ("skeleton", "members", "curvature"))
MANUAL = ("segment.method=manual", "segment.thresholds=[50, 150, 250]", "condition.mask=none")
RAW = ("condition.denoise.method=none", "condition.flatten=none")


def volume_of(kind):
    rng = np.random.default_rng(3)
    volume = np.full((26, 28, 30), 100, np.uint16) + rng.integers(0, 2, (26, 28, 30)).astype("u2")
    if kind == "one voxel":
        volume[13, 14, 15] = 200
    elif kind == "percolating":
        z, y, x = np.indices(volume.shape)
        volume[(z % 10 < 3) | ((y % 10 < 3) & (x % 10 < 3))] = 200
    return volume


@pytest.mark.parametrize("kind", ["no body", "one voxel", "percolating"])
def test_nothing_is_nan_and_what_is_missing_says_why(make_job, kind):
    smallest = [f"phases.{name}.min_voxels=1" for name in ("pore", "iron-rich", "copper-rich")]
    job = make_job(kind, volume_of(kind), *EVERYTHING, *MANUAL, *RAW, *smallest)
    run(job.path)
    catalogue = Catalogue(job.workspace / "catalogue")
    for name in TABLES:
        table = catalogue.read(name)
        for column in table.column_names:
            if pa.types.is_floating(table[column].type):
                known = table[column].drop_null().to_numpy()
                assert np.isfinite(known).all(), (name, column)
    rows = catalogue.read("particles").to_pylist()
    assert [r["phase"] for r in rows] == ([] if kind == "no body" else ["iron-rich"])
    for row in rows:
        assert all(row[c.name] is not None for c in PARTICLES.columns if not c.nullable)
        assert row["surface_curvature_mean_per_um"] is not None
        # A body a few voxels thick has no roundness, one that is no sheet no members.
        assert row["roundness"] is None
    numbers = catalogue.read("statistics").to_pylist()
    assert all(row["value"] is not None or row["note"] for row in numbers)
    spans = [r for r in numbers if r["quantity"] == "axes_spanned" and r["value"]]
    assert len(spans) == (kind == "percolating")
