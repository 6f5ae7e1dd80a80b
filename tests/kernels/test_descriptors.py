"""Descriptors of many random particles against numpy and scikit-image, one particle at a time."""

import numpy as np
import pytest
from scipy import ndimage
from skimage.measure import euler_number

from pipeline.kernels.cells import CELLS_PER_STEP, DIRECTIONS
from pipeline.kernels.descriptors import crofton_weights, measure_surface, principal_axes
from pipeline.kernels.tally import CELL

VOXEL_UM = (1.0, 1.5, 2.25)
LOAD = (0.0, 3.0, 4.0)


@pytest.fixture(scope="module")
def scene():
    """Blobs, plates and single voxels of two phases, some cut by the border or the mask."""
    rng = np.random.default_rng(12)
    shape = (52, 56, 60)
    noise = ndimage.gaussian_filter(rng.random(shape), (1.2, 1.2, 1.2))
    phases = np.where(noise > np.quantile(noise, 0.88), 1, 0).astype(np.uint8)
    for _ in range(60):
        corner = [int(rng.integers(0, n - 4)) for n in shape]
        edges = rng.permutation([1, int(rng.integers(3, 14)), int(rng.integers(3, 14))])
        phases[tuple(slice(c, c + e) for c, e in zip(corner, edges, strict=True))] = 2
    phases[rng.random(shape) < 0.0005] = 1
    phases[:, :3] = 255
    grey = rng.normal(20_000, 9_000, shape).clip(0, 65535).astype(np.uint16)
    return phases, grey


@pytest.fixture(scope="module", params=[6, 18, 26])
def measured(request, scene, count_bodies):
    """Rows of the scene, and each particle's phase and voxels."""
    phases, grey = scene
    found = count_bodies(
        phases, grey, (17, 64, 20), request.param, {1: 1, 2: 1}, VOXEL_UM, LOAD, 0.5, -100.0
    )
    assert len(found.particle_id) > 150
    masks = []
    for phase, number in zip(found.phase, found.particle_id, strict=True):
        masks.append((phases == phase) & (found.labels == number))
    return request.param, found, masks


def test_sizes_boxes_and_centroids(measured):
    _, found, masks = measured
    voxel = np.prod(VOXEL_UM)
    for i, mask in enumerate(masks):
        points = np.argwhere(mask)
        row = {name: values[i] for name, values in found.rows.items()}
        assert row["n_voxels"] == len(points)
        assert row["volume_um3"] == pytest.approx(len(points) * voxel, rel=1e-15)
        diameter = (6 * len(points) * voxel / np.pi) ** (1 / 3)
        assert row["equivalent_diameter_um"] == pytest.approx(diameter, rel=1e-14)
        assert row["sphericity"] == pytest.approx(np.pi * diameter**2 / row["surface_um2"])
        centroid = (points.mean(0) + 0.5) * VOXEL_UM
        for k, axis in enumerate("zyx"):
            assert row[f"bbox_{axis}_start_vx"] == points[:, k].min()
            assert row[f"bbox_{axis}_stop_vx"] == points[:, k].max() + 1
            assert row[f"centroid_{axis}_um"] == pytest.approx(centroid[k], rel=1e-13)


def test_grey(measured, scene):
    _, found, masks = measured
    source = scene[1] * 0.5 - 100.0
    for i, mask in enumerate(masks):
        values = source[mask]
        assert found.rows["grey_mean"][i] == pytest.approx(values.mean(), rel=1e-12)
        assert found.rows["grey_sd"][i] == pytest.approx(values.std(), rel=1e-9, abs=1e-9)
        assert found.rows["grey_min"][i] == values.min()
        assert found.rows["grey_max"][i] == values.max()


def test_principal_axes_against_lapack(measured):
    _, found, masks = measured
    load = np.array(LOAD) / 5.0
    for i, mask in enumerate(masks):
        points = np.argwhere(mask) * VOXEL_UM
        own_extent = np.diag(np.array(VOXEL_UM) ** 2 / 12.0)
        values, vectors = np.linalg.eigh(np.cov(points.T, bias=True).reshape(3, 3) + own_extent)
        row = {name: column[i] for name, column in found.rows.items()}
        lengths = [row["minor_um"], row["intermediate_um"], row["major_um"]]
        np.testing.assert_allclose(lengths, 2 * np.sqrt(5 * values), rtol=1e-10)
        assert row["elongation"] == pytest.approx(lengths[1] / lengths[2])
        assert row["flatness"] == pytest.approx(lengths[0] / lengths[1])
        minor = np.array([row[f"minor_{a}"] for a in "zyx"])
        major = np.array([row[f"major_{a}"] for a in "zyx"])
        for axis in (minor, major):
            assert np.linalg.norm(axis) == pytest.approx(1.0, rel=1e-12)
            assert axis[np.argmax(np.abs(axis))] > 0
        if values[1] - values[0] > 1e-3 * values[2]:
            assert abs(minor @ vectors[:, 0]) == pytest.approx(1.0, abs=1e-9)
            angle = np.degrees(np.arccos(min(abs(vectors[:, 0] @ load), 1.0)))
            assert row["load_angle_deg"] == pytest.approx(angle, abs=1e-5)
        if values[2] - values[1] > 1e-3 * values[2]:
            assert abs(major @ vectors[:, 2]) == pytest.approx(1.0, abs=1e-9)
        edge = np.linalg.norm(minor * VOXEL_UM)
        assert row["under_resolved"] == (np.sqrt(12 * row["minor_um"] ** 2 / 20) < 3 * edge)


