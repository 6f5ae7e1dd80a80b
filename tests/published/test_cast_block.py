"""A real CT volume: a cast engine block, 256 x 256 x 128, 8 bit, that nobody here made.

From the public repository neurolabusc/VolumeRenderingData, commit
d15be4d1863d1372270e38d8fe95bffaf80cce3a, file OpenSciVis/engine.nii.gz.  The wanted values were
counted outside this project with general libraries.
"""

import hashlib

import numpy as np
import pytest

from pipeline.run import run
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan

pytestmark = pytest.mark.published

SHA256 = "da3e2935e329575cfda6b50e27f7ef5f1c8262c1738c77e6ebba039415842d5e"

N_VOXELS = 1_177_142
EULER_NUMBER = -19
"""The same with 6 and with 26 neighbours."""


@pytest.fixture(scope="module")
def block(data_folder):
    path = data_folder / "cast-block-ct.nii.gz"
    assert hashlib.sha256(path.read_bytes()).hexdigest() == SHA256
    return path


@pytest.mark.parametrize(
    ("connectivity", "tile"),
    [(6, [64, 96, 96]), (18, [128, 256, 256]), (26, [128, 128, 128])],
)
def test_cast_block_above_68(block, tmp_path, plan_job, binary_recipe, connectivity, tile):
    folder = plan_job(
        tmp_path,
        block,
        binary_recipe,
        "segment.thresholds=[68]",
        f"label.connectivity={connectivity}",
        f"tiling.tile_shape={tile}",
    )
    run(folder.path)
    catalogue = Catalogue(tmp_path / "catalogue")
    rows = catalogue.read("particles", scan_id="scan").to_pylist()
    assert [row["n_voxels"] for row in rows] == [N_VOXELS]
    if connectivity != 18:
        assert rows[0]["euler_number"] == EULER_NUMBER
    phases = catalogue.read("phases", scan_id="scan").to_pylist()
    fraction = {row["phase"]: row["volume_fraction"] for row in phases}
    assert fraction["grain"] == pytest.approx(0.1403, abs=5e-5)
    assert fraction["grain"] + fraction["void"] == pytest.approx(1, abs=1e-12)


def test_multi_otsu_of_the_cast_block(block, tmp_path, plan_job, binary_recipe):
    phases = [{"name": name, "kind": "particles"} for name in ("air", "rim", "metal")]
    marks = set()
    for i, tile in enumerate(([64, 64, 64], [128, 200, 120])):
        recipe = binary_recipe | {
            "phases": phases,
            "segment": {"method": "multi-otsu"},
            "tiling": {"tile_shape": tile},
        }
        folder = plan_job(tmp_path / str(i), block, recipe)
        run(folder.path)
        marks.add(fingerprint_scan(tmp_path / str(i), "scan"))
        scan = Catalogue(tmp_path / str(i) / "catalogue").read("scans").to_pylist()[0]
        np.testing.assert_allclose(scan["thresholds"], [37, 109], atol=1)
    assert len(marks) == 1
