"""Methods of `segment` through the stages: equal for every tiling, refused where they must."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.errors import RecipeError
from pipeline.run import run
from pipeline.stages.segment import read_thresholds
from pipeline.stores.fingerprint import fingerprint_scan

TILES = ((64, 64, 64), (17, 26, 19), (31, 16, 64))
TWO = {
    "name": "two",
    "condition": {"mask": "none", "denoise": {"method": "median"}},
    "phases": [
        {"name": "void", "kind": "background"},
        {"name": "grain", "kind": "particles", "min_voxels": 5},
    ],
}


def scan_of_two():
    rng = np.random.default_rng(6)
    smooth = ndimage.gaussian_filter(rng.random((40, 44, 48)), 2.0)
    grey = 9000.0 + 8000.0 * (smooth > np.quantile(smooth, 0.8))
    return ndimage.gaussian_filter(grey, 0.7) + rng.normal(0, 400, grey.shape)


@pytest.mark.parametrize(
    ("method", "dtype"), [("edge", "uint16"), ("edge", "float32"), ("li", "uint16")]
)
def test_tilings_agree(plan_job, tmp_path, method, dtype):
    volume = scan_of_two()
    if dtype == "float32":
        volume[11, 12, 13] = np.nan
    np.save(tmp_path / "volume.npy", volume.astype(dtype))
    prints, thresholds = set(), set()
    for number, tile in enumerate(TILES):
        job = plan_job(
            tmp_path / str(number),
            tmp_path / "volume.npy",
            TWO,
            f"segment.method={method}",
            f"tiling.tile_shape={list(tile)}",
            "condition.nonfinite=outside",
        )
        run(job.path)
        prints.add(fingerprint_scan(job.workspace, "scan"))
        thresholds.add(read_thresholds(job).source)
    assert len(prints) == 1
    ((threshold,),) = thresholds
    assert 11_000 < threshold < 15_000


def test_methods_for_two_phases_refuse_more(plan_job, tmp_path):
    np.save(tmp_path / "volume.npy", scan_of_two().astype(np.uint16))
    three = {**TWO, "phases": [*TWO["phases"], {"name": "bright", "kind": "particles"}]}
    with pytest.raises(RecipeError, match="parts two phases, got 3"):
        plan_job(tmp_path, tmp_path / "volume.npy", three, "segment.method=li")
