"""Speed and memory of the voxel solver: six load cases on a cube of crossing plates.

    python -m tests.benchmarks.stress_speed --size 128
    python -m tests.benchmarks.stress_speed --size 256 --device cuda --json

Loads NumPy, SciPy and Numba, and CuPy for ``--device cuda``: nothing else.
"""

from __future__ import annotations

import argparse
import json
import platform
import time
from importlib import import_module
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.elasticity import Cell, UnitLoads, lame_constants, solve_unit_loads


def crossing_plates(size: int) -> NDArray[np.uint8]:
    """Return two oblique plates that cross, as phase 1 in phase 0."""
    z, y, x = np.meshgrid(*[np.arange(size) + 0.5 - size / 2] * 3, indexing="ij", sparse=True)
    thick = size / 40
    plate = (abs(z + 0.3 * x + 0.1 * y) < thick) & (y * y + x * x < (0.31 * size) ** 2)
    plate |= (abs(y + 0.2 * z) < thick) & (z * z + x * x < (0.23 * size) ** 2)
    return plate.astype(np.uint8)


def peak_bytes() -> int:
    """Return the peak resident size of this process."""
    with open("/proc/self/status", encoding="ascii") as status:
        return int(status.read().split("VmHWM:")[1].split()[0]) * 1024


def timed(cell: Cell, xp: Any, dtype: str, tolerance: float | None) -> tuple[float, UnitLoads]:
    """Solve a cell and return the seconds with the result."""
    start = time.perf_counter()
    left = solve_unit_loads(cell, cell.phases == 1, dtype=dtype, tolerance=tolerance, xp=xp)
    if xp is not None and hasattr(xp, "cuda"):
        xp.cuda.Device().synchronize()
    return time.perf_counter() - start, left


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--size", type=int, default=128)
    parser.add_argument("--device", choices=("cpu", "cuda"), default="cpu")
    parser.add_argument("--dtype", choices=("float32", "float64"), default="float32")
    parser.add_argument("--tolerance", type=float)
    parser.add_argument("--second", choices=("iron-rich", "void"), default="iron-rich")
    parser.add_argument("--check", action="store_true", help="cuda: compare with this CPU too")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    second = (0.0, 0.0) if options.second == "void" else lame_constants(160.0, 0.26)
    lame = np.array([lame_constants(70.0, 0.33), second])
    xp = import_module("cupy") if options.device == "cuda" else None
    warm = Cell(crossing_plates(16), lame, (1.0, 1.0, 1.0))
    timed(warm, xp, options.dtype, options.tolerance)
    base = peak_bytes()
    cell = Cell(crossing_plates(options.size), lame, (1.0, 1.0, 1.0))
    used = time.process_time()
    seconds, left = timed(cell, xp, options.dtype, options.tolerance)
    used = time.process_time() - used
    stress = left.response[:, 0, 0]
    found: dict[str, Any] = {
        "size": options.size,
        "device": options.device,
        "name": platform.processor() or platform.machine(),
        "dtype": options.dtype,
        "second_phase": options.second,
        "seconds_six_cases": round(seconds, 2),
        "processor_seconds": round(used, 2),
        "iterations": [c.n_iterations for c in left.convergence],
        "residual": max(c.residual for c in left.convergence),
        "peak_bytes": peak_bytes(),
        "base_bytes": base,
        "youngs_zz_gpa": 1.0 / np.linalg.inv(left.stiffness)[0, 0],
        "mean_zz_inside": float(stress.mean()),
        "max_zz_inside": float(stress.max()),
    }
    if xp is not None:
        device = xp.cuda.runtime.getDeviceProperties(0)["name"]
        found["name"] = device.decode() if isinstance(device, bytes) else str(device)
        found["pool_bytes"] = int(xp.get_default_memory_pool().total_bytes())
        if options.check:
            found["cpu_seconds"], host = timed(cell, None, options.dtype, options.tolerance)
            found["largest_difference"] = float(np.abs(host.response - left.response).max())
    if options.json:
        print(json.dumps(found, indent=1))
        return
    for key, value in found.items():
        print(f"{key:20} {value}")


if __name__ == "__main__":
    main()
