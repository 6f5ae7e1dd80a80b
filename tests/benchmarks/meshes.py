"""Quality of surfaces: the largest particles of a simulated scan, through the real stages.

`python -m tests.benchmarks.meshes --size 192 --seeds 2 --top 20` prints a line a particle and what
the worst of all is; `--max-error-um` and `--voxel-um` change the decimation, `--plain` leaves out
bent, branched and holed platelets.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from flows.settings.lookup import find_recipe
from pipeline.model.header import ReadOptions
from pipeline.model.metadata import ScanMetadata
from pipeline.model.plan import plan_scan
from pipeline.phantom.specimen import RICH_BODIES, RichBodies, SpecimenSpec
from pipeline.phantom.writer import write_specimen
from pipeline.readers import open_source
from pipeline.report.meshes import ParticleMesh, mesh_particle
from pipeline.run import run
from pipeline.stages.warm import warm_kernels, warm_meshes
from pipeline.stores.crops import CropReader, open_crops
from pipeline.stores.job import JobFolder

PHASES = ("iron-rich", "pore")

HEAD = (
    "particle          voxels  smooth   faces  shells cav  tight  dV/V     cross"
    "  aspect: med   p99    max   error/um  s"
)


def count_scan(spec: SpecimenSpec, folder: Path) -> CropReader:
    """Simulate a scan, count it, and open it for reading particles."""
    files = write_specimen(spec, folder / "specimen", "zarr")
    options = ReadOptions(voxel_um=(spec.voxel_um,) * 3)
    location = str(files.volume)
    recipe = find_recipe("cast-al-si-cu", ["tiling.tile_shape=[64,64,64]"])
    header = open_source(location, options).header
    plan = plan_scan("s", location, options, header, recipe, ScanMetadata(), "benchmark")
    job = JobFolder(folder / "workspace" / "jobs" / "job")
    job.path.mkdir(parents=True)
    job.write_plan(plan)
    run(job.path)
    return open_crops(job.workspace, "s")


def print_line(mesh: ParticleMesh, seconds: float) -> None:
    """Print the figures of one surface."""
    q = mesh.quality
    print(
        f"{mesh.name:16} {mesh.row['n_voxels']:7} {mesh.n_faces_smooth:7} {q.n_faces:7}"
        f" {q.n_shells:7} {q.n_cavities:3} {q.watertight!s:>6} {q.volume_error:9.1e}"
        f" {q.n_crossings:5}      {q.aspect_median:6.2f} {q.aspect_p99:6.2f} {q.aspect_max:6.1f}"
        f"     {mesh.error_um:6.3f}  {seconds:.2f}"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=192)
    parser.add_argument("--voxel-um", type=float, default=2.0)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--top", type=int, default=20)
    parser.add_argument("--max-error-um", type=float, default=None)
    parser.add_argument("--plain", action="store_true")
    wanted = parser.parse_args()
    warm_kernels()
    warm_meshes()
    meshes: list[ParticleMesh] = []
    print(HEAD)
    for seed in range(1, wanted.seeds + 1):
        rich = RichBodies() if wanted.plain else RICH_BODIES
        spec = SpecimenSpec((wanted.size,) * 3, wanted.voxel_um, seed, rich=rich)
        with tempfile.TemporaryDirectory() as folder:
            crops = count_scan(spec, Path(folder))
            for phase in PHASES:
                for particle_id in crops.largest(phase, wanted.top):
                    began = time.perf_counter()
                    meshes.append(mesh_particle(crops, phase, particle_id, wanted.max_error_um))
                    print_line(meshes[-1], time.perf_counter() - began)
    qualities = [mesh.quality for mesh in meshes]
    print(
        f"{len(meshes)} surfaces: {sum(q.watertight for q in qualities)} watertight, "
        f"{sum(q.n_crossings for q in qualities)} crossings, largest volume error "
        f"{max(abs(q.volume_error) for q in qualities):.1e}, largest error of decimation over the "
        f"one allowed {max(m.error_um / m.max_error_um for m in meshes):.2f}, triangles left "
        f"{sum(q.n_faces for q in qualities) / sum(m.n_faces_smooth for m in meshes):.2f}, "
        f"aspect ratio p99 at most {max(q.aspect_p99 for q in qualities):.1f}"
    )


if __name__ == "__main__":
    main()
