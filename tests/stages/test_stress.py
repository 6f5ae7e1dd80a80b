"""The stress stage: rows, resume, order of tasks, refusals, and what it leaves of the census."""

import numpy as np
import pyarrow as pa
import pytest

from flows.jobs.stress import StressWish, plan_stress
from pipeline.errors import CancelledError, NotFoundError, RecipeError, UsageError
from pipeline.model.records import STRESS
from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.job import JobFolder

RECIPE = {
    "name": "plates",
    "condition": {"mask": "none", "denoise": {"method": "none"}},
    "segment": {"method": "manual", "thresholds": [50.0, 150.0]},
    "phases": [
        {"name": "pore", "kind": "particles", "min_voxels": 5},
        {"name": "matrix", "kind": "background"},
        {"name": "iron-rich", "kind": "particles", "min_voxels": 5},
    ],
    "tiling": {"tile_shape": [24, 24, 24]},
}


def make_plates():
    """A disc, a block at the border, a small and a large single layer, and a pore."""
    volume = np.full((40, 44, 48), 100, np.uint8)
    z, y, x = np.indices(volume.shape)
    volume[(abs(z - 9) < 2) & ((y - 14) ** 2 + (x - 14) ** 2 < 64)] = 200
    volume[(abs(x - 44) < 4) & (abs(y - 30) < 6) & (abs(z - 14) < 6)] = 200
    volume[30, 8:14, 8:14] = 200
    volume[35, 20:41, 4:25] = 200
    volume[(z - 13) ** 2 + (y - 14) ** 2 + (x - 17) ** 2 < 5] = 0
    return volume


@pytest.fixture(scope="module")
def counted(tmp_path_factory, plan_job):
    """A workspace with the plates counted."""
    workspace = tmp_path_factory.mktemp("stress") / "census"
    path = workspace.parent / "plates.npy"
    np.save(path, make_plates())
    run(plan_job(workspace, path, RECIPE, scan_id="plates").path)
    return workspace


def ask(workspace, name, **wishes):
    """Plan a stress job and write its folder."""
    scan = Catalogue(workspace / "catalogue").scan_ids()[0]
    folder = JobFolder(workspace / "jobs" / name)
    folder.write_plan(plan_stress(workspace, scan, StressWish(**wishes)))
    return folder


def rows_of(workspace):
    rows = Catalogue(workspace / "catalogue").read("stress").to_pylist()
    return {(r["phase"], r["particle_id"]): r for r in rows}


def values(rows):
    """Rows without what tells how they came about."""
    kept = [c.name for c in STRESS.columns if not c.provenance]
    return {key: {name: row[name] for name in kept} for key, row in rows.items()}


def test_all_are_screened_and_the_worst_are_solved(counted):
    before = Catalogue(counted / "catalogue").fingerprint_rows("plates")
    run(ask(counted, "first", top=2).path)
    rows = rows_of(counted)
    assert len(rows) == Catalogue(counted / "catalogue").read("particles").num_rows == 5
    solved = [r for r in rows.values() if r["state"] == "solved"]
    assert [r["screen_rank"] for r in sorted(solved, key=lambda r: r["screen_rank"])] == [1, 2]
    for row in solved:
        assert row["worst_factor"] >= row["load_factor"] >= row["best_factor"] > 1.0
        assert row["worst_factor_low"] < row["worst_factor"] < row["worst_factor_high"]
        assert row["residual"] <= 3e-5
        assert len(row["factor_map"]) == 400
        assert row["company_worst_factor"] is None
    assert rows["pore", 1]["state"] == "screened"
    assert rows["pore", 1]["screen_worst"] == 0.0
    assert 1.5 < rows["pore", 1]["screen_matrix_worst"] < 3.0
    assert Catalogue(counted / "catalogue").fingerprint_rows("plates") == before


