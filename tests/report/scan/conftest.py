"""Two small scans through the whole path: a bar of three phases, and one of odd phases."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.model.metadata import ScanMetadata
from pipeline.report.scan.evidence import gather_evidence
from pipeline.run import run

PLAIN = {
    "name": "bar",
    "phases": [
        {"name": "pore", "kind": "particles", "min_voxels": 5},
        {"name": "matrix", "kind": "background"},
        {"name": "iron-rich", "kind": "particles", "min_voxels": 5},
        {"name": "copper-rich", "kind": "particles", "min_voxels": 5},
    ],
    "statistics": {"component_mm3": 10.0},
}

ODD = {
    "name": "odd",
    "condition": {"mask": "none", "flatten": "none", "denoise": {"method": "none"}},
    "segment": {"method": "manual", "thresholds": [10, 50, 90, 130, 170], "edges": "plain"},
    "phases": [
        {"name": "absent", "kind": "particles", "min_voxels": 1},
        {"name": "matrix", "kind": "background"},
        {"name": "single", "kind": "particles", "min_voxels": 1},
        {"name": "speck", "kind": "particles", "min_voxels": 1},
        {"name": "cut", "kind": "particles", "min_voxels": 1},
        {"name": "network", "kind": "particles", "min_voxels": 1},
    ],
}

SPECIMEN = "<b>bracket</b> & 'sons' \""


def bar():
    """A bar in air, with bodies of three phases."""
    rng = np.random.default_rng(17)
    shape = (64, 72, 80)
    smooth, other = (ndimage.gaussian_filter(rng.random(shape), 1.5) for _ in range(2))
    rank = np.argsort(np.argsort(smooth.ravel())).reshape(shape) / smooth.size
    copper = other > np.quantile(other, 0.985)
    grey = np.select([rank < 0.03, copper, rank > 0.95], [20.0, 210.0, 160.0], 100.0)
    y, x = np.indices(shape[1:])
    grey[:, np.hypot(y - 36, x - 40) > 33] = 15.0
    return (200 * (grey + rng.normal(0, 4, shape)) + 1000).clip(0, 65535).astype(np.uint16)


def odd():
    """A phase without a body, a single body, a single voxel, a cut one, and one that percolates."""
    grey = np.full((32, 36, 40), 30, np.uint8)
    grey[20:24, 20:30, 22:25] = 70
    grey[5, 6, 7] = 110
    grey[28:, 30:, 34:] = 150
    grey[:, 10:13, 10:13] = grey[14:17, :, 10:13] = grey[14:17, 10:13] = 200
    return grey


@pytest.fixture(scope="session")
def workspace(tmp_path_factory, plan_job):
    """Return a workspace that holds the scans `bar` and `odd`."""
    place = tmp_path_factory.mktemp("report")
    for name, volume, recipe in (("bar", bar(), PLAIN), ("odd", odd(), ODD)):
        np.save(place / f"{name}.npy", volume)
        tile = "tiling.tile_shape=[32, 32, 32]"
        folder = plan_job(place, place / f"{name}.npy", recipe, tile, scan_id=name, job=name)
        facts = ScanMetadata(specimen=SPECIMEN, alloy="CC-319R", temper="F")
        folder.write_plan(folder.read_plan().model_copy(update={"metadata": facts}))
        run(folder.path)
    return place


@pytest.fixture(scope="session")
def whole(workspace):
    """Return what is known of the bar."""
    return gather_evidence(workspace, "bar")


@pytest.fixture(scope="session")
def strange(workspace):
    """Return what is known of the odd one."""
    return gather_evidence(workspace, "odd")
