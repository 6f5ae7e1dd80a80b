import dataclasses

import numpy as np
import pytest

from pipeline.model.grid import Box
from pipeline.phantom.bodies import BodyField, bodies_of_cell, reach_vx
from pipeline.phantom.lattice import BODY_DTYPE, CELL_VX, PLATE
from pipeline.phantom.specimen import COPPER, IRON, PORE, SpecimenSpec
from pipeline.phantom.truth import specimen_bodies
from pipeline.phantom.volumes import body_volumes_vx

SPEC = SpecimenSpec((512, 512, 512), 1.5, seed=11)
T6 = dataclasses.replace(SPEC, temper="T6")
CELLS = [(z, y, x) for z in range(-1, 4) for y in range(4) for x in range(5)]


def cells(spec):
    return np.concatenate([bodies_of_cell(spec, c) for c in CELLS])


def test_a_cell_depends_on_seed_and_place_only():
    other = dataclasses.replace(SPEC, size_vx=(96, 128, 160), cnr=3.0)
    np.testing.assert_array_equal(bodies_of_cell(SPEC, (1, 2, 3)), bodies_of_cell(other, (1, 2, 3)))
    reseeded = bodies_of_cell(dataclasses.replace(SPEC, seed=12), (1, 2, 3))
    assert not np.array_equal(bodies_of_cell(SPEC, (1, 2, 3))["centre"][0], reseeded["centre"][0])
    moved = bodies_of_cell(SPEC, (1, 3, 2))
    assert not np.array_equal(bodies_of_cell(SPEC, (1, 2, 3))["semi"][0], moved["semi"][0])


@pytest.mark.parametrize("spec", [SPEC, T6])
def test_ids_are_unique_and_frames_are_right_angled(spec):
    bodies = cells(spec)
    assert len(np.unique(bodies["body_id"])) == len(bodies)
    assert (bodies["body_id"] > 0).all()
    product = bodies["axes"] @ bodies["axes"].transpose(0, 2, 1)
    np.testing.assert_allclose(product, np.broadcast_to(np.eye(3), product.shape), atol=1e-12)


def test_number_density_gives_the_volume_fractions():
    bodies = cells(SPEC)
    volume = body_volumes_vx(bodies)
    for phase, aim in ((IRON, 0.04), (COPPER, 0.006), (PORE, 0.004)):
        covered = volume[bodies["phase"] == phase].sum() / (len(CELLS) * CELL_VX**3)
        # About 80 to 300 bodies, whose volumes vary by half to all of their mean.
        assert -np.log1p(-aim) == pytest.approx(covered, rel=0.25)


def test_platelets_are_thick_enough_to_see():
    plates = cells(SPEC)
    plates = plates[plates["shape"] == PLATE]
    assert (2 * plates["semi"][:, 2] >= 4).all()
    diameter = 2 * plates["semi"][:, 0]
    assert 30 < np.median(diameter) < 38
    assert (plates["semi"][:, 1] <= plates["semi"][:, 0]).all()


def test_some_platelets_cross_the_first_of_their_cell():
    n_crossing = 0
    for cell in CELLS:
        plates = bodies_of_cell(SPEC, cell)
        plates = plates[plates["shape"] == PLATE]
        for plate in plates[1:]:
            local = plates[0]["axes"] @ (plate["centre"] - plates[0]["centre"])
            if abs(local[2]) < 1e-9:
                n_crossing += 1
                assert abs(plate["axes"][2] @ plates[0]["axes"][2]) <= 0.7 + 1e-9
                assert (local[:2] / plates[0]["semi"][:2]) @ (
                    local[:2] / plates[0]["semi"][:2]
                ) <= 0.25 + 1e-9
    # 100 cells with 1.15 further platelets each, of which 30 % cross: 34 +- 5.
    assert 20 <= n_crossing <= 50


