"""Elastic inclusions against closed forms and values computed outside this project.

Values "computed" come from an independent implementation of Eshelby's solution (quadrature of the
Green operator over directions) and of the voxel schemes; the closed forms name their source.
"""

import numpy as np
import pytest

from pipeline.kernels.elasticity import Cell, lame_constants, solve_unit_loads
from pipeline.kernels.ellipsoid import eshelby_tensor, inside_response, shape_integrals
from pipeline.kernels.screening import screen_particles
from tests.benchmarks.stress_elements import compare_with_elements

pytestmark = pytest.mark.published

ALUMINIUM = lame_constants(70.0, 0.33)
SILICON = lame_constants(163.0, 0.223)
AL2CU = lame_constants(123.0, 0.29)
ALPHA = lame_constants(190.0, 0.24)
BETA = lame_constants(160.0, 0.26)
VOID = (0.0, 0.0)


def screened(axes, particle, load=(1.0, 0.0, 0.0), matrix=ALUMINIUM):
    frames = np.eye(3)[None]
    return screen_particles(np.array([axes], float), frames, load, matrix, particle)


def ball(n, radius):
    g = np.arange(n) + 0.5 - n / 2
    return g[:, None, None] ** 2 + g[:, None] ** 2 + g**2 <= radius**2


def test_tensor_of_a_ball():
    # Eshelby 1957: S1111 = (7 - 5v) / (15 (1 - v)), and so on; here v = 0.3.
    tensor = eshelby_tensor(np.ones((1, 3)), 0.3)[0]
    assert tensor[0, 0] == pytest.approx(0.523810, abs=1e-6)
    assert tensor[0, 1] == pytest.approx(0.047619, abs=1e-6)
    assert tensor[3, 3] / 2 == pytest.approx(0.238095, abs=1e-6)


@pytest.mark.parametrize("axes", [(1, 1.01, 0.1), (1, 1.0005, 0.001), (1, 1.0005, 30), (3, 2, 1)])
def test_shape_integrals_near_and_away_from_equal_axes(axes):
    first, second = shape_integrals(np.array([axes, np.array(axes) * 7.0]))
    np.testing.assert_allclose(first.sum(axis=1), 4 * np.pi, rtol=1e-12)
    np.testing.assert_allclose(first[0], first[1], rtol=1e-12)
    # I_1 = sum_j of a_j^2 I_1j + ... : 3 a1^2 I11 + a2^2 I12 + a3^2 I13 = 3 I1 (Mura 1987, 11.18).
    square = (np.array(axes) / max(axes)) ** 2
    for i in range(3):
        rest = sum(square[j] * second[0, i, j] for j in range(3) if j != i)
        assert 3 * square[i] * second[0, i, i] + rest == pytest.approx(3 * first[0, i], rel=1e-7)


@pytest.mark.parametrize(
    ("axes", "particle", "inside", "matrix"),
    [
        # Largest stress inside and in the matrix at the interface, load along z (computed).
        ((1, 1, 1), SILICON, 1.3545, 1.4173),
        ((1, 10, 10), SILICON, 1.0220, 1.1009),
        ((10, 10, 1), SILICON, 1.9431, 2.0400),
        ((50, 50, 1), SILICON, 2.1862, 2.2956),
        ((1, 1, 1), AL2CU, 1.2460, 1.2814),
        ((1, 10, 10), AL2CU, 1.0169, 1.0603),
        ((10, 10, 1), AL2CU, 1.5807, 1.6258),
        ((50, 50, 1), AL2CU, 1.6971, 1.7450),
        ((1, 1, 1), ALPHA, 1.4159, 1.4824),
        ((1, 10, 10), ALPHA, 1.0236, 1.1185),
        ((10, 10, 1), ALPHA, 2.1778, 2.2859),
        ((50, 50, 1), ALPHA, 2.5265, 2.6509),
        ((1, 1, 1), BETA, 1.3514, 1.4060),
        ((1, 10, 10), BETA, 1.0215, 1.0946),
        ((10, 10, 1), BETA, 1.9253, 2.0058),
        ((50, 50, 1), BETA, 2.1602, 2.2496),
    ],
)
def test_screen_gives_computed_values(axes, particle, inside, matrix):
    found = screened(axes, particle)
    assert found.inside_load[0] == pytest.approx(inside, abs=2e-4)
    # The peak in the matrix lies between the screen's fixed normals: never over, 0.5 % under.
    assert 0.995 * matrix < found.matrix_load[0] < matrix + 2e-4


@pytest.mark.parametrize(
    ("poisson", "peak"), [(0.2, 2.0), (0.3, 2.045455), (0.33, 2.060748), (0.345, 2.068720)]
)
def test_cavity_of_goodier(poisson, peak):
    # Goodier 1933: (27 - 15v) / (2 (7 - 5v)) at the equator.
    found = screened((1, 1, 1), VOID, matrix=lame_constants(70.0, poisson))
    assert found.matrix_load[0] == pytest.approx(peak, abs=1e-6)
    assert found.inside_load[0] == 0.0


def test_flat_cavities():
    # Computed: penny-like pores; the peak sits at the sharp equator, among the normals.
    assert screened((1, 2, 2), VOID).matrix_load[0] == pytest.approx(3.33472, abs=1e-5)
    assert screened((1, 10, 10), VOID).matrix_load[0] == pytest.approx(13.5481, abs=1e-4)
    assert screened((2, 2, 1), VOID).matrix_load[0] == pytest.approx(1.6698, abs=1e-4)


