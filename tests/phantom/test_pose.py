"""A specimen in another pose: the same bodies, moved."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from pipeline.errors import UsageError
from pipeline.model.grid import Box
from pipeline.phantom.bodies import BodyField
from pipeline.phantom.pose import Pose
from pipeline.phantom.projection import Beam, ProjectedRenderer
from pipeline.phantom.render import Renderer
from pipeline.phantom.specimen import OUTSIDE, SpecimenSpec, Treatment
from pipeline.phantom.truth import specimen_bodies, truth_table

SPEC = SpecimenSpec((56, 64, 60), 2.0, seed=11, cnr=50.0, psf_sigma_vx=0.0)
POSE = Pose(137.0, True, 3.0, 40.0, (2.5, -3.0, 4.0), 1.002)
LARGE = replace(SPEC, size_vx=(128, 128, 128))
WHOLE = Box((0, 0, 0), SPEC.size_vx)


def test_a_pose_moves_every_voxel_and_no_more() -> None:
    before = Renderer(SPEC).phases(WHOLE)
    after = Renderer(replace(SPEC, pose=POSE)).phases(WHOLE)
    # A voxel of the posed scan shows what lies where it came from.
    move = POSE.similarity_vx(SPEC.size_vx).inverse()
    offset = move.apply(np.full(3, 0.5)) - 0.5
    seen = ndimage.affine_transform(
        before, move.matrix, offset, output_shape=SPEC.size_vx, order=0, cval=77
    )
    inside = seen != 77
    assert inside.mean() > 0.7
    assert (seen != OUTSIDE)[inside].mean() > 0.3
    # Edges of bodies and of the cylinder fall on one side or the other of a voxel's centre.
    assert np.mean(seen[inside] == after[inside]) > 0.97
    solid = ndimage.grey_erosion(seen, 3) == ndimage.grey_dilation(seen, 3)
    assert np.mean((seen == after)[inside & solid]) > 0.9999


def test_any_box_of_a_pose_has_the_same_voxels() -> None:
    renderer = Renderer(replace(SPEC, pose=POSE, psf_sigma_vx=0.8))
    box = Box((7, 11, 5), (29, 50, 44))
    whole, part = renderer.render(WHOLE, True), renderer.render(box, True)
    assert np.array_equal(whole.grey[box.slices], part.grey)
    assert np.array_equal(whole.phases[box.slices], part.phases)


def test_bodies_keep_their_ids_and_are_moved() -> None:
    posed = replace(SPEC, pose=POSE)
    bodies = {int(b["body_id"]): b for b in BodyField(SPEC).bodies_in(WHOLE)}
    moved = [b for b in BodyField(posed).bodies_in(WHOLE) if int(b["body_id"]) in bodies]
    assert len(moved) > 4
    move = POSE.similarity_vx(SPEC.size_vx)
    for body in moved:
        was = bodies[int(body["body_id"])]
        assert body["centre"] + 0.5 == pytest.approx(move.apply(was["centre"] + 0.5))
        assert body["semi"] == pytest.approx(1.002 * was["semi"])


def test_truth_of_a_pose_agrees_with_that_of_the_specimen() -> None:
    tables = [
        truth_table(spec, np.concatenate(list(specimen_bodies(spec)))).to_pylist()
        for spec in (LARGE, replace(LARGE, pose=POSE))
    ]
    before, after = ({r["body_id"]: r for r in rows} for rows in tables)
    both = [i for i in before if i in after and before[i]["whole"] and after[i]["whole"]]
    assert len(both) > 2
    move = POSE.similarity_um(LARGE.size_vx, LARGE.voxel_um)
    for i in both:
        centre = [before[i][f"centre_{a}_um"] for a in "zyx"]
        assert move.apply(centre) == pytest.approx([after[i][f"centre_{a}_um"] for a in "zyx"])
        assert after[i]["volume_um3"] == pytest.approx(1.002**3 * before[i]["volume_um3"])


def test_platelets_may_dissolve() -> None:
    some = Treatment(plate_dissolved=0.5, plate_shrink=1.0)
    spec = replace(LARGE, temper="T6", treatment=some)
    kept = BodyField(spec).bodies_in(Box((0, 0, 0), spec.size_vx))
    before = BodyField(replace(spec, temper="F")).bodies_in(Box((0, 0, 0), spec.size_vx))
    parents = {
        int(p if p >= 0 else i) for i, p in kept[kept["phase"] == 2][["body_id", "parent_id"]]
    }
    plates = {int(i) for i in before["body_id"][before["phase"] == 2]}
    assert parents < plates
    assert 0.3 < len(parents) / len(plates) < 0.7


def test_what_a_pose_may_not_be_is_refused() -> None:
    for wrong in ({"scale": 2.0}, {"tilt_deg": 30.0}, {"turn_deg": float("nan")}):
        with pytest.raises(UsageError):
            Pose(**wrong)
    with pytest.raises(UsageError, match="pose"):
        ProjectedRenderer(replace(SPEC, pose=POSE), Beam())
