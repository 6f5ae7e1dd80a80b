import subprocess
import sys
from pathlib import Path

from pipeline.phantom.specimen import SpecimenSpec
from pipeline.phantom.writer import write_specimen

SCRIPT = """
import sys
from pathlib import Path
from numba.core.dispatcher import Dispatcher
from pipeline.run import run
from pipeline.stages.warm import warm_kernels
from tests.benchmarks.speed.jobs import plan_job

def signatures():
    return {
        (value.py_func.__module__, value.py_func.__name__, str(signature))
        for name, module in list(sys.modules.items()) if name.startswith("pipeline.")
        for value in vars(module).values() if isinstance(value, Dispatcher)
        for signature in value.signatures
    }

warm_kernels()
before = signatures()
volume, folder, *given = sys.argv[1:]
run(plan_job(Path(volume), Path(folder), given).path)
print(*sorted(signatures() - before), sep="\\n")
"""


def test_a_job_compiles_nothing_that_was_not_warmed(tmp_path: Path) -> None:
    spec = SpecimenSpec(size_vx=(56, 56, 56), voxel_um=2.0, seed=7)
    volume = write_specimen(spec, tmp_path / "specimen").volume
    command = [sys.executable, "-c", SCRIPT, str(volume), str(tmp_path / "job")]
    command += ["tiling.tile_shape=[40,40,40]"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
