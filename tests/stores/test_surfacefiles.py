import json
import struct

import meshio
import numpy as np
import pytest
import trimesh

from pipeline.errors import StoreError, UsageError
from pipeline.kernels.surface import mesh_surface
from pipeline.stores.surfacefiles import NOTE, SUFFIXES, write_surface


@pytest.fixture(scope="module")
def surface():
    z, y, x = np.indices((9, 11, 13)) - np.array([4, 5, 6])[:, None, None, None]
    mask = (z / 4.2) ** 2 + (y / 5.2) ** 2 + (x / 6.2) ** 2 <= 1
    return mesh_surface(mask, (2.0, 1.0, 0.5), origin_um=(1000.0, 200.0, 30.0))


@pytest.mark.parametrize("suffix", SUFFIXES.values())
def test_read_back_by_another_library(surface, tmp_path, suffix):
    path = tmp_path / "new" / f"body{suffix}"
    heights = surface.vertices[:, 2] / 3
    write_surface(path, surface.vertices, surface.faces, {"height_um": heights})
    assert [p.name for p in path.parent.iterdir()] == [path.name]
    if suffix == ".vtu":
        found = meshio.read(path)
        assert np.array_equal(found.points, surface.vertices)
        assert np.array_equal(found.cells_dict["triangle"], surface.faces)
        assert np.array_equal(found.point_data["height_um"], heights)
        return
    mesh = trimesh.load(path, force="mesh", process=suffix == ".stl")
    assert mesh.is_watertight
    assert mesh.euler_number == 2
    assert len(mesh.faces) == len(surface.faces)
    assert mesh.volume == pytest.approx(surface.volume_um3, rel=1e-4)
    assert mesh.area == pytest.approx(surface.area_um2, rel=1e-4)
    # x, y, z of the file are the last, middle and first axis of the volume.
    assert mesh.bounds[0] == pytest.approx([30, 200, 1000], abs=1.0)
    if suffix in (".ply", ".obj", ".glb"):
        assert mesh.vertices == pytest.approx(surface.vertices, abs=1e-4)
    if suffix == ".ply":
        assert meshio.read(path).point_data["height_um"] == pytest.approx(heights)


def test_each_file_states_the_unit(surface, tmp_path):
    for name, suffix in SUFFIXES.items():
        path = tmp_path / f"{name}{suffix}"
        write_surface(path, surface.vertices, surface.faces, {"height_um": surface.vertices[:, 2]})
        data = path.read_bytes()
        if name == "vtu":
            assert b'Name="height_um"' in data
        else:
            assert NOTE.encode() in data
    header = (tmp_path / "stl.stl").read_bytes()[:84]
    assert not header.startswith(b"solid")
    assert struct.unpack("<I", header[80:]) == (len(surface.faces),)
    glb = (tmp_path / "gltf.glb").read_bytes()
    size = struct.unpack("<I", glb[12:16])[0]
    assert json.loads(glb[20 : 20 + size])["meshes"][0]["extras"]["unit"] == "um"


def test_what_cannot_be_written(surface, tmp_path):
    with pytest.raises(UsageError, match=r"\.stl, \.ply"):
        write_surface(tmp_path / "body.step", surface.vertices, surface.faces)
    (tmp_path / "file").write_text("in the way")
    for suffix in (".stl", ".vtu"):
        with pytest.raises(StoreError, match="cannot be written"):
            write_surface(tmp_path / "file" / f"a{suffix}", surface.vertices, surface.faces)
