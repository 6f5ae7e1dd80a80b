"""Inscribed balls, axes and contacts of 300 random particles beside general libraries."""

import cc3d
import numpy as np
import pytest
import SimpleITK
from scipy import ndimage

from pipeline.kernels.distance import choose_metric
from pipeline.kernels.thickness import describe_thickness, fold_thickness
from pipeline.model.grid import Box

EDGES = (2.0, 1.0, 1.5)


@pytest.fixture(scope="module")
def found(count_bodies):
    noise = ndimage.gaussian_filter(np.random.default_rng(8).random((96, 96, 96)), 1.5)
    other = ndimage.gaussian_filter(np.random.default_rng(9).random((96, 96, 96)), 1.5)
    phases = (noise > np.quantile(noise, 0.88)).astype(np.uint8)
    phases[(phases == 0) & (other > np.quantile(other, 0.95))] = 2
    bodies = count_bodies(phases, None, (40, 33, 52), 26, {1: 20, 2: 8}, voxel_um=EDGES)
    assert (bodies.phase == 1).sum() >= 300
    return bodies, phases


def image_of(voxels):
    image = SimpleITK.GetImageFromArray(voxels)
    image.SetSpacing(EDGES[::-1])
    return image


def test_inscribed_balls_against_a_distance_map(found):
    bodies, phases = found
    labels = np.where(phases == 1, bodies.labels, 0)
    n = int(labels.max())
    metric = choose_metric(EDGES, 16.0)
    padded = np.pad(labels, 1).astype(np.int32)
    core, limit = Box((1, 1, 1), tuple(k + 1 for k in labels.shape)), metric.square(16.0)
    thick = fold_thickness(padded, core, np.zeros((3, 2), np.bool_), metric.weights, limit)
    columns = describe_thickness(thick, n, metric, EDGES, limit)
    # Bodies of 26 neighbours never touch another one of their phase.
    outside = image_of((padded == 0).astype(np.uint8))
    away = SimpleITK.SignedMaurerDistanceMap(outside, False, False, True)
    depth = ndimage.maximum(SimpleITK.GetArrayFromImage(away), padded, np.arange(1, n + 1))
    np.testing.assert_allclose(columns["inscribed_diameter_um"], 2 * depth, rtol=1e-4)


def test_principal_moments(found):
    bodies, phases = found
    rows = bodies.rows
    statistics = SimpleITK.LabelShapeStatisticsImageFilter()
    statistics.Execute(image_of(np.where(phases == 1, bodies.labels, 0).astype(np.uint32)))
    for i in np.flatnonzero(bodies.phase == 1):
        major, minor = (
            np.array([rows[f"{name}_{a}"][i] for a in "zyx"]) for name in ("major", "minor")
        )
        axes = np.stack([minor, np.cross(minor, major), major])
        moments = [rows[f"{name}_um"][i] ** 2 / 20 for name in ("minor", "intermediate", "major")]
        # There voxels are points: without their own extent.
        spread = np.einsum("i,ij,ik", moments, axes, axes) - np.diag(np.square(EDGES)) / 12
        wanted = statistics.GetPrincipalMoments(int(bodies.particle_id[i]))
        np.testing.assert_allclose(np.linalg.eigvalsh(spread), wanted, atol=1e-8)


def test_contacts(found):
    bodies, phases = found
    at = bodies.contacts
    faces = np.prod(EDGES) / np.array(EDGES)
    between = at.other >= 0
    got = dict.fromkeys(
        zip(*(np.sort([at.body, at.other], 0)[:, between].tolist()), strict=True), 0.0
    )
    area = (at.faces * faces).sum(1)
    # Both bodies know of the faces between them.
    for a, b, um2 in zip(at.body[between], at.other[between], area[between], strict=True):
        got[min(a, b), max(a, b)] += um2 / 2
    row = np.zeros((3, bodies.labels.max() + 1), np.uint32)
    row[bodies.phase, bodies.particle_id] = np.arange(1, bodies.phase.size + 1)
    labels = row[np.where(bodies.labels > 0, phases, 0), bodies.labels]
    wanted = cc3d.contacts(labels, connectivity=6, surface_area=True, anisotropy=EDGES)
    assert len(wanted) > 100
    assert sorted(got) == sorted((a - 1, b - 1) for a, b in wanted)
    for (a, b), um2 in wanted.items():
        assert got[a - 1, b - 1] == pytest.approx(um2, rel=1e-6)