@pytest.mark.parametrize("spec", [SPEC, T6])
def test_the_asked_share_of_copper_sits_on_faces_of_platelets(spec):
    bodies = cells(spec)
    copper = bodies[bodies["phase"] == COPPER]
    # About 300 particles (200 after T6): the standard deviation of the share is 3 %.
    assert np.mean(copper["on_platelet"]) == pytest.approx(0.6, abs=0.1)
    untreated = cells(SPEC)
    hosts = {int(b["body_id"]): b for b in untreated[untreated["shape"] == PLATE]}
    for particle in copper[copper["on_platelet"]]:
        host = hosts[int(particle["parent_id"])]
        local = host["axes"] @ (particle["centre"] - host["centre"])
        gap = abs(local[2]) - host["semi"][2]
        assert 0 < gap < particle["semi"].min()
        assert np.hypot(*(local[:2] / host["semi"][:2])) <= 0.9 + 1e-9


def test_no_body_reaches_farther_than_promised():
    for spec in (SPEC, T6):
        for cell in CELLS:
            bodies = bodies_of_cell(spec, cell)
            origin = np.asarray(cell) * CELL_VX
            assert (bodies["low"] >= origin - reach_vx(spec)).all()
            assert (bodies["high"] <= origin + CELL_VX + reach_vx(spec)).all()


def test_a_box_finds_the_bodies_that_the_whole_specimen_has_there():
    spec = SpecimenSpec((96, 160, 192), 1.5, seed=4)
    everything = np.concatenate(list(specimen_bodies(spec)))
    box = Box((10, 40, 20), (50, 100, 120))
    meets = np.all(
        (everything["high"] >= np.array(box.start) - 0.5)
        & (everything["low"] <= np.array(box.stop) - 0.5),
        axis=1,
    )
    found = BodyField(spec).bodies_in(box)
    assert len(found) > 3
    np.testing.assert_array_equal(found, everything[meets])


def test_t6_keeps_pores_dissolves_copper_and_breaks_platelets():
    before, after = cells(SPEC), cells(T6)
    np.testing.assert_array_equal(before[before["phase"] == PORE], after[after["phase"] == PORE])

    copper, left = (b[b["phase"] == COPPER] for b in (before, after))
    # 30 % of about 300 vanish, with a standard deviation of 2.7 %.
    assert len(left) / len(copper) == pytest.approx(0.7, abs=0.09)
    assert set(left["body_id"]) < set(copper["body_id"])
    kept = copper[np.isin(copper["body_id"], left["body_id"])]
    np.testing.assert_allclose(left["semi"], 0.8 * kept["semi"])
    np.testing.assert_array_equal(left["centre"], kept["centre"])

    plates, pieces = (b[b["phase"] == IRON] for b in (before, after))
    assert len(pieces) > 1.7 * len(plates)
    volume = body_volumes_vx(pieces).sum() / body_volumes_vx(plates).sum()
    assert 0.75 < volume < 0.95
    for plate in plates:
        mine = pieces[pieces["parent_id"] == plate["body_id"]]
        n_wanted = 3 if plate["semi"][0] >= 22 else 2 if plate["semi"][0] >= 12 else 0
        assert len(mine) == n_wanted
        gaps = mine["span"][1:, 0] - mine["span"][:-1, 1]
        np.testing.assert_allclose(gaps, 3.0)
        assert (mine["span"][:, 1] - mine["span"][:, 0] > 4).all()


def test_analytic_volumes():
    bodies = np.zeros(4, BODY_DTYPE)
    bodies["semi"] = (10.0, 6.0, 3.0)
    bodies["shape"] = [1, PLATE, PLATE, PLATE]
    bodies["span"] = [(0, 0), (-10, 10), (-10, 2.5), (2.5, 10)]
    volume = body_volumes_vx(bodies)
    assert volume[0] == pytest.approx(4 / 3 * np.pi * 180)
    assert volume[1] == pytest.approx(np.pi * 60 * 6)
    assert volume[2] + volume[3] == pytest.approx(volume[1])
    u = (np.arange(200_000) + 0.5) / 200_000 * 12.5 - 10
    assert volume[2] == pytest.approx(
        np.mean(2 * 6 * np.sqrt(1 - (u / 10) ** 2)) * 12.5 * 6, rel=1e-6
    )
