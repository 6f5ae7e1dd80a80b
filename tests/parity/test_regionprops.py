"""The same particles measured by general libraries: scikit-image and connected-components-3d."""

import cc3d
import numpy as np
import pytest
from scipy import ndimage
from skimage.measure import marching_cubes, mesh_surface_area, regionprops


@pytest.fixture(scope="module")
def scene():
    rng = np.random.default_rng(21)
    noise = ndimage.gaussian_filter(rng.random((70, 64, 58)), 2.0)
    phases = (noise > np.quantile(noise, 0.85)).astype(np.uint8)
    return phases, rng.integers(100, 60_000, phases.shape).astype(np.uint16)


@pytest.fixture(scope="module")
def found(scene, count_bodies):
    return count_bodies(*scene, (24, 33, 17), 26, {1: 30})


def test_regionprops(scene, found):
    properties = regionprops(found.labels, intensity_image=scene[1])
    assert len(properties) == len(found.particle_id) > 40
    rows = found.rows
    for i, wanted in enumerate(properties):
        assert wanted.label == found.particle_id[i]
        assert rows["n_voxels"][i] == wanted.num_pixels
        start = [rows[f"bbox_{a}_start_vx"][i] for a in "zyx"]
        stop = [rows[f"bbox_{a}_stop_vx"][i] for a in "zyx"]
        assert (*start, *stop) == wanted.bbox
        centroid = [rows[f"centroid_{a}_um"][i] - 0.5 for a in "zyx"]
        np.testing.assert_allclose(centroid, wanted.centroid, rtol=1e-12)
        assert rows["euler_number"][i] == wanted.euler_number
        assert rows["grey_mean"][i] == pytest.approx(wanted.intensity_mean, rel=1e-12)
        assert rows["grey_sd"][i] == pytest.approx(wanted.intensity_std, rel=1e-9)
        assert rows["grey_min"][i] == wanted.intensity_min
        assert rows["grey_max"][i] == wanted.intensity_max
        # There, voxels are points: without the 1/12 of a voxel's own extent.
        points = np.argwhere(found.labels == wanted.label)
        values = np.linalg.eigvalsh(np.cov(points.T, bias=True))
        mine = [rows[f"{name}_um"][i] ** 2 / 20 for name in ("minor", "intermediate", "major")]
        np.testing.assert_allclose(np.array(mine) - 1 / 12, values, atol=1e-9)
        inertia = sorted(values.sum() - values, reverse=True)
        np.testing.assert_allclose(wanted.inertia_tensor_eigvals, inertia, atol=1e-9)


def test_equivalent_diameter(found):
    for i, wanted in enumerate(regionprops(found.labels)):
        diameter = found.rows["equivalent_diameter_um"][i]
        assert diameter == pytest.approx(wanted.equivalent_diameter_area, rel=1e-12)


def test_statistics_of_connected_components(scene, found):
    labels = cc3d.dust(scene[0], threshold=30, connectivity=26)
    assert np.array_equal(labels > 0, found.labels > 0)
    statistics = cc3d.statistics(found.labels.astype(np.uint32))
    assert statistics["voxel_counts"][1:].tolist() == found.rows["n_voxels"].tolist()
    centroids = np.stack([found.rows[f"centroid_{a}_um"] - 0.5 for a in "zyx"], 1)
    np.testing.assert_allclose(statistics["centroids"][1:], centroids, rtol=1e-6)


def test_surface_against_a_mesh(found):
    # A mesh through the faces of binary voxels is 8.8 % too large for smooth bodies, whatever
    # their size; Crofton's formula is not, so their ratio is near 1 / 1.088.
    total, mesh = 0.0, 0.0
    for i in np.flatnonzero(found.rows["n_voxels"] >= 60):
        mask = np.pad(found.labels == found.particle_id[i], 1)
        mesh += mesh_surface_area(*marching_cubes(mask, 0.5)[:2])
        total += found.rows["surface_um2"][i]
    assert total / mesh == pytest.approx(1 / 1.088, abs=0.02)
