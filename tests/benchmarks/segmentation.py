"""How right the phases are: simulated specimens through the real stages, beside the exact truth.

`python -m tests.benchmarks.segmentation --size 384 --seeds 2` prints one line a volume and phase,
with the default recipe and no hints; `--set segment.edges=plain` and the like change the recipe.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
from numpy.typing import NDArray
from scipy import ndimage

from flows.settings.lookup import find_recipe
from pipeline.model.grid import Box
from pipeline.model.header import ReadOptions
from pipeline.model.metadata import ScanMetadata
from pipeline.model.plan import plan_scan
from pipeline.phantom.specimen import COPPER, IRON, MATRIX, PHASE_NAMES, PORE, SpecimenSpec
from pipeline.phantom.writer import write_specimen
from pipeline.readers import open_source
from pipeline.run import run
from pipeline.stores.job import JobFolder
from pipeline.stores.volume import open_volume, read_box

FRACTIONS = [(0.04, 0.006, 0.004), (0.005, 0.001, 0.002), (0.08, 0.01, 0.01)]
ABSENT = [(0.04, 0.0, 0.004), (0.04, 0.006, 0.0), (0.0, 0.0, 0.0)]
COUNTED_VOXELS = 125
SHELL_VX = 6


def segment(
    spec: SpecimenSpec, folder: Path, overrides: list[str]
) -> tuple[NDArray[np.uint8], NDArray[np.uint8], dict[str, Any]]:
    """Run the stages on a simulated specimen.

    Parameters
    ----------
    spec : SpecimenSpec
        The specimen.
    folder : Path
        Empty folder for everything.
    overrides : list of str
        Changes to the default recipe.

    Returns
    -------
    found, true : numpy.ndarray
        uint8 phase maps.
    rows : dict
        Voxels of every particle, by phase.
    """
    files = write_specimen(spec, folder / "specimen", "zarr", with_phases=True)
    assert files.phases is not None
    options = ReadOptions(voxel_um=(spec.voxel_um,) * 3)
    location = str(files.volume)
    recipe = find_recipe("cast-al-si-cu", overrides)
    header = open_source(location, options).header
    plan = plan_scan("s", location, options, header, recipe, ScanMetadata(), "benchmark")
    job = JobFolder(folder / "workspace" / "jobs" / "job")
    job.path.mkdir(parents=True)
    job.write_plan(plan)
    run(job.path)
    whole = Box((0, 0, 0), spec.size_vx)
    labels = job.workspace / "scans" / "s.zarr" / "labels"
    found = read_box(open_volume(labels / "phases" / "0"), whole)
    true = read_box(open_volume(files.phases / "0"), whole)
    table = pq.read_table(job.product("particles.parquet"), columns=["phase", "n_voxels"])
    sizes = table.to_pandas().groupby("phase")["n_voxels"].apply(np.array).to_dict()
    return found, true, sizes


def compare(
    found: NDArray[np.uint8], true: NDArray[np.uint8], sizes: dict[str, Any]
) -> dict[str, Any]:
    """Return errors and Dice by phase, of the voxels that were searched.

    Particles are counted from `COUNTED_VOXELS` voxels on; the false shell is what was called
    iron-rich within `SHELL_VX` of copper-rich particles that lie farther from any iron-rich body,
    over the true volume of those.
    """
    searched = found != 255
    true = np.where(searched, true, 255)
    result: dict[str, Any] = {}
    cube = np.ones((3, 3, 3), np.bool_)
    for phase in (PORE, IRON, COPPER):
        name = PHASE_NAMES[phase]
        a, b = found == phase, true == phase
        n_a, n_b = int(a.sum()), int(b.sum())
        labels = np.bincount(ndimage.label(b, cube)[0].ravel())[1:]
        result[name] = {
            "volume": n_a / n_b - 1 if n_b else float("nan"),
            "dice": 2 * int((a & b).sum()) / (n_a + n_b) if n_b else float("nan"),
            "n": int(np.sum(sizes.get(name, np.zeros(0)) >= COUNTED_VOXELS)),
            "n_true": int(np.sum(labels >= COUNTED_VOXELS)),
            "n_rows": len(sizes.get(name, ())),
        }
    result["shell"] = _false_shell(found, true)
    return result


def _false_shell(found: NDArray[np.uint8], true: NDArray[np.uint8]) -> float:
    copper, n = ndimage.label(true == COPPER, np.ones((3, 3, 3), np.bool_))
    if n == 0:
        return float("nan")
    to_iron = ndimage.distance_transform_edt(true != IRON) if (true == IRON).any() else None
    alone = np.ones(n + 1, np.bool_)
    if to_iron is not None:
        nearest = ndimage.minimum(to_iron, copper, np.arange(n + 1))
        alone = nearest > SHELL_VX + 2
    alone[0] = False
    particles = alone[copper]
    if not particles.any():
        return float("nan")
    about = ndimage.distance_transform_edt(~particles) <= SHELL_VX
    false = about & (found == IRON) & (true == MATRIX)
    return float(false.sum() / particles.sum())


def print_lines(title: str, result: dict[str, Any]) -> None:
    """Print one line a phase."""
    for name in ("pore", "iron-rich", "copper-rich"):
        r = result[name]
        print(
            f"{title:32} {name:12} volume {100 * r['volume']:+7.1f} %  dice {r['dice']:.3f}  "
            f"n {r['n']:5d} of {r['n_true']:5d}  rows {r['n_rows']:5d}"
            + (f"  shell {100 * result['shell']:.1f} %" if name == "copper-rich" else ""),
            flush=True,
        )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=384)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--cnr", type=float, nargs="+", default=[3.0, 4.0, 6.0])
    parser.add_argument("--psf", type=float, default=0.8, help="blur, standard deviation in voxels")
    parser.add_argument("--set", action="append", default=[], dest="overrides")
    parser.add_argument("--absent", action="store_true", help="specimens that lack phases instead")
    parser.add_argument("--mixtures", type=int, default=1, help="how many of the phase contents")
    given = parser.parse_args()
    contents = ABSENT if given.absent else FRACTIONS[: given.mixtures]
    for iron, copper, pore in contents:
        for cnr in given.cnr:
            for seed in range(1, given.seeds + 1):
                spec = SpecimenSpec(
                    (given.size,) * 3,
                    1.5,
                    seed=seed,
                    cnr=cnr,
                    psf_sigma_vx=given.psf,
                    iron_fraction=iron,
                    copper_fraction=copper,
                    pore_fraction=pore,
                )
                with tempfile.TemporaryDirectory() as name:
                    result = compare(*segment(spec, Path(name), given.overrides))
                title = f"{iron:g}/{copper:g}/{pore:g} cnr {cnr:g} seed {seed}"
                print_lines(title, result)


if __name__ == "__main__":
    main()