def test_company_a_border_and_a_single_layer_are_said(counted):
    run(ask(counted, "company", particles=(1, 2, 3), in_company=True).path)
    rows = {k[1]: r for k, r in rows_of(counted).items() if k[0] == "iron-rich"}
    disc, block, layer = (rows[i] for i in (1, 2, 3))
    assert disc["company_worst_ratio"] == pytest.approx(
        disc["company_worst_factor"] / disc["worst_factor"]
    )
    assert disc["company_worst_factor"] > disc["worst_factor"]
    assert block["touches_border"]
    assert any("border" in note for note in block["notes"])
    assert layer["state"] == "solved"
    assert layer["cell_scale"] == pytest.approx(1 / 3)
    assert any("refined 3 times" in note for note in layer["notes"])
    # The disc is flat in z: the worst load lies in its plane, its peak on it.
    assert abs(disc["worst_z"]) < 0.35
    assert abs(disc["worst_peak_z_um"] / 2.0 - 9.5) <= 2.0


def test_order_and_resume_change_nothing(counted):
    run(ask(counted, "whole", particles=(1, 2, 3)).path)
    whole = values(rows_of(counted))
    folder = ask(counted, "broken", particles=(1, 2, 3))
    seen = []

    def backwards(process, numbers):
        for number in sorted(numbers, reverse=True):
            seen.append(number)
            yield process(number)

    with pytest.raises(CancelledError):
        run(folder.path, map_tiles=backwards, should_stop=lambda: True)
    assert seen == [2]
    run(folder.path, map_tiles=backwards)
    assert seen == [2, 1, 0]
    assert values(rows_of(counted)) == whole


def test_earlier_rows_stay_under_the_same_setting_only(counted):
    run(ask(counted, "one", particles=(1,)).path)
    run(ask(counted, "two", particles=(2,)).path)
    rows = rows_of(counted)
    assert rows["iron-rich", 1]["state"] == rows["iron-rich", 2]["state"] == "solved"
    run(ask(counted, "other", particles=(2,), load_axis=(0.0, 0.0, 3.0)).path)
    rows = rows_of(counted)
    assert rows["iron-rich", 1]["state"] == "screened"
    assert rows["iron-rich", 2]["load_axis_x"] == 1.0


def test_no_convergence_is_a_row_without_numbers(counted):
    run(ask(counted, "short", particles=(1,), max_iterations=1).path)
    row = rows_of(counted)["iron-rich", 1]
    assert row["state"] == "not converged"
    assert "residual" in row["notes"][-1]
    assert row["worst_factor"] is None
    assert row["screen_worst"] > 1.0


def test_a_layer_that_cannot_be_refined_is_refused(counted):
    run(ask(counted, "small", particles=(4,), limit_voxels=32**3).path)
    row = rows_of(counted)["iron-rich", 4]
    assert (row["state"], row["worst_factor"]) == ("refused", None)
    assert any("one voxel thick" in note for note in row["notes"])


def test_wishes_that_cannot_be_met_are_refused(counted):
    for wishes, error, said in (
        ({"particles": (9,)}, NotFoundError, "no iron-rich particle 9"),
        ({"phase": "copper-rich"}, NotFoundError, "no particles of a phase"),
        ({"overrides": ("label.connectivity=6",)}, UsageError, "keeps its recipe"),
        ({"overrides": ("elastic.matrix.poisson=0.7",)}, RecipeError, "less than 0.5"),
        ({"overrides": ("elastic.matrix.youngs_gpa=0",)}, RecipeError, "nothing carries the load"),
    ):
        with pytest.raises(error, match=said):
            plan_stress(counted, "plates", StressWish(**wishes))


def test_the_plan_projects_more_for_larger_particles(counted):
    small = plan_stress(counted, "plates", StressWish(particles=(3,)))
    large = plan_stress(counted, "plates", StressWish(particles=(1, 2, 3), in_company=True))
    assert small.worker_bytes < large.worker_bytes
    assert large.stages[0].n_tiles == 3


def test_rows_of_a_census_counted_again_are_not_amended(counted):
    table = pa.Table.from_pylist([], schema=STRESS.schema)
    with pytest.raises(NotFoundError, match="counted again"):
        Catalogue(counted / "catalogue").amend("plates", "another-job", "stress", table)
