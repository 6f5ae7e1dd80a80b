import json

import meshio
import numpy as np
import pytest

from pipeline.errors import PlanError
from pipeline.kernels.tetrahedra import BYTES_A_VOXEL
from pipeline.report.embeddings import embed_particle
from pipeline.run import run
from pipeline.stores.crops import open_crops

RECIPE = {
    "name": "three",
    "condition": {"mask": "none", "denoise": {"method": "none"}},
    "segment": {"method": "manual", "thresholds": [5, 15], "edges": "plain"},
    "phases": [
        {"name": "pore", "kind": "particles", "min_voxels": 1},
        {"name": "matrix", "kind": "background"},
        {"name": "iron-rich", "kind": "particles", "min_voxels": 1},
    ],
    "tiling": {"tile_shape": [16, 16, 16]},
}


@pytest.fixture(scope="module")
def crops(plan_job, tmp_path_factory):
    """A platelet with a pore beside it and a second, small particle near by."""
    path = tmp_path_factory.mktemp("embeddings")
    z, y, x = np.indices((28, 36, 40))
    voxels = np.full(z.shape, 10, np.uint8)
    voxels[(np.abs(z - 14) < 2) & (np.hypot(y - 18, x - 18) < 10)] = 20
    voxels[(z - 18) ** 2 + (y - 18) ** 2 + (x - 18) ** 2 < 7] = 0
    voxels[13:16, 17:20, 30:33] = 20
    np.save(path / "voxels.npy", voxels)
    folder = plan_job(path, path / "voxels.npy", RECIPE, voxel_um=(1.0, 1.0, 1.0))
    run(folder.path)
    return open_crops(folder.workspace, "scan")


def test_regions_and_surfaces_are_named(crops, tmp_path):
    made = embed_particle(crops, "iron-rich", crops.largest("iron-rich", 1)[0], 5)
    facts = made.facts()
    assert list(facts["regions"]) == ["particle", "pore", "matrix", "iron-rich"]
    assert facts["regions"]["iron-rich"]["n_tetrahedra"] < 6 * 27 + 1
    volumes = [region["volume_um3"] for region in facts["regions"].values()]
    assert sum(volumes) == pytest.approx(made.crop.mask.size)
    for name in ("particle", "matrix"):
        assert abs(facts["regions"][name]["volume_error"]) < 0.01
    assert facts["least_volume_over_mean"] > 0.1
    inner = {"particle to pore", "particle to matrix", "pore to matrix", "matrix to iron-rich"}
    sides = {f"{axis} {end}" for axis in "xyz" for end in ("low", "high")}
    assert set(facts["surfaces"]) == inner | sides
    _, ny, nx = made.crop.mask.shape
    assert facts["surfaces"]["z low"]["area_um2"] == pytest.approx(ny * nx)
    files = made.write(tmp_path)
    assert json.loads(files[-1].read_text())["regions"] == facts["regions"]
    read = meshio.read(files[0])
    tags = read.cell_data_dict["gmsh:physical"]["tetra"]
    corners = read.points[read.cells_dict["tetra"][tags == read.field_data["particle"][0]]]
    a, b, c, d = corners.transpose(1, 0, 2)
    volume = np.einsum("ij,ij->", np.cross(b - a, c - a), d - a) / 6
    assert volume == pytest.approx(volumes[0])
    centroid = corners.mean((0, 1))
    wanted = [made.crop.row[f"centroid_{axis}_um"] for axis in "xyz"]
    assert centroid == pytest.approx(wanted, abs=0.2)


def test_a_box_over_the_limit_is_read_coarser_or_refused(crops):
    largest = crops.largest("iron-rich", 1)[0]
    fine = embed_particle(crops, "iron-rich", largest, 2)
    limit = fine.crop.mask.size * BYTES_A_VOXEL // 2
    assert embed_particle(crops, "iron-rich", largest, 2, limit).crop.level == 1
    with pytest.raises(PlanError, match="over the limit"):
        embed_particle(crops, "iron-rich", largest, 2, 1000)