def diagonal_cells(mask):
    """Number of 2x2x2 cells that hold two voxels of a space diagonal and no other."""
    n = [s - 1 for s in mask.shape]
    cells = np.zeros(n, np.int64)
    for bit in range(8):
        z, y, x = bit >> 2, bit >> 1 & 1, bit & 1
        cells |= mask[z : z + n[0], y : y + n[1], x : x + n[2]].astype(np.int64) << bit
    return sum(np.count_nonzero(cells == (1 << a | 1 << 7 - a)) for a in range(4))


def test_euler_number_of_each_particle(measured):
    connectivity, found, masks = measured
    for i, mask in enumerate(masks):
        padded = np.pad(mask, 1)
        reference = euler_number(padded, 1 if connectivity == 6 else 3)
        if connectivity == 18:
            # No joint across corners: each one that 26 neighbours see is taken apart.
            reference += diagonal_cells(padded)
        assert found.rows["euler_number"][i] == reference


def test_crossings_and_surface_by_brute_force(measured):
    connectivity, found, masks = measured
    weights = crofton_weights(VOXEL_UM)
    for i, mask in enumerate(masks):
        padded = np.pad(mask, 1)
        area = 0.0
        for k, (step, cells) in enumerate(zip(DIRECTIONS, CELLS_PER_STEP, strict=True)):
            pairs = [(max(-s, 0), n - max(s, 0)) for s, n in zip(step, padded.shape, strict=True)]
            here = tuple(slice(a, b) for a, b in pairs)
            there = tuple(slice(a + s, b + s) for (a, b), s in zip(pairs, step, strict=True))
            crossings = np.count_nonzero(padded[here] != padded[there])
            counted = found.merged.narrow[i, CELL + k]
            if np.abs(step).sum() <= {6: 1, 18: 2, 26: 3}[connectivity]:
                assert counted == cells * crossings
            else:
                # Two parts of a body that do not touch in a cell count a surface between them.
                assert counted >= cells * crossings
            length = np.linalg.norm(np.array(step) * VOXEL_UM)
            area += 2 * weights[k] * np.prod(VOXEL_UM) / length * counted / cells
        assert found.rows["surface_um2"][i] == pytest.approx(area, rel=1e-12)


def test_flags(measured, scene):
    _, found, masks = measured
    outside = ndimage.binary_dilation(scene[0] == 255, np.ones((3, 3, 3)))
    border = np.ones(scene[0].shape, bool)
    border[1:-1, 1:-1, 1:-1] = False
    flags = [((m & border).any(), (m & outside).any()) for m in masks]
    assert found.rows["touches_border"].tolist() == [f[0] for f in flags]
    assert found.rows["touches_mask_edge"].tolist() == [f[1] for f in flags]
    assert 10 < sum(f[0] for f in flags) < len(flags) - 10
    assert any(f[1] for f in flags)


@pytest.mark.parametrize("scale", [1.0, 1e-3, 1e9])
def test_jacobi_equals_lapack(scale):
    rng = np.random.default_rng(4)
    roots = rng.normal(size=(300, 3, 3)) * scale
    full = roots @ roots.transpose(0, 2, 1)
    # Degenerate ones too: balls, plates of revolution, lines.
    full[:3] = np.eye(3) * scale, np.diag([1, 1, 5]) * scale, np.diag([0, 0, 7]) * scale
    values, vectors = principal_axes(
        np.stack([full[:, i, j] for i, j in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))], 1)
    )
    reference = np.linalg.eigvalsh(full)[:, ::-1]
    np.testing.assert_allclose(values, reference, atol=1e-13 * np.abs(full).max(), rtol=1e-12)
    np.testing.assert_allclose(
        vectors @ vectors.transpose(0, 2, 1), np.broadcast_to(np.eye(3), full.shape), atol=1e-14
    )
    rebuilt = np.einsum("nk,nki,nkj->nij", values, vectors, vectors)
    np.testing.assert_allclose(rebuilt, full, atol=1e-12 * np.abs(full).max())


def test_a_body_of_one_grey_has_no_spread(count_bodies):
    grey = np.full((40, 40, 40), 65535, np.uint16)
    rows = count_bodies(np.ones((40, 40, 40), np.uint8), grey).rows
    assert rows["grey_sd"][0] == 0.0
    assert rows["grey_mean"][0] == 65535.0


def test_weights_follow_the_lattice():
    weights = crofton_weights((1.0, 1.0, 3.0))
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)
    # A longer x edge draws every slanted direction towards x and leaves z and y more sphere.
    assert weights[2] < weights[0] == pytest.approx(weights[1])


def test_surface_of_nothing_is_zero():
    assert measure_surface(np.zeros((2, 13), np.int64), VOXEL_UM).tolist() == [0.0, 0.0]
