import dataclasses
import json

import numpy as np
import pyarrow.parquet as pq
import pytest
from scipy import ndimage

from pipeline.model.grid import Box
from pipeline.phantom.bodies import bound_bodies
from pipeline.phantom.render import Renderer
from pipeline.phantom.specimen import IRON, PORE, SpecimenSpec
from pipeline.phantom.truth import (
    TRUTH_SCHEMA,
    connected_truth,
    specimen_bodies,
    truth_census,
    truth_table,
    write_truth,
)
from pipeline.phantom.volumes import body_volumes_vx

SPEC = SpecimenSpec((120, 140, 140), 2.0, seed=31)
T6 = dataclasses.replace(SPEC, temper="T6")


def table(spec):
    return truth_table(spec, np.concatenate(list(specimen_bodies(spec))))


def phases(spec):
    return Renderer(spec).phases(Box((0, 0, 0), spec.size_vx))


def test_the_file_holds_every_body_and_the_specification(tmp_path):
    path = tmp_path / "truth.parquet"
    n_bodies = write_truth(SPEC, path)
    read = pq.read_table(path)
    assert read.num_rows == n_bodies == table(SPEC).num_rows > 20
    assert read.schema.equals(TRUTH_SCHEMA)
    assert read.equals(table(SPEC))
    stated = json.loads(read.schema.metadata[b"specimen"])
    assert stated["seed"] == 31
    assert stated["temper"] == "F"


def test_rows_are_in_micrometres():
    bodies = np.concatenate(list(specimen_bodies(SPEC)))
    rows = table(SPEC).to_pylist()
    for body, row in zip(bodies, rows, strict=True):
        assert row["centre_z_um"] == 2.0 * (body["centre"][0] + 0.5)
        assert row["semi_w_um"] == 2.0 * body["semi"][2]
        assert row["volume_um3"] == pytest.approx(8.0 * body_volumes_vx(body[None])[0])
        assert row["volume_inside_um3"] == (row["volume_um3"] if row["whole"] else None)
        assert row["kind"] == {0: "pore", 2: "platelet", 3: "particle"}[row["phase"]]
        assert (row["parent_id"] is not None) == row["on_platelet"]


def test_whole_pores_have_their_analytic_volume_in_the_phase_map():
    # Pores win over every other phase: an isolated whole one keeps all of its voxels.
    spec = dataclasses.replace(SPEC, pore_fraction=0.02)
    pores = [r for r in table(spec).to_pylist() if r["kind"] == "pore" and r["whole"]]
    labels, n = ndimage.label(phases(spec) == PORE)
    sizes = ndimage.sum_labels(labels > 0, labels, range(1, n + 1))
    n_alone = 0
    for row in pores:
        at = tuple(int(row[f"centre_{a}_um"] / 2.0) for a in "zyx")
        size = sizes[labels[at] - 1]
        if size == pytest.approx(row["volume_inside_um3"] / 8.0, rel=0.03):
            n_alone += 1
            # As the catalogue measures centroids: from the low faces of the volume.
            found = np.argwhere(labels == labels[at]).mean(axis=0) + 0.5
            centre = [row[f"centre_{a}_um"] / 2.0 for a in "zyx"]
            np.testing.assert_allclose(found, centre, atol=0.15)
    assert len(pores) >= 10
    assert n_alone >= 0.7 * len(pores)


def test_a_body_is_whole_only_if_all_its_voxels_are_inside():
    spec = SpecimenSpec((64, 64, 64), 1.0, seed=1)
    bodies = np.concatenate(list(specimen_bodies(SPEC)))[:6]
    bodies["shape"], bodies["semi"] = 1, 5.0
    # Cylinder: axis at (31.5, 31.5), radius 28.8.
    bodies["centre"] = [
        (30, 31.5, 31.5),
        (4, 31.5, 31.5),
        (4.6, 31.5, 31.5),
        (59, 31.5, 31.5),
        (30, 31.5, 55.5),
        (30, 31.5, 54.0),
    ]
    got = truth_table(spec, bound_bodies(bodies))["whole"].to_pylist()
    assert got == [True, False, True, False, False, True]


def test_the_census_counts_the_phase_map():
    progress = []
    census = truth_census(SPEC, on_progress=lambda done, total: progress.append((done, total)))
    counts = np.bincount(phases(SPEC).ravel(), minlength=256)
    assert list(census.n_voxels) == ["pore", "matrix", "iron-rich", "copper-rich"]
    assert list(census.n_voxels.values()) == counts[:4].tolist()
    assert census.n_voxels_specimen == counts[:4].sum()
    assert sum(census.fractions.values()) == pytest.approx(1.0)
    # The cylinder has 0.45 of the width as its radius.
    assert census.n_voxels_specimen / SPEC.size_vx[0] == pytest.approx(np.pi * 63**2, rel=2e-3)
    assert progress[-1] == (120 * 140 * 140, 120 * 140 * 140)


def test_t6_has_less_copper_more_iron_bodies_and_the_same_pores():
    before, after = phases(SPEC), phases(T6)
    np.testing.assert_array_equal(before == PORE, after == PORE)
    f, t6 = truth_census(SPEC).n_voxels, truth_census(T6).n_voxels
    assert t6["copper-rich"] < 0.6 * f["copper-rich"]
    assert 0.7 * f["iron-rich"] < t6["iron-rich"] < f["iron-rich"]
    # Platelets only lose voxels; what is iron-rich afterwards was so before or held copper.
    assert (before[after == IRON] != 1).all()
    n = {
        spec.temper: connected_truth(phases(spec), min_voxels=27)["iron-rich"].n_particles
        for spec in (SPEC, T6)
    }
    assert n["T6"] > 1.3 * n["F"]
    rows = table(T6).to_pylist()
    fragments = [r for r in rows if r["kind"] == "platelet" and r["parent_id"] is not None]
    assert len(fragments) > 10
    assert {r["temper"] for r in rows} == {"T6"}


def test_connected_truth_joins_by_neighbours():
    volume = np.ones((8, 8, 8), np.uint8)
    volume[1:3, 1:3, 1:3] = IRON
    volume[3, 3, 3] = IRON
    volume[6, 6, 6] = PORE
    assert connected_truth(volume, 26)["iron-rich"] == dataclasses.replace(
        connected_truth(volume, 26)["iron-rich"], n_particles=1, largest_voxels=9
    )
    assert connected_truth(volume, 6)["iron-rich"].n_particles == 2
    assert connected_truth(volume, 6, min_voxels=2)["pore"].n_particles == 0
    assert connected_truth(volume)["copper-rich"].largest_voxels == 0
