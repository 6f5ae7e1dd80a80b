"""The voxel solver: what it must give whatever the shapes are."""

import json
import os
import subprocess
import sys

import numpy as np
import pytest

from pipeline.errors import ConvergenceError, UsageError
from pipeline.kernels.elasticity import (
    Cell,
    lame_constants,
    project_bytes,
    solve_unit_loads,
)
from pipeline.kernels.equilibrium import mandel_to_tensor, tensor_to_mandel

ALUMINIUM = lame_constants(70.0, 0.33)
BETA = lame_constants(160.0, 0.26)
VOID = (0.0, 0.0)
MATERIALS = np.array([ALUMINIUM, BETA, VOID])


def bodies(shape, seed=0):
    """A few balls of phase 1 and 2 at odd places."""
    rng = np.random.default_rng(seed)
    grid = np.indices(shape).reshape(3, -1).T
    phases = np.zeros(len(grid), np.uint8)
    for k in range(5):
        centre, radius = rng.random(3) * shape, 1.5 + 2.5 * rng.random()
        phases[((grid - centre) ** 2).sum(1) < radius**2] = 1 + k % 2
    return phases.reshape(shape)


def solve(phases, voxel_um=(1.0, 1.0, 1.0), lame=MATERIALS, **options):
    options = {"dtype": np.float64, "tolerance": 1e-10, **options}
    cell = Cell(phases, np.asarray(lame, float), voxel_um)
    return solve_unit_loads(cell, np.ones(phases.shape, bool), **options)


def rotation(order, signs):
    turn = np.zeros((3, 3))
    for row, (axis, sign) in enumerate(zip(order, signs, strict=True)):
        turn[row, axis] = sign
    return turn


def test_equal_phases_give_the_load_itself():
    left = solve(bodies((12, 10, 9)), (1.0, 2.0, 1.5), [ALUMINIUM] * 3)
    assert np.abs(left.response - np.eye(6)).max() < 1e-12
    lam, mu = ALUMINIUM
    wanted = 2 * mu * np.eye(6)
    wanted[:3, :3] += lam
    np.testing.assert_allclose(left.stiffness, wanted, rtol=0, atol=1e-12 * wanted.max())


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_laminate_is_exact_for_both_loads(axis):
    # Aluminium 75 %, iron-rich 25 %, layers across `axis`: closed form (see the numbers below).
    layers = np.zeros((8, 8, 8), np.uint8)
    np.moveaxis(layers, axis, 0)[:2] = 1
    left = solve(layers, (1.0, 1.0, 1.0), tolerance=1e-9)
    aluminium, beta = layers.ravel() == 0, layers.ravel() == 1
    across, along = axis, (axis + 1) % 3
    stress = left.response[:, :, across]
    np.testing.assert_allclose(stress[:, across], 1.0, atol=1e-6)
    assert stress[aluminium, along] == pytest.approx(0.1318, abs=5e-5)
    assert stress[beta, along] == pytest.approx(-0.3953, abs=5e-5)
    stress = left.response[:, :, along]
    assert stress[aluminium, along] == pytest.approx(0.7640, abs=5e-5)
    assert stress[beta, along] == pytest.approx(1.7079, abs=5e-5)
    modulus = 1.0 / np.diag(np.linalg.inv(left.stiffness))
    assert modulus[across] == pytest.approx(85.71755, rel=1e-6)
    assert modulus[along] == pytest.approx(92.62164, rel=1e-6)
    assert left.stiffness[across, across] == pytest.approx(117.5313, rel=1e-6)
    assert left.stiffness[along, along] == pytest.approx(126.3882, rel=1e-6)
    shear = np.sort(np.diag(left.stiffness)[3:]) / 2
    np.testing.assert_allclose(shear, [30.8285, 30.8285, 35.6099], rtol=2e-6)


@pytest.mark.parametrize(
    ("order", "signs"), [((1, 0, 2), (1, -1, 1)), ((2, 1, 0), (1, 1, -1)), ((1, 2, 0), (1, 1, 1))]
)
def test_a_turned_cell_has_the_turned_field(order, signs):
    phases, voxel = bodies((12, 10, 8), 3), (1.0, 1.3, 0.7)
    turn = rotation(order, signs)
    moved = np.flip(phases.transpose(order), [k for k in range(3) if signs[k] < 0])
    first = solve(phases, voxel, tolerance=1e-12)
    second = solve(np.ascontiguousarray(moved), tuple(voxel[k] for k in order), tolerance=1e-12)
    load = np.array([[0.3, 0.2, -0.5], [0.2, 1.0, 0.1], [-0.5, 0.1, 0.4]])
    stress = mandel_to_tensor(first.response @ tensor_to_mandel(load))
    stress = turn @ stress @ turn.T
    stress = stress.reshape(*phases.shape, 3, 3)
    stress = np.flip(stress.transpose(*order, 3, 4), [k for k in range(3) if signs[k] < 0]).reshape(
        -1, 3, 3
    )
    again = mandel_to_tensor(second.response @ tensor_to_mandel(turn @ load @ turn.T))
    assert np.abs(stress - again).max() < 1e-10 * np.abs(stress).max()


