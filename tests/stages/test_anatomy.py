"""Anatomy through the real stages: the same for every tiling, null beyond its limit."""

import numpy as np
import pytest

from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan

SHAPE = (44, 52, 48)
TILINGS = ("[64, 64, 64]", "[19, 23, 17]", "[22, 26, 24]", "[44, 9, 48]")


def bodies():
    """A bent sheet across many tiles, a ring, a flat sheet, a speck and a row of voxels."""
    z, y, x = np.indices(SHAPE).astype(float)
    volume = np.zeros(SHAPE, np.uint8)
    volume[(np.abs(np.hypot(z + 10, x - 24) - 30) <= 1.5) & (np.abs(y - 26) < 20)] = 1
    volume[np.hypot(np.hypot(y - 26, x - 24) - 9, z - 36) <= 2] = 1
    volume[40:42, 2:12, 2:20] = 1
    volume[2, 2, 2] = volume[5, 3, 3:9] = 1
    return volume


def test_one_answer_for_every_tiling(make_job, binary_recipe):
    marks, tables = set(), []
    for i, tile in enumerate(TILINGS):
        folder = make_job(
            f"job-{i}", bodies(), f"tiling.tile_shape={tile}", "describe.skeleton=true",
            "load_axis=[1, 2, 3]", recipe=binary_recipe,
        )  # fmt: skip
        run(folder.path)
        marks.add(fingerprint_scan(folder.workspace, "scan"))
        tables.append(Catalogue(folder.workspace / "catalogue").read("particles").to_pylist())
    assert len(marks) == 1
    by_size = sorted(tables[0], key=lambda row: row["n_voxels"])
    speck, row, flat, ring, bent = by_size
    for small in (speck, row):
        assert small["bending_um"] is None
        assert (small["n_junctions"], small["n_branches"]) == (0, 1)
    assert (ring["n_junctions"], ring["n_branches"], ring["n_ends"]) == (0, 1, 0)
    # So much bending leaves its convex hull mostly empty.
    assert (flat["shape_class"], bent["shape_class"]) == ("platelet", "branched")
    assert flat["bending"] == 0.0
    # An arc of radius 30 voxels that the volume's border cuts 24 voxels to either side.
    a = np.arcsin(24 / 30)
    wanted = 60 * np.sqrt(0.5 + np.sin(2 * a) / (4 * a) - (np.sin(a) / a) ** 2)
    assert bent["bending_um"] == pytest.approx(wanted, rel=0.06)
    assert bent["bending"] == pytest.approx(bent["bending_um"] / bent["thickness_um"])


def crossing_plates():
    """Two plates that cross at 60 degrees, three at right angles, and a ball."""
    z, y, x = np.indices((44, 60, 64)).astype(float)
    volume = np.zeros(z.shape, np.uint8)
    for angle in (0.4, 0.4 + np.pi / 3):
        height = (y - 15) * np.cos(angle) + (x - 16) * np.sin(angle)
        along = (x - 16) * np.cos(angle) - (y - 15) * np.sin(angle)
        volume[(np.abs(height) <= 1.6) & (np.hypot(along, 0.8 * (z - 21)) <= 14)] = 1
    place = np.array([z - 21, y - 41, x - 43])
    for axis in range(3):
        reach = np.linalg.norm(np.delete(place, axis, 0), axis=0)
        volume[(np.abs(place[axis]) <= 1.6) & (reach <= 14)] = 1
    volume[np.hypot(np.hypot(z - 8, y - 50), x - 8) <= 6] = 1
    return volume


def test_members_of_crossing_plates(make_job, binary_recipe):
    marks, tables = set(), []
    tilings = ("[64, 64, 64]", "[19, 23, 17]", "[22, 30, 32]", "[44, 9, 64]")
    for i, tile in enumerate(tilings):
        folder = make_job(
            f"job-{i}", crossing_plates(), f"tiling.tile_shape={tile}", "describe.members=true",
            "load_axis=[0, 0, 1]", recipe=binary_recipe,
        )  # fmt: skip
        run(folder.path)
        marks.add(fingerprint_scan(folder.workspace, "scan"))
        tables.append(Catalogue(folder.workspace / "catalogue"))
    assert len(marks) == 1
    bodies = tables[0].read("particles").to_pylist()
    assert sorted([b["n_members"] or 0 for b in bodies]) == [0, 2, 3]
    members = tables[0].read("members").to_pylist()
    assert len(members) == 5
    for body in bodies:
        mine = [m for m in members if m["particle_id"] == body["particle_id"]]
        assert [m["member_id"] for m in mine] == list(range(1, len(mine) + 1))
        if not mine:
            continue
        assert sum(m["n_voxels"] for m in mine) == body["n_voxels"]
        assert all(m["phase"] == body["phase"] for m in mine)
        normals = np.array([[m[f"normal_{a}"] for a in "zyx"] for m in mine])
        cosines = np.abs(normals @ normals.T)[np.triu_indices(len(mine), 1)]
        angles = np.degrees(np.arccos(cosines))
        assert angles == pytest.approx({2: 60.0, 3: 90.0}[len(mine)], abs=4.0)
        for m, normal in zip(mine, normals, strict=True):
            assert m["thickness_um"] == pytest.approx(2 * 3.2, rel=0.2)
            assert m["load_angle_deg"] == pytest.approx(np.degrees(np.arccos(abs(normal[2]))))
            # A disc has the spread of an ellipsoid whose axes are sqrt(5 / 4) times as long.
            longest = {2: 35, 3: 28}[len(mine)] * 2 * np.sqrt(5 / 4)
            assert m["length_um"] == pytest.approx(longest, rel=0.1)


def test_large_boxes_are_left_out_and_switches_switch(make_job, binary_recipe):
    names = ("bending_um", "bending", "n_junctions", "n_branches", "n_ends")
    asked = {
        "small": ("describe.largest_box=1000", "describe.skeleton=true"),
        "off": ("describe.bending=false",),
    }
    for name, overrides in asked.items():
        folder = make_job(
            name, bodies(), "tiling.tile_shape=[22, 26, 24]", *overrides, recipe=binary_recipe
        )
        run(folder.path)
        assert folder.product("particles.parquet").exists()
        assert (folder.path / "sides" / "anatomy").exists() == (name == "small")
        rows = Catalogue(folder.workspace / "catalogue").read("particles").to_pylist()
        big = [r for r in rows if r["n_voxels"] > 400]
        assert len(big) == 2
        assert all(row[c] is None for row in big for c in names)
        known = [r for r in rows if r["n_ends"] is not None]
        assert len(known) == (3 if name == "small" else 0)


def test_a_phase_without_particles(make_job, binary_recipe):
    volume = np.zeros((12, 12, 12), np.uint8)
    volume[7:9, 7:9, 7:9] = 1
    folder = make_job(
        "none", volume, "tiling.tile_shape=[8, 8, 8]", "phases.grain.min_voxels=9",
        recipe=binary_recipe,
    )  # fmt: skip
    run(folder.path)
    assert Catalogue(folder.workspace / "catalogue").read("particles").num_rows == 0
