"""The numbers of a scan on the whole path: the same for every tiling, kept and replaced with it."""

import numpy as np
import pytest

from pipeline.run import run
from pipeline.stores.catalogue import Catalogue


def numbers(make_job, specimen, name, *overrides):
    folder = make_job(name, specimen(), *overrides)
    run(folder.path)
    return Catalogue(folder.workspace / "catalogue")


def test_numbers_do_not_depend_on_tiles_and_agree_with_the_other_tables(make_job, specimen):
    whole = numbers(make_job, specimen, "whole")
    rows = whole.read("statistics", "scan").drop_columns(["job"])
    tiled = numbers(make_job, specimen, "tiles", "tiling.tile_shape=[61, 17, 33]")
    assert tiled.read("statistics", "scan").drop_columns(["job"]).equals(rows)
    found = {(r["phase"], r["quantity"], r["reference"], r["at"]): r for r in rows.to_pylist()}
    assert len(found) == rows.num_rows
    for phase in whole.read("phases", "scan").to_pylist():
        value = found[phase["phase"], "volume_fraction", "", None]["value"]
        assert value == pytest.approx(phase["volume_fraction"], rel=1e-9)
        if phase["kind"] == "particles":
            density = found[phase["phase"], "number_density_uncorrected_mm3", "", None]
            assert density["value"] == pytest.approx(phase["number_density_mm3"], rel=1e-9)
            assert density["n"] == phase["n_particles"]
    for row in found.values():
        assert all(row[c] is None or np.isfinite(row[c]) for c in ("value", "low", "high"))
    # A specimen in air: particles are seen whole in blocks that lie wholly inside.
    assert 0 < found["copper-rich", "number_density_mm3", "", None]["n"] < 90
    assert found["copper-rich", "contact_ratio", "iron-rich", None]["value"] is not None
