"""Calipers, hulls and moments of 300 random particles beside general libraries."""

import numpy as np
import pytest
import SimpleITK
import trimesh
from scipy import ndimage
from scipy.spatial import ConvexHull
from scipy.spatial.distance import pdist
from skimage.measure import regionprops

EDGES = (2.0, 1.0, 1.5)


@pytest.fixture(scope="module")
def scene():
    noise = ndimage.gaussian_filter(np.random.default_rng(8).random((96, 96, 96)), 1.5)
    return (noise > np.quantile(noise, 0.88)).astype(np.uint8)


@pytest.fixture(scope="module")
def found(scene, count_bodies):
    bodies = count_bodies(scene, None, (40, 33, 52), 26, {1: 20}, voxel_um=EDGES)
    assert len(bodies.particle_id) >= 300
    return bodies


def corners_of(voxels):
    steps = np.array(list(np.ndindex(2, 2, 2)))
    points = np.unique((voxels[:, None] + steps).reshape(-1, 3), axis=0)
    return points * np.array(EDGES)


def test_hulls_against_scipy_and_trimesh(found):
    rows = found.rows
    for region in regionprops(found.labels):
        i = region.label - 1
        points = corners_of(region.coords)
        hull = ConvexHull(points)
        assert rows["convex_volume_um3"][i] == pytest.approx(hull.volume, rel=1e-10)
        assert rows["feret_max_um"][i] == pytest.approx(pdist(points[hull.vertices]).max())
        faces = (region.coords[:, None] + np.vstack([np.eye(3), -np.eye(3)]) / 2) * np.array(EDGES)
        faces = faces.reshape(-1, 3)
        longest = pdist(faces[ConvexHull(faces).vertices]).max()
        assert rows["feret_max_faces_um"][i] == pytest.approx(longest, rel=1e-12)
        if i % 5 == 0:
            mesh = trimesh.convex.convex_hull(points)
            assert rows["convex_volume_um3"][i] == pytest.approx(mesh.volume, rel=1e-9)
            # Mean caliper of a convex body: integral of mean curvature over 2 pi.
            mean = mesh.integral_mean_curvature / (2 * np.pi)
            assert rows["feret_mean_um"][i] == pytest.approx(mean, rel=1e-6)
            flat = (mesh.area_faces * np.abs(mesh.face_normals[:, 0])).sum() / 2
            assert rows["projected_area_um2"][i] <= flat * (1 + 1e-9)


def test_label_shape_statistics(found):
    image = SimpleITK.GetImageFromArray(found.labels.astype(np.uint32))
    image.SetSpacing(EDGES[::-1])
    filter_ = SimpleITK.LabelShapeStatisticsImageFilter()
    filter_.ComputeFeretDiameterOn()
    filter_.Execute(image)
    rows = found.rows
    for i, label in enumerate(found.particle_id.tolist()):
        assert filter_.GetNumberOfPixels(label) == rows["n_voxels"][i]
        assert filter_.GetPhysicalSize(label) == pytest.approx(rows["volume_um3"][i])
        diameter = 2 * filter_.GetEquivalentSphericalRadius(label)
        assert diameter == pytest.approx(rows["equivalent_diameter_um"][i])
        centroid = [
            rows[f"centroid_{a}_um"][i] - 0.5 * e for a, e in zip("zyx", EDGES, strict=True)
        ]
        np.testing.assert_allclose(filter_.GetCentroid(label)[::-1], centroid, rtol=1e-9)
        # There a body is its voxels' centres: shorter by at most one diagonal.
        excess = rows["feret_max_um"][i] - filter_.GetFeretDiameter(label)
        assert 0 < excess <= np.linalg.norm(EDGES) + 1e-9


def test_cubic_voxels(count_bodies, scene):
    bodies = count_bodies(scene, None, None, 26, {1: 20})
    filter_ = SimpleITK.LabelShapeStatisticsImageFilter()
    filter_.ComputePerimeterOn()
    filter_.Execute(SimpleITK.GetImageFromArray(bodies.labels.astype(np.uint32)))
    # Crofton's formula over 13 directions there too; faces on the border are left out there.
    inner = np.flatnonzero(~bodies.rows["touches_border"])
    wanted = [filter_.GetPerimeter(int(i) + 1) for i in inner]
    np.testing.assert_allclose(bodies.rows["surface_um2"][inner], wanted, rtol=1e-6)
    for region in regionprops(bodies.labels)[::20]:
        # There the corners are the middles of faces.
        excess = bodies.rows["feret_max_um"][region.label - 1] - region.feret_diameter_max
        assert -1e-9 <= excess <= 1.2
