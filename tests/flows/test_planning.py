import json
import subprocess
import sys
from pathlib import Path

from pipeline.phantom.specimen import SpecimenSpec
from pipeline.phantom.writer import write_specimen

SLOW = {"zarr", "pandas", "deltalake", "scipy", "sqlalchemy", "SimpleITK", "h5py", "numba", "dask"}

SCRIPT = """
import json, sys
from flows.cli.plan import plan
plan(sys.argv[1], voxel_um="2", workspace=sys.argv[2], json_=True)
print(json.dumps(sorted({name.split(".")[0] for name in sys.modules})))
"""


def test_a_plan_loads_no_library_that_takes_long(tmp_path: Path) -> None:
    spec = SpecimenSpec(size_vx=(24, 24, 24), voxel_um=2.0, seed=1)
    source = write_specimen(spec, tmp_path / "specimen").volume
    command = [sys.executable, "-c", SCRIPT, str(source), str(tmp_path / "workspace")]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    # The specimen states its beam, so that phases are expected too.
    assert '"format": "tiff-folder"' in done.stdout
    assert not SLOW & set(json.loads(done.stdout.splitlines()[-1]))