@pytest.mark.parametrize(("poisson", "stress"), [(0.2, 2.0), (0.3, 1.938462), (0.33, 1.929291)])
def test_rigid_ball(poisson, stress):
    # 2 / (1 + v) + 1 / (4 - 5v) inside a ball that does not give.
    rigid = lame_constants(70e7, 0.25)
    _, inside = inside_response(np.ones((1, 3)), lame_constants(70.0, poisson), rigid)
    assert inside[0, 0, 0] == pytest.approx(stress, abs=2e-6)


@pytest.mark.parametrize(
    ("particle", "limit"), [(BETA, 2.2411), (ALPHA, 2.6521), (SILICON, 2.2701)]
)
def test_thin_plate_limit(particle, limit):
    # Endless thin plate loaded in its plane: (Ei / Em) (1 - vi vm) / (1 - vi^2).
    found = screened((1e5, 1e5, 1.0), particle)
    assert found.inside_load[0] == pytest.approx(limit, abs=2e-4)


def test_voxel_ball_against_eshelby():
    phases = ball(32, 8).astype(np.uint8)
    cell = Cell(phases, np.array([ALUMINIUM, BETA]), (1.0, 1.0, 1.0))
    left = solve_unit_loads(cell, phases == 1)
    stress = left.response[:, 0, 0]
    assert stress.mean() == pytest.approx(1.3514, rel=0.02)
    core = ball(32, 6)[phases == 1]
    assert stress[core].std() < 0.02 * stress.mean()
    # The same scheme computed elsewhere: mean 1.3669, modulus of the cell 74.02 GPa.
    assert stress.mean() == pytest.approx(1.3669, abs=2e-4)
    assert 1 / np.linalg.inv(left.stiffness)[0, 0] == pytest.approx(74.02, abs=0.01)


def test_voxel_cavity_against_goodier():
    phases = ball(32, 8).astype(np.uint8)
    cell = Cell(phases, np.array([ALUMINIUM, VOID]), (1.0, 1.0, 1.0))
    left = solve_unit_loads(cell, phases == 0)
    assert left.response[:, 0, 0].max() == pytest.approx(2.0607, rel=0.10)
    assert 1 / np.linalg.inv(left.stiffness)[0, 0] == pytest.approx(61.4, abs=0.05)


def test_voxel_ball_that_hardly_gives():
    # Towards the rigid limit: 1.9293 for v = 0.33, as a mean over the ball.
    # Stairs weigh more at such a contrast: 7 % over at this radius.
    phases = ball(32, 8).astype(np.uint8)
    cell = Cell(phases, np.array([ALUMINIUM, lame_constants(70e3, 0.25)]), (1.0, 1.0, 1.0))
    left = solve_unit_loads(cell, phases == 1)
    assert left.response[:, 0, 0].mean() == pytest.approx(1.9293, rel=0.08)


def test_voxel_plate_against_eshelby_on_flat_voxels():
    # Oblate 1:10, 6 voxels thick, loaded in its plane; voxels three times as long in the plane.
    n, edges = (48, 36, 36), (1.0, 3.0, 3.0)
    z, y, x = ((np.arange(m) + 0.5 - m / 2) * e for m, e in zip(n, edges, strict=True))
    inside = (z[:, None, None] / 3) ** 2 + (y[:, None] / 30) ** 2 + (x / 30) ** 2 <= 1
    cell = Cell(inside.astype(np.uint8), np.array([ALUMINIUM, BETA]), edges)
    left = solve_unit_loads(cell, inside)
    assert left.response[:, 1, 1].mean() == pytest.approx(1.9253, rel=0.04)
    assert left.response[:, 2, 2].mean() == pytest.approx(1.9253, rel=0.04)


@pytest.mark.parametrize("fraction", [0.05, 0.20])
def test_moduli_lie_between_hashin_and_shtrikman(fraction):
    # Hashin and Shtrikman 1963, bulk and shear; aluminium with beta.
    bounds = {
        0.05: (70.1566, 70.3089, 27.4578, 27.6643),
        0.20: (75.0271, 75.5821, 31.1801, 31.9543),
    }
    low_k, high_k, low_g, high_g = bounds[fraction]
    radius = 24 * (3 * fraction / (4 * np.pi)) ** (1 / 3)
    inside = ball(24, radius)
    exact = (3 * inside.mean() / (4 * np.pi)) ** (1 / 3) * 24
    assert exact == pytest.approx(radius, rel=0.02)
    cell = Cell(inside.astype(np.uint8), np.array([ALUMINIUM, BETA]), (1.0, 1.0, 1.0))
    stiffness = solve_unit_loads(cell, inside, dtype=np.float64).stiffness
    bulk = stiffness[:3, :3].sum() / 9
    # Voigt's mean over directions of a cubic cell.
    shear = ((stiffness[0, 0] - stiffness[0, 1]) + 3 * stiffness[3, 3] / 2) / 5
    off = abs(inside.mean() / fraction - 1) + 2e-3
    assert low_k * (1 - 0.2 * off) < bulk < high_k * (1 + 0.2 * off)
    assert low_g * (1 - 0.2 * off) < shear < high_g * (1 + 0.2 * off)


def test_element_stresses_of_a_finite_element_code():
    """The same hexahedra by scikit-fem, with one integration point: ball and crossing plates."""
    found = compare_with_elements(10, points=1)
    assert found["largest_difference"] < 1e-5
