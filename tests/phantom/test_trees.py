import dataclasses

import numpy as np
import pytest
from scipy import ndimage

from pipeline.model.grid import Box, TileGrid
from pipeline.phantom.bodies import BodyField, bodies_of_cell, in_cylinder, reach_vx
from pipeline.phantom.lattice import (
    BENT_PLATE,
    BRANCH,
    CAPSULE,
    CELL_VX,
    OPEN,
    PLATE,
    SCRIPT,
    SHRINKAGE,
    WALL,
)
from pipeline.phantom.render import Renderer
from pipeline.phantom.specimen import IRON, OUTSIDE, PORE, RICH_BODIES, SpecimenSpec
from pipeline.phantom.trees import SCRIPT_VOLUME, SHRINKAGE_VOLUME
from pipeline.phantom.truth import body_starts, specimen_bodies, truth_table
from pipeline.phantom.volumes import counted_volume_vx

# The cylinder's surface runs through the cells below.
SPEC = SpecimenSpec(
    (320, 320, 320),
    1.5,
    seed=5,
    rich=dataclasses.replace(
        RICH_BODIES, script_fraction=0.02, shrinkage_fraction=0.02, open_pores=0.5
    ),
)
T6 = dataclasses.replace(SPEC, temper="T6")
SMALL = SpecimenSpec((90, 100, 110), 1.5, seed=8, rich=SPEC.rich)
CELLS = [(z, y, x) for z in range(2) for y in range(5) for x in range(5)]


def cells(spec):
    return np.concatenate([bodies_of_cell(spec, c) for c in CELLS])


def trees(bodies, role):
    """Return the parts of each body of one role."""
    mine = bodies[bodies["role"] == role]
    return np.split(mine, body_starts(mine)[1:])


def inside(body, points):
    """Tell which points, (..., 3), lie in a body: plain numpy, straight from the definition."""
    u, v, w = np.moveaxis((points - body["centre"]) @ body["axes"].T, -1, 0)
    a, b, c = body["semi"]
    if body["shape"] == CAPSULE:
        past = np.abs(u) - np.minimum(np.abs(u), a)
        return past**2 + v**2 + w**2 <= c**2
    if body["shape"] in (PLATE, BENT_PLATE):
        w = w - 0.5 * body["bend"] * (u**2 - a**2 / 4)
        hit = (u / a) ** 2 + (v / b) ** 2 <= 1
        hit &= (np.abs(w) <= c) & (u >= body["span"][0]) & (u <= body["span"][1])
        for p, q, r in body["holes"]:
            hit &= (u - p) ** 2 + (v - q) ** 2 >= r**2
        return hit
    return (u / a) ** 2 + (v / b) ** 2 + (w / c) ** 2 <= 1


@pytest.mark.parametrize("temper", ["F", "T6"])
def test_phases_of_rich_bodies_against_their_definition(temper):
    spec = dataclasses.replace(SMALL, temper=temper)
    grid = np.stack(np.meshgrid(*[np.arange(float(n)) for n in spec.size_vx], indexing="ij"), -1)
    wanted = np.full(spec.size_vx, 1, np.uint8)
    bodies = np.concatenate(list(specimen_bodies(spec)))
    assert set(bodies["shape"]) == {0, 1, 2, 3}
    for phase in (IRON, 3, PORE):
        for body in bodies[bodies["phase"] == phase]:
            low = np.maximum(np.floor(body["low"]).astype(int), 0)
            high = np.maximum(np.ceil(body["high"]).astype(int) + 1, 0)
            box = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
            wanted[box][inside(body, grid[box])] = phase
    y, x = grid[..., 1] - spec.axis_vx[0], grid[..., 2] - spec.axis_vx[1]
    wanted[y * y + x * x > spec.radius_vx**2] = OUTSIDE
    got = Renderer(spec).phases(Box((0, 0, 0), spec.size_vx))
    np.testing.assert_array_equal(got, wanted)


@pytest.mark.parametrize("tile_shape", [(32, 32, 32), (24, 40, 56)])
def test_rich_voxels_do_not_depend_on_the_tiling(tile_shape):
    wanted = Renderer(SMALL).render(Box((0, 0, 0), SMALL.size_vx), with_phases=True)
    renderer = Renderer(SMALL)
    for tile in TileGrid(SMALL.size_vx, tile_shape):
        got = renderer.render(tile.core, with_phases=True)
        np.testing.assert_array_equal(got.grey, wanted.grey[tile.core.slices])
        np.testing.assert_array_equal(got.phases, wanted.phases[tile.core.slices])


