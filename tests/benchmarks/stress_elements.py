"""The voxel solver beside a finite-element code on the same hexahedra (needs scikit-fem).

    python -m tests.benchmarks.stress_elements --size 24 --points 8 --json

Periodic trilinear hexahedra under a strain along z, stresses as means over elements, over the mean
stress of the cell.  With one integration point that is the voxel solver's own discretisation, and
the two must agree to the tolerance of their solvers; with eight points it is the usual element.
"""

from __future__ import annotations

import argparse
import json
import time
from typing import Any

import numpy as np
import scipy.sparse
import scipy.sparse.linalg
import skfem
from numpy.typing import NDArray
from skfem.helpers import ddot, eye, sym_grad, trace

from pipeline.kernels.conjugate import balance
from pipeline.kernels.elasticity import Cell, HostMedium, _measure, lame_constants

LAME = np.array([lame_constants(70.0, 0.33), lame_constants(160.0, 0.26)])


def bodies(n: int) -> NDArray[np.uint8]:
    """Return a ball and two crossing plates."""
    z, y, x = np.meshgrid(*[(np.arange(n) + 0.5) / n] * 3, indexing="ij", sparse=True)
    ball = (z - 0.27) ** 2 + (y - 0.27) ** 2 + (x - 0.27) ** 2 < 0.17**2
    plates = (abs(z - 0.7) < 0.085) & ((y - 0.6) ** 2 + (x - 0.6) ** 2 < 0.3**2)
    plates |= (abs(y - 0.6) < 0.085) & (abs(z - 0.7) < 0.22) & (abs(x - 0.6) < 0.25)
    return (ball | plates).astype(np.uint8)


def solve_elements(phases: NDArray[np.uint8], points: int) -> NDArray[np.float64]:
    """Return the zz stress of each element under a unit strain zz, periodic, by scikit-fem."""
    n = phases.shape[0]
    line = np.arange(n + 1, dtype=float)
    mesh = skfem.MeshHex.init_tensor(line, line, line)
    middle = mesh.p[:, mesh.t].mean(axis=1).astype(int)
    own = LAME[phases[middle[0], middle[1], middle[2]]]
    centre = (np.full((3, 1), 0.5), np.ones(1))
    rule: dict[str, Any] = {"quadrature": centre} if points == 1 else {"intorder": 3}
    basis = skfem.Basis(mesh, skfem.ElementVector(skfem.ElementHex1()), **rule)
    constant = basis.with_element(skfem.ElementHex0())
    lam, mu = (constant.interpolate(own[:, k].copy()) for k in range(2))

    def stress(w: Any, e: Any) -> Any:
        return 2.0 * w["mu"] * e + w["lam"] * eye(trace(e), 3)

    @skfem.BilinearForm
    def stiffness(u: Any, v: Any, w: Any) -> Any:
        return ddot(stress(w, sym_grad(u)), sym_grad(v))

    @skfem.LinearForm
    def load(v: Any, w: Any) -> Any:
        e = np.zeros((3, 3, *w.x.shape[1:]))
        e[0, 0] = 1.0
        return -ddot(stress(w, e), sym_grad(v))

    a = skfem.asm(stiffness, basis, lam=lam, mu=mu)
    b = skfem.asm(load, basis, lam=lam, mu=mu)
    # Periodic: each degree of freedom stands for the one at its corner modulo n.
    corner = np.rint(basis.doflocs).astype(int) % n
    component = np.empty(basis.N, int)
    for k in range(3):
        component[basis.nodal_dofs[k]] = k
    master = ((corner[0] * n + corner[1]) * n + corner[2]) * 3 + component
    fold = scipy.sparse.csr_matrix((np.ones(basis.N), (np.arange(basis.N), master)))
    folded, force = (fold.T @ a @ fold).tocsr(), fold.T @ b
    scale = scipy.sparse.diags(1.0 / folded.diagonal(), format="csr")
    u, info = scipy.sparse.linalg.cg(folded, force, rtol=1e-9, M=scale, maxiter=20000)
    if info:
        raise RuntimeError(f"scipy's conjugate gradients ended with {info}")
    field = sym_grad(basis.interpolate(fold @ u))
    field = np.array(field)
    field[0, 0] += 1.0
    zz = 2.0 * own[:, 1, None] * field[0, 0] + own[:, 0, None] * np.einsum("iieq->eq", field)
    out = np.empty(phases.shape)
    out[middle[0], middle[1], middle[2]] = (zz * basis.dx).sum(1) / basis.dx.sum(1)
    return out


def solve_voxels(phases: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return the same from the voxel solver."""
    cell = Cell(phases, LAME, (1.0, 1.0, 1.0))
    medium = HostMedium(cell, np.dtype(np.float64))
    medium.mean[0] = 1.0
    u = medium.rest()
    balance(medium, u, _measure(medium, cell), 1e-8, 200, "zz")
    stress, _ = medium.sample(u, np.ones(phases.shape, bool))
    return np.asarray(stress[:, 0]).reshape(phases.shape)


def compare_with_elements(n: int, points: int = 8) -> dict[str, Any]:
    """Solve both ways and return the differences of stress over the mean stress of the cell."""
    phases = bodies(n)
    start = time.perf_counter()
    elements = solve_elements(phases, points)
    middle = time.perf_counter()
    voxels = solve_voxels(phases)
    end = time.perf_counter()
    elements, voxels = elements / elements.mean(), voxels / voxels.mean()
    off = np.abs(voxels - elements)
    edge = np.zeros(phases.shape, bool)
    for axis in range(3):
        for step in (-1, 1):
            edge |= np.roll(phases, step, axis) != phases
    means = [abs(voxels[phases == k].mean() / elements[phases == k].mean() - 1) for k in (0, 1)]
    return {
        "size": n,
        "integration_points": points,
        "seconds_elements": round(middle - start, 2),
        "seconds_voxels": round(end - middle, 2),
        "mean_difference": max(means),
        "median_difference": float(np.median(off)),
        "rms_difference": float(np.sqrt((off * off).mean())),
        "share_within_3_percent": float((off < 0.03).mean()),
        "share_within_3_percent_off_interfaces": float((off[~edge] < 0.03).mean()),
        "p99_difference": float(np.quantile(off, 0.99)),
        "p99_difference_off_interfaces": float(np.quantile(off[~edge], 0.99)),
        "largest_difference": float(off.max()),
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--size", type=int, default=24)
    parser.add_argument("--points", type=int, choices=(1, 8), default=8)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    found = compare_with_elements(options.size, options.points)
    if options.json:
        print(json.dumps(found, indent=1))
        return
    for key, value in found.items():
        print(f"{key:40} {value}")


if __name__ == "__main__":
    main()
