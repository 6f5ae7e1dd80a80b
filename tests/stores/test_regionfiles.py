import meshio
import numpy as np
import pytest

from pipeline.errors import UsageError
from pipeline.stores.regionfiles import write_regions

POINTS = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 1]], np.float64)
CELLS = np.array([[0, 1, 2, 3], [1, 2, 3, 4]])
NAMES = {"particle": (1, 3), "matrix": (2, 3), "particle to matrix": (3, 2)}


def write(path):
    triangle = np.array([[1, 2, 3]])
    write_regions(path, POINTS, CELLS, np.array([1, 2]), triangle, np.array([3]), NAMES)


def test_regions_are_named_groups(tmp_path):
    write(tmp_path / "a.msh")
    found = meshio.read(tmp_path / "a.msh")
    assert found.points == pytest.approx(POINTS)
    assert np.array_equal(found.cells_dict["tetra"], CELLS)
    tags = found.cell_data_dict["gmsh:physical"]
    assert (tags["tetra"].tolist(), tags["triangle"].tolist()) == ([1, 2], [3])
    assert {k: tuple(v.tolist()) for k, v in found.field_data.items()} == NAMES


def test_regions_are_cell_data_of_vtu(tmp_path):
    write(tmp_path / "a.vtu")
    tags = meshio.read(tmp_path / "a.vtu").cell_data_dict["region"]
    assert (tags["tetra"].tolist(), tags["triangle"].tolist()) == ([1, 2], [3])


def test_another_suffix_is_refused(tmp_path):
    with pytest.raises(UsageError, match=r"\.msh, \.vtu"):
        write(tmp_path / "a.inp")