@pytest.mark.parametrize("spec", [SPEC, T6])
def test_no_rich_body_leaves_its_bounds(spec):
    for cell in CELLS[::3]:
        bodies = bodies_of_cell(spec, cell)
        origin = np.asarray(cell) * CELL_VX
        assert (bodies["low"] >= origin - reach_vx(spec)).all()
        assert (bodies["high"] <= origin + CELL_VX + reach_vx(spec)).all()
    ids = cells(spec)[["body_id"]]
    bodies = cells(spec)
    firsts = bodies["body_id"][body_starts(bodies)]
    assert len(np.unique(firsts)) == len(firsts) < len(ids)


def test_plain_bodies_stay_where_they_are():
    plain = dataclasses.replace(SPEC, rich=dataclasses.replace(SPEC.rich, bent=0, holed=0))
    got = cells(plain)
    wanted = cells(dataclasses.replace(SPEC, rich=type(SPEC.rich)()))
    np.testing.assert_array_equal(got[got["role"] == 0], wanted)


def test_trees_have_the_volumes_that_their_number_is_derived_from():
    bodies = cells(SPEC)
    for role, constant, sizes in (
        (SCRIPT, SCRIPT_VOLUME, SPEC.rich.script_reach_vx),
        (SHRINKAGE, SHRINKAGE_VOLUME, SPEC.rich.shrinkage_reach_vx),
    ):
        volumes = [counted_volume_vx(parts) for parts in trees(bodies, role)[:120]]
        # Spread by half (script) to all (shrinkage) of the mean, from 120: 5 to 9 %.
        assert np.mean(volumes) == pytest.approx(constant * sizes.moment(3), rel=0.25)
        n_wanted = -np.log1p(-0.02) * len(CELLS) * CELL_VX**3 / (constant * sizes.moment(3))
        assert len(trees(bodies, role)) == pytest.approx(n_wanted, rel=0.1)


def test_a_counted_volume_is_that_of_a_capsule_and_of_a_lens_of_two():
    (tree, *_) = trees(cells(SPEC), SCRIPT)
    pair = tree[:2].copy()
    pair["semi"] = [(6.0, 4.0, 4.0), (0.0, 4.0, 4.0)]
    pair["axes"] = np.eye(3)
    pair["centre"] = [(40.0, 40.3, 40.1), (40.0, 40.3, 45.1)]
    for name, sign in (("low", -1), ("high", 1)):
        pair[name] = pair["centre"] + sign * (pair["semi"][:, :1] * [[1, 0, 0]] + 4.0)
    alone = np.pi * 16 * (12 + 16 / 3)
    assert counted_volume_vx(pair[:1]) == pytest.approx(alone, rel=1e-3)
    pair["semi"][0, 0] = 0.0
    # Two spheres of radius 4, their centres 5 apart: each loses half the lens.
    lens = np.pi * (2 * 4 - 5) ** 2 * (25 + 40) / 60
    wanted = 2 * 4 / 3 * np.pi * 64 - np.pi * (8 - 5) ** 2 * (25 + 2 * 5 * 4 * 2) / 60
    assert wanted == pytest.approx(2 * 4 / 3 * np.pi * 64 - lens - np.pi * 9 * 40 / 60)
    assert counted_volume_vx(pair) == pytest.approx(wanted, rel=1e-3)


def test_script_like_bodies_are_compact_and_in_one_piece():
    for parts in trees(cells(SPEC), SCRIPT)[:10]:
        assert len(parts) in (13, 16, 19)
        assert (parts["phase"] == IRON).all()
        low = np.floor(parts["low"].min(axis=0)) - 1
        shape = (np.ceil(parts["high"].max(axis=0)) + 2 - low).astype(int)
        points = np.stack(np.meshgrid(*[np.arange(n) for n in shape], indexing="ij"), -1) + low
        solid = np.zeros(tuple(shape), bool)
        for part in parts:
            solid |= inside(part, points)
        assert ndimage.label(solid)[1] == 1


def test_walls_touch_the_pore_that_they_wall_in():
    bodies = cells(SPEC)
    pores = {int(p["body_id"][0]): p for p in trees(bodies, SHRINKAGE)}
    walls = bodies[bodies["role"] == WALL]
    n_walled = sum(bool(p["walled"][0]) for p in pores.values())
    assert n_walled / len(pores) == pytest.approx(0.5, abs=0.15)
    assert len(walls) == 3 * n_walled
    for wall in walls:
        gaps = []
        for part in pores[int(wall["parent_id"])]:
            offset = (part["centre"] - wall["centre"]) @ wall["axes"][2]
            gaps.append(abs(abs(offset) - part["semi"][2] - wall["semi"][2]))
        assert min(gaps) < 1e-9


