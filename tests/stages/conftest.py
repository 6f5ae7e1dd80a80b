"""A small specimen of known make, and jobs of it."""

import numpy as np
import pytest
from scipy import ndimage

SHAPE = (60, 66, 72)
RECIPE = {
    "name": "test",
    "phases": [
        {"name": "pore", "kind": "particles", "min_voxels": 5},
        {"name": "matrix", "kind": "background"},
        {"name": "iron-rich", "kind": "particles", "min_voxels": 5},
        {"name": "copper-rich", "kind": "particles", "min_voxels": 5},
    ],
}


def make_specimen(dtype="uint8"):
    """A bar in air with bodies of three phases, blurred by nothing but noise."""
    rng = np.random.default_rng(17)
    smooth = ndimage.gaussian_filter(rng.random(SHAPE), 1.7)
    rank = np.argsort(np.argsort(smooth.ravel())).reshape(SHAPE) / smooth.size
    other = ndimage.gaussian_filter(rng.random(SHAPE), 1.7)
    copper = other > np.quantile(other, 0.985)
    grey = np.select([rank < 0.03, copper, rank > 0.95], [20.0, 210.0, 160.0], 100.0)
    y, x = np.indices(SHAPE[1:])
    air = np.hypot(y - 33, x - 36) > 29
    grey[:, air] = 15.0
    grey += rng.normal(0, 4, SHAPE)
    scale = {"uint8": (1, 0), "uint16": (200, 1000), "int16": (100, -9000), "float32": (0.01, -1)}
    gain, offset = scale[dtype]
    values = grey * gain + offset
    if dtype == "float32":
        return values.astype(np.float32)
    info = np.iinfo(dtype)
    return np.rint(values).clip(info.min, info.max).astype(dtype)


@pytest.fixture(scope="session")
def specimen():
    """Return `make_specimen`."""
    return make_specimen


@pytest.fixture
def make_job(tmp_path, plan_job):
    """Return a maker of jobs, each in a workspace of its own."""

    def make(name, volume, *overrides, workspace=None, recipe=RECIPE, **options):
        path = tmp_path / f"{name}.npy"
        if not path.exists():
            np.save(path, volume)
        return plan_job(workspace or tmp_path / name, path, recipe, *overrides, **options)

    return make