def test_superposition_is_the_direct_solution():
    # The cell turned by an oblique load: five directions, solved as one macroscopic strain each.
    from pipeline.kernels.conjugate import balance
    from pipeline.kernels.elasticity import HostMedium, _measure

    cell = Cell(bodies((12, 12, 12), 5), MATERIALS, (1.0, 1.0, 1.2))
    everywhere = np.ones(cell.phases.shape, bool)
    left = solve_unit_loads(cell, everywhere, dtype=np.float64, tolerance=1e-9)
    rng = np.random.default_rng(1)
    for _ in range(5):
        n = rng.standard_normal(3)
        n /= np.linalg.norm(n)
        load = tensor_to_mandel(np.outer(n, n))
        medium = HostMedium(cell, np.dtype(np.float64))
        strain = np.linalg.solve(left.stiffness, load)
        medium.mean[:] = strain * np.array([1, 1, 1, *[np.sqrt(2.0)] * 3])
        u = medium.rest()
        balance(medium, u, _measure(medium, cell), 1e-9, 200, "oblique")
        stress, mean = medium.sample(u, everywhere)
        np.testing.assert_allclose(mean, load, atol=1e-8)
        np.testing.assert_allclose(stress, left.response @ load, atol=1e-7)


def test_array_operations_give_the_compiled_result():
    phases = bodies((10, 12, 9), 7)
    compiled = solve(phases, (1.0, 2.0, 1.0))
    arrays = solve(phases, (1.0, 2.0, 1.0), xp=np)
    np.testing.assert_allclose(arrays.response, compiled.response, atol=1e-8)
    assert [c.n_iterations for c in arrays.convergence] == [
        c.n_iterations for c in compiled.convergence
    ]


def test_single_precision_costs_less_than_the_voxels_do():
    phases = bodies((16, 16, 16), 2)
    exact = solve(phases).response
    single = solve(phases, dtype=np.float32, tolerance=None)
    assert np.abs(single.response - exact).max() < 2e-3
    assert max(c.residual for c in single.convergence) <= 3e-5


def test_mean_stress_is_the_load_and_stiffness_is_symmetric():
    left = solve(bodies((12, 12, 12), 4))
    np.testing.assert_allclose(left.response.mean(axis=0), np.eye(6), atol=1e-9)
    np.testing.assert_allclose(left.stiffness, left.stiffness.T, rtol=0, atol=1e-7)


def test_the_same_cell_gives_the_same_bits():
    phases = bodies((12, 12, 12), 4)
    first, second = solve(phases), solve(phases)
    assert first.response.tobytes() == second.response.tobytes()


def test_too_few_iterations_are_an_error_with_the_residual():
    with pytest.raises(ConvergenceError, match=r"load case zz .* after 2 iterations: residual"):
        solve(bodies((12, 12, 12)), max_iterations=2)


def test_a_cell_cut_by_a_void_carries_nothing():
    slab = np.zeros((8, 8, 8), np.uint8)
    slab[3:5] = 2
    with pytest.raises(ConvergenceError, match=r"carries the load|in equilibrium"):
        solve(slab, tolerance=1e-7)
    with pytest.raises(ConvergenceError, match="no material"):
        solve(np.full((4, 4, 4), 2, np.uint8))


def test_a_flat_cell_is_refused():
    with pytest.raises(UsageError, match="thinner than 2"):
        solve(np.zeros((1, 8, 8), np.uint8))


def test_the_solver_loads_no_store_and_no_scheduler():
    # A machine with a card needs NumPy, SciPy, Numba and CuPy, nothing else.
    script = (
        "import sys, tests.benchmarks.stress_speed, pipeline.kernels.assessment;"
        "print(sorted({m.split('.')[0] for m in sys.modules}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    for name in ("pydantic", "zarr", "prefect", "distributed", "pyarrow", "typer"):
        assert f"'{name}'" not in done.stdout


MEASURE = """
import json, numpy as np
from pipeline.kernels.elasticity import Cell, lame_constants, project_bytes, solve_unit_loads

def peak():
    text = open("/proc/self/status").read()
    return int(text.split("VmHWM:")[1].split()[0]) * 1024

def run(n):
    phases = np.zeros((n, n, n), np.uint8)
    phases[n // 4 : n // 2, n // 4 : n // 2, n // 4 : n // 2] = 1
    cell = Cell(phases, np.array([lame_constants(70, .33), lame_constants(160, .26)]), (1., 1., 1.))
    solve_unit_loads(cell, phases == 1)
    return project_bytes(phases.shape, int((phases == 1).sum()))

run(8)
before = peak()
projected = run(96)
print(json.dumps({"measured": peak() - before, "projected": projected}))
"""


@pytest.mark.limits
@pytest.mark.skipif(not os.path.exists("/proc/self/status"), reason="reads Linux's peak size")
def test_memory_stays_under_the_projection():
    done = subprocess.run(
        [sys.executable, "-c", MEASURE], capture_output=True, text=True, check=True, timeout=120
    )
    got = json.loads(done.stdout)
    assert got["measured"] < got["projected"] < 2.5 * got["measured"]
    # The bar: 128^3 voxels in 1.5 GiB, with every tenth voxel kept.
    assert project_bytes((128, 128, 128), 128**3 // 10) < 1.5 * 2**30
