import json

import numpy as np
import pytest
import trimesh

from pipeline.errors import PlanError
from pipeline.kernels.surface import meshing_bytes
from pipeline.report.meshes import mesh_particle, write_mesh
from pipeline.run import run
from pipeline.stores.crops import open_crops

SHAPE = (40, 48, 56)


@pytest.fixture(scope="module")
def crops(plan_job, binary_recipe, tmp_path_factory):
    """A plate over several tiles, a ball cut by the border, and one voxel."""
    path = tmp_path_factory.mktemp("meshes")
    z, y, x = np.indices(SHAPE)
    plate = (np.abs(z - 18 + 0.4 * (y - 24)) < 1.7) & (np.hypot(y - 24, x - 25) < 17)
    ball = (z - 20) ** 2 + (y - 24) ** 2 + (x - 55) ** 2 < 50
    voxels = (plate | ball).astype(np.uint8)
    voxels[35, 40, 10] = 1
    np.save(path / "voxels.npy", voxels)
    tiles = "tiling.tile_shape=[16, 16, 16]"
    folder = plan_job(path, path / "voxels.npy", binary_recipe, tiles, voxel_um=(2.0, 1.0, 1.0))
    run(folder.path)
    return open_crops(folder.workspace, "scan")


def test_a_plate_over_several_tiles(crops, tmp_path):
    plate = crops.largest("grain", 1)[0]
    mesh = mesh_particle(crops, "grain", plate)
    assert (mesh.level, mesh.touches_border) == (0, False)
    assert mesh.quality.watertight
    assert mesh.quality.n_crossings == 0
    assert abs(mesh.quality.volume_error) < 1e-6
    assert mesh.quality.volume_um3 == pytest.approx(mesh.row["volume_um3"])
    assert 0 < mesh.error_um <= mesh.max_error_um == 0.25
    assert mesh.quality.n_faces < 0.6 * mesh.n_faces_smooth
    files = write_mesh(mesh, tmp_path, ["ply", "stl"])
    assert [f.name for f in files] == [f"grain-{plate}{s}" for s in (".ply", ".stl", ".json")]
    read = trimesh.load(files[0], force="mesh", process=False)
    facts = json.loads(files[2].read_text())
    assert read.volume == pytest.approx(facts["volume_um3"], rel=1e-4)
    assert read.area == pytest.approx(facts["area_um2"], rel=1e-4)
    assert len(read.faces) == facts["n_faces"]
    assert read.euler_number == facts["euler_number"]
    assert (facts["unit"], facts["closed_at_border"]) == ("um", [])
    centroid = [mesh.row[f"centroid_{a}_um"] for a in "xyz"]
    assert read.center_mass == pytest.approx(centroid, abs=0.1)
    # Crofton's area of the catalogue and the triangles' are two estimates of one thing.
    assert read.area == pytest.approx(mesh.row["surface_um2"], rel=0.1)


def test_a_ball_cut_by_the_border_is_closed_and_flagged(crops):
    mesh = mesh_particle(crops, "grain", crops.largest("grain", 2)[1], max_error_um=0.0)
    assert mesh.touches_border
    assert mesh.facts()["closed_at_border"] == ["x high"]
    assert mesh.quality.watertight
    assert mesh.quality.euler_number == 2
    assert mesh.error_um == 0.0
    assert mesh.quality.n_faces == mesh.n_faces_smooth
    assert mesh.surface.vertices[:, 0].max() == pytest.approx(SHAPE[2], abs=0.3)


def test_one_voxel(crops):
    mesh = mesh_particle(crops, "grain", crops.largest("grain", 3)[2])
    assert mesh.quality.n_faces == 8
    assert mesh.quality.volume_um3 == pytest.approx(2.0)
    assert mesh.surface.vertices.mean(0) == pytest.approx([10.5, 40.5, 71.0])


def test_a_particle_over_the_limit_is_read_coarser_or_refused(crops):
    plate = crops.largest("grain", 1)[0]
    fine = mesh_particle(crops, "grain", plate)
    need = meshing_bytes(crops.read("grain", plate, margin_vx=0).mask)
    assert mesh_particle(crops, "grain", plate, limit_bytes=need).level == 0
    coarse = mesh_particle(crops, "grain", plate, limit_bytes=need - 1)
    assert coarse.level == 1
    assert coarse.facts()["pyramid_level"] == 1
    assert coarse.voxel_um == (4.0, 2.0, 2.0)
    assert coarse.quality.volume_um3 == pytest.approx(fine.quality.volume_um3, rel=0.15)
    with pytest.raises(PlanError, match=r"meshing .* over the limit"):
        mesh_particle(crops, "grain", plate, limit_bytes=250_000)
    with pytest.raises(PlanError, match=r"the crop .* over the limit"):
        mesh_particle(crops, "grain", plate, limit_bytes=10)
