"""Registration: known poses are found again, its own error is honest, doubt is told."""

import numpy as np
import pytest

from pipeline.analysis.alignment import Frame, gather, turn_by
from pipeline.analysis.registration import register
from pipeline.analysis.scenes import average, contrast_of
from pipeline.errors import RegistrationError
from pipeline.model.similarity import Similarity
from pipeline.phantom.pose import Pose
from tests.analysis.phase_pairs import VOXEL_UM, after_of, before_of, phases_of, scene_of

N = 96
POSE = Pose(203.0, True, 1.5, 70.0, (5.0, -6.0, 4.0), 1.002)
BEFORE = before_of(N, 5)


@pytest.fixture(scope="module")
def before_phases():
    return phases_of(BEFORE)


def error_vx(found: Similarity, true: Similarity) -> float:
    """Return the root mean square error of places in the inner part of the volume."""
    points = np.random.default_rng(0).uniform(0.2, 0.8, (200, 3)) * N * VOXEL_UM
    away = np.linalg.norm(found.apply(points) - true.apply(points), axis=1) / VOXEL_UM
    return float(np.sqrt(np.mean(away**2)))


def test_a_specimen_on_its_head_and_half_dissolved_is_found(before_phases):
    after = phases_of(after_of(BEFORE, POSE))
    told = []
    found = register(scene_of(before_phases), scene_of(after), tell=told.append)
    assert error_vx(found.move, POSE.similarity_um(BEFORE.size_vx, VOXEL_UM)) <= 0.5
    assert found.error_vx <= 1.0
    assert found.n_agreeing >= 0.6 * found.n_boxes
    assert found.overlap > 0.8
    assert len(told) == 2


@pytest.mark.slow
def test_scans_of_other_voxel_sizes_lie_as_they_lay(before_phases):
    after = phases_of(after_of(BEFORE, POSE))
    found = register(scene_of(before_phases), scene_of(after))
    halved = scene_of(np.ascontiguousarray(after[::2, ::2, ::2]), "halved", 2 * VOXEL_UM)
    coarse = register(scene_of(before_phases), halved)
    # Every second voxel stands half a fine voxel nearer to the low faces than it is taken to.
    shifted = coarse.move.then(Similarity(shift_um=(-VOXEL_UM / 2,) * 3))
    assert error_vx(shifted, found.move) <= 0.6


@pytest.mark.slow
def test_a_scan_lies_on_itself(before_phases):
    found = register(scene_of(before_phases), scene_of(before_phases))
    assert error_vx(found.move, Similarity()) < 0.01
    assert found.n_agreeing == found.n_boxes


def test_unrelated_specimens_are_refused(before_phases):
    other = phases_of(after_of(BEFORE, POSE, seed=77))
    with pytest.raises(RegistrationError, match=r"boxes agree|as well when") as refused:
        register(scene_of(before_phases, "one"), scene_of(other, "two"))
    assert "one and two" in refused.value.what
    assert refused.value.remedy


def test_air_taken_for_a_pore_fits_at_any_turn(before_phases):
    outline = np.where(before_phases == 255, 0, 1).astype(np.uint8)
    with pytest.raises(RegistrationError, match="as well when turned"):
        register(scene_of(outline), scene_of(outline))


@pytest.mark.slow
def test_a_wrong_voxel_size_is_told(before_phases):
    with pytest.raises(RegistrationError, match=r"scale|boxes agree"):
        register(scene_of(before_phases), scene_of(before_phases, "wrong", 1.5 * VOXEL_UM))


def test_a_scan_without_bodies_is_told(before_phases):
    empty = np.where(before_phases == 255, 255, 1).astype(np.uint8)
    with pytest.raises(RegistrationError, match="no body"):
        register(scene_of(before_phases), scene_of(empty, "empty"))


@pytest.mark.slow
def test_an_error_above_the_limit_is_told(before_phases):
    after = phases_of(after_of(BEFORE, POSE))
    with pytest.raises(RegistrationError, match="only to"):
        register(scene_of(before_phases), scene_of(after), limit_vx=1e-4)


def test_means_over_cells_do_not_depend_on_slabs_or_parts(before_phases, monkeypatch):
    scene = scene_of(before_phases)
    whole = average(scene, 3 * VOXEL_UM, np.zeros(3), scene.size_um)
    assert whole.contrast.shape == (32, 32, 32)
    blocks = contrast_of(1, 4)[before_phases].reshape(32, 3, 32, 3, 32, 3)
    assert whole.contrast == pytest.approx(blocks.mean(axis=(1, 3, 5)), abs=1e-6)
    monkeypatch.setattr("pipeline.analysis.scenes.SLAB_VOXELS", 20_000)
    part = average(scene, 3 * VOXEL_UM, np.array([40.0, 50.0, 9.0]), np.array([90.0, 200.0, 70.0]))
    at = np.rint(part.origin_um / (3 * VOXEL_UM)).astype(int)
    same = whole.contrast[
        tuple(slice(a, a + n) for a, n in zip(at, part.contrast.shape, strict=True))
    ]
    assert np.array_equal(part.contrast, same)
    assert average(scene, 3.0, np.full(3, 500.0), np.full(3, 600.0)) is None


def test_small_corrections_are_solved_exactly():
    """A smooth field, moved by a known similarity: one step leaves a hundredth of it."""
    n, pitch = 40, 2.0
    frame = Frame(np.full(3, n * pitch / 2), n * pitch / 2)
    true = Similarity.of(turn_by(np.array([0.01, -0.012, 0.008])), [0.6, -0.8, 0.5], 1.003)

    def field(points):
        z, y, x = np.moveaxis(points, -1, 0)
        waves = np.sin(z / 7) * np.cos(y / 9) + np.sin(x / 8 + y / 11) * np.cos(z / 13)
        return waves.astype(np.float32)

    grid = (np.stack(np.indices((n, n, n)), axis=-1) + 0.5) * pitch
    seen = field(grid)
    before = field(true.apply(grid))  # before = seen at where its places come to lie
    ones = np.ones_like(seen)
    move = Similarity()
    for _ in range(3):
        step = gather(before, field(move.apply(grid)), ones, np.zeros(3), pitch, frame)
        move = frame.correction(step.solve()).then(move)
    points = np.random.default_rng(1).uniform(10, 70, (50, 3))
    left = np.linalg.norm(move.apply(points) - true.apply(points), axis=1)
    assert left.max() < 0.01 * np.linalg.norm(true.apply(points) - points, axis=1).max()