def test_branches_start_in_the_platelet_that_they_leave():
    bodies = cells(SPEC)
    plates = {int(b["body_id"]): b for b in bodies[(bodies["role"] == 0) & (bodies["phase"] == 2)]}
    branches = bodies[bodies["role"] == BRANCH]
    angles = []
    for branch in branches:
        host = plates[int(branch["parent_id"])]
        assert inside({n: host[n] for n in host.dtype.names} | {"holes": []}, branch["centre"])
        angles.append(np.degrees(np.arccos(min(1, abs(branch["axes"][0] @ host["axes"][2])))))
        np.testing.assert_allclose(branch["axes"] @ branch["axes"].T, np.eye(3), atol=1e-12)
    assert len(branches) / len(plates) == pytest.approx(0.25, abs=0.1)
    assert set(np.round(angles)) == {0, 30}


def test_open_pores_let_the_air_in():
    spec = dataclasses.replace(
        SpecimenSpec((140, 200, 200), 1.5, seed=3, iron_fraction=0, copper_fraction=0),
        pore_fraction=0.002,
        rich=dataclasses.replace(SPEC.rich, script_fraction=0, bent=0, branched=0, holed=0),
    )
    bodies = np.concatenate(list(specimen_bodies(spec)))
    rows = truth_table(spec, bodies).to_pylist()
    phases = Renderer(spec).phases(Box((0, 0, 0), spec.size_vx))
    labels, _ = ndimage.label(phases == PORE, np.ones((3, 3, 3)))
    beside_air = ndimage.binary_dilation(phases == OUTSIDE, np.ones((3, 3, 3)))
    touching = set(np.unique(labels[beside_air])) - {0}
    n_open = 0
    for row, start in zip(rows, body_starts(bodies), strict=True):
        if row["role"] != "open":
            continue
        assert row["open_to_surface"]
        parts = bodies[bodies["body_id"] == bodies["body_id"][start]]
        if (parts["low"][:, 0] < 0).any() or (parts["high"][:, 0] > 139).any():
            continue
        inner = tuple(np.rint(parts["centre"][1]).astype(int))
        assert labels[inner] in touching
        assert 0 < row["volume_inside_um3"] < row["volume_um3"]
        n_open += 1
    assert n_open >= 5
    assert (bodies["role"] == OPEN).sum() > 4 * n_open
    closed = [r for r in rows if r["kind"] == "pore" and r["whole"]]
    assert closed
    assert not any(r["open_to_surface"] for r in closed)


def test_rows_of_rich_bodies():
    bodies = np.concatenate(list(specimen_bodies(SMALL)))
    table = truth_table(SMALL, bodies)
    rows = table.to_pylist()
    assert len(rows) == len({r["body_id"] for r in rows}) < len(bodies)
    assert sum(r["n_parts"] for r in rows) == len(bodies)
    roles = {r["role"] for r in rows}
    assert roles == {"plain", "branch", "wall", "script", "shrinkage", "open"}
    for row in rows:
        assert row["volume_exact"] == (row["n_parts"] == 1)
        assert (row["kind"] == "script") == (row["role"] == "script")
        assert (row["semi_u_um"] is None) == (not row["volume_exact"])
        parts = bodies[bodies["body_id"] == row["body_id"]]
        counted = counted_volume_vx(parts) * 1.5**3
        assert row["volume_um3"] == pytest.approx(counted, rel=3e-3)
        if row["whole"]:
            assert row["volume_inside_um3"] == row["volume_um3"]
    bent = [r for r in rows if r["bend_um"]]
    assert all(0.1 <= abs(r["bend_um"]) / r["semi_u_um"] <= 0.3 for r in bent)
    assert any(r["n_holes"] == 1 for r in rows)


def test_a_hole_cut_by_a_gap_is_counted():
    bodies = np.concatenate([b for c in CELLS for b in [bodies_of_cell(T6, c)]])
    pieces = bodies[(bodies["shape"] == BENT_PLATE)]
    exact = truth_table(T6, pieces)["volume_exact"].to_pylist()
    assert any(exact)
    assert not all(exact)
    volume = truth_table(T6, pieces)["volume_um3"].to_pylist()
    for piece, got in zip(pieces[:40], volume, strict=False):
        assert got == pytest.approx(counted_volume_vx(piece[None]) * 1.5**3, rel=3e-3)


def test_a_box_finds_all_that_reaches_into_it():
    everything = np.concatenate(list(specimen_bodies(SMALL)))
    box = Box((10, 40, 20), (50, 90, 100))
    meets = np.all(
        (everything["high"] >= np.array(box.start) - 0.5)
        & (everything["low"] <= np.array(box.stop) - 0.5),
        axis=1,
    )
    meets &= in_cylinder(SMALL, everything)[0]
    found = BodyField(SMALL).bodies_in(box)
    assert set(found["body_id"]) == set(everything["body_id"][meets])
